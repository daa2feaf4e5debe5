#pragma once
#include <cstdint>
#include <vector>

#include "base/bytes.h"
#include "base/units.h"

namespace steadycell::protocol {

// Every command cycle that a bus program can hold. Opcodes that program, erase, copy back, lock or set features do
// not exist as values of this type, and there is no other way to put a command cycle into a program.
enum class ReadOpcode : std::uint8_t {
  read = 0x00,  // large page: before the address; small page: first half of the page
  read_small_second_half = 0x01,
  change_column = 0x05,
  read_confirm = 0x30,
  cache_next = 0x31,
  read_multiplane_confirm = 0x32,
  cache_last = 0x3F,
  read_small_spare = 0x50,
  status = 0x70,
  status_enhanced = 0x78,
  read_id = 0x90,
  change_column_confirm = 0xE0,
  parameter_page = 0xEC,
  unique_id = 0xED,
  get_features = 0xEE,
  reset = 0xFF,
};

// A short list of micro-operations that the board repeats for each row of a run (firmware_protocol/PROTOCOL.md,
// "Bus programs"). The board checks it against its own grammar before the first bus cycle.
class BusProgram {
 public:
  BusProgram& command(ReadOpcode opcode);
  BusProgram& address(std::uint8_t byte);
  BusProgram& row();                            // the row of the iteration, as many cycles as the bus setup says
  BusProgram& wait_ready(Microseconds limit);   // R/B# low, then high
  BusProgram& wait_status(Microseconds limit);  // 70h polling, then 00h back to reading
  BusProgram& read(std::uint32_t bytes);
  BusProgram& delay(Nanoseconds time);

  const Bytes& bytes() const { return bytes_; }
  std::uint32_t output_bytes() const { return output_bytes_; }  // of one iteration

 private:
  BusProgram& number(std::uint8_t op, std::int64_t value);

  Bytes bytes_;
  std::uint32_t output_bytes_ = 0;
};

}  // namespace steadycell::protocol
