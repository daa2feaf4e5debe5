#include "protocol/bus_program.h"

#include <cassert>

#include "steadycell/protocol.h"

namespace steadycell::protocol {

BusProgram& BusProgram::number(std::uint8_t op, std::int64_t value) {
  assert(value >= 0 && value <= 0xFFFF'FFFFll);
  const std::size_t at = bytes_.size();
  bytes_.resize(at + 5);
  bytes_[at] = op;
  store_u32(MutableByteSpan(bytes_).subspan(at + 1), static_cast<std::uint32_t>(value));
  return *this;
}

BusProgram& BusProgram::command(ReadOpcode opcode) {
  bytes_.insert(bytes_.end(), {SCP_OP_COMMAND, static_cast<std::uint8_t>(opcode)});
  return *this;
}

BusProgram& BusProgram::address(std::uint8_t byte) {
  bytes_.insert(bytes_.end(), {SCP_OP_ADDRESS, byte});
  return *this;
}

BusProgram& BusProgram::row() {
  bytes_.push_back(SCP_OP_ROW);
  return *this;
}

BusProgram& BusProgram::wait_ready(Microseconds limit) {
  return number(SCP_OP_WAIT_RB, limit.value);
}
BusProgram& BusProgram::wait_status(Microseconds limit) {
  return number(SCP_OP_WAIT_STATUS, limit.value);
}

BusProgram& BusProgram::read(std::uint32_t bytes) {
  output_bytes_ += bytes;
  return number(SCP_OP_READ, bytes);
}

BusProgram& BusProgram::delay(Nanoseconds time) {
  return number(SCP_OP_DELAY, time.value);
}

}  // namespace steadycell::protocol
