#include "chip/bus.h"

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
  return lun * lun_stride_ + page.index / pages_per_block_ * block_stride_ + page.index % pages_per_block_;
}

BusProgram reset_program() {
  BusProgram program;
  program.command(ReadOpcode::reset).wait_ready(kResetLimit);
  return program;
}

BusProgram read_id_program(std::uint8_t at) {
  BusProgram program;
  program.command(ReadOpcode::read_id).address(at).read(at == 0 ? kIdBytes : 6);
  return program;
}

BusProgram parameter_page_program(std::uint8_t at, std::uint32_t bytes) {
  BusProgram program;
  program.command(ReadOpcode::parameter_page).address(at).wait_ready(kReadLimit).read(bytes);
  return program;
}

BusProgram status_program() {
  BusProgram program;
  program.command(ReadOpcode::status).read(2);
  return program;
}

BusProgram unique_id_program(std::uint32_t bytes) {
  BusProgram program;
  program.command(ReadOpcode::unique_id).address(0).wait_ready(kReadLimit).read(bytes);
  return program;
}

BusProgram read_page_program(const Geometry& geometry) {
  BusProgram program;
  program.command(ReadOpcode::read);
  for (std::uint32_t cycle = 0; cycle < geometry.column_cycles; ++cycle) program.address(0);
  program.row();
  if (geometry.page_bytes > 512) program.command(ReadOpcode::read_confirm);
  program.wait_ready(kReadLimit).read(geometry.raw_page_bytes());
  return program;
}

}  // namespace steadycell::chip
