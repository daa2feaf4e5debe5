#include "chip/bus.h"

#include <algorithm>
#include <bit>
#include <cassert>

namespace steadycell::chip {

using protocol::BusProgram;
using protocol::ReadOpcode;

Addressing::Addressing(const Geometry& geometry)
    : pages_per_block_(geometry.pages_per_block),
      block_stride_(std::bit_ceil(geometry.pages_per_block)),
      lun_stride_(std::bit_ceil(geometry.blocks) * block_stride_) {}

std::uint32_t Addressing::row(std::uint8_t lun, PageAddress page) const {
  assert(page.index / pages_per_block_ < lun_stride_ / block_stride_);
  return lun * lun_stride_ + page.index / pages_per_block_ * block_stride_ + page.index % pages_per_block_;
}

namespace {

constexpr Microseconds kResetLimit{5'000};
constexpr Nanoseconds kFirstReset{1'000'000};  // "the first RESET may take 1 ms": also when R/B# is not connected

void wait(BusProgram& program, WaitFor what, Microseconds limit) {
  if (what == WaitFor::ready_pin) program.wait_ready(limit);
  else program.wait_status(limit);
}

}  // namespace

Microseconds read_limit(const Identification& what) {
  return Microseconds(std::clamp<std::int64_t>(10 * what.read_time.value, 1'000, kSlowestRead.value));
}

BusProgram reset_program(WaitFor wait_for) {
  BusProgram program;
  program.command(ReadOpcode::reset);
  wait(program, wait_for, kResetLimit);
  program.delay(kFirstReset);
  return program;
}

BusProgram read_id_program(std::uint8_t at) {
  BusProgram program;
  program.command(ReadOpcode::read_id).address(at).read(at == 0 ? kIdBytes : kSignatureBytes);
  return program;
}

BusProgram parameter_page_program(std::uint8_t at, std::uint32_t bytes, WaitFor wait_for) {
  BusProgram program;
  program.command(ReadOpcode::parameter_page).address(at);
  wait(program, wait_for, kSlowestRead);
  program.read(bytes);
  return program;
}

BusProgram status_program(std::uint32_t bytes) {
  BusProgram program;
  program.command(ReadOpcode::status).read(bytes);
  return program;
}

BusProgram read_page_program(const Geometry& geometry, Microseconds limit, WaitFor wait_for) {
  const bool small_page = geometry.page_bytes == 512;
  assert(!small_page || wait_for == WaitFor::ready_pin);
  BusProgram program;
  program.command(ReadOpcode::read);
  for (std::uint32_t cycle = 0; cycle < geometry.column_cycles; ++cycle) program.address(0);
  program.row();
  if (!small_page) program.command(ReadOpcode::read_confirm);
  wait(program, wait_for, limit);
  program.read(geometry.raw_page_bytes());
  return program;
}

}  // namespace steadycell::chip
