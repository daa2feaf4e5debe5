#include <fmt/format.h>

#include "conform/duty.h"

// The command filter: PROTOCOL.md, section 6. Programs are only offered here, with the socket's rail off, and the
// slots are emptied by the HELLO in front of the next duty: a filter that fails has sent nothing to a chip.
namespace steadycell::conform {
namespace {

bool may_be_first(unsigned opcode) {
  for (const unsigned known : {0xFFu, 0x90u, 0xECu, 0xEDu, 0xEEu, 0x70u, 0x78u, 0x00u})  // large page
    if (opcode == known) return true;
  return false;
}

// Every opcode at the start of a program, and every one behind a page's address, where a confirm belongs.
asio::awaitable<Finding> program_erase(Bench& bench) {
  const auto before = co_await bench.state();
  if (!before) co_return passed_if(false, "BOARD_STATE is not answered");
  std::vector<std::string> taken;
  std::size_t asked = 0;
  for (unsigned opcode = 0; opcode < 256; ++opcode) {
    if (may_be_first(opcode)) continue;
    ++asked;
    const Reply reply = co_await bench.load(0, Payload().u8(SCP_OP_COMMAND).u8(opcode).done());
    if (!reply.is(SCP_REFUSED_SEQUENCE)) taken.push_back(fmt::format("{:02X} first: {}", opcode, to_text(reply)));
    if (!reply.came) break;
  }
  for (unsigned opcode = 0; opcode < 256; ++opcode) {
    if (opcode == 0x30 || opcode == 0x32) continue;
    ++asked;
    const Reply reply = co_await bench.load(0, Payload()
                                                   .u8(SCP_OP_COMMAND)
                                                   .u8(0)
                                                   .u8(SCP_OP_ADDRESS)
                                                   .u8(0)
                                                   .u8(SCP_OP_ADDRESS)
                                                   .u8(0)
                                                   .u8(SCP_OP_ROW)
                                                   .u8(SCP_OP_COMMAND)
                                                   .u8(opcode)
                                                   .done());
    if (!reply.is(SCP_REFUSED_SEQUENCE))
      taken.push_back(fmt::format("00 address {:02X}: {}", opcode, to_text(reply)));
    if (!reply.came) break;
  }
  Finding finding = all_right(asked, taken, "opcodes outside the grammar refused");
  const auto after = co_await bench.state();
  if (taken.empty() && (!after || after->refused_programs - before->refused_programs != asked))
    co_return passed_if(false, "all refused, but BOARD_STATE does not count them", finding.measured);
  co_return finding;
}

struct Sequence {
  const char* name;
  Payload operations;
};

// ONFI 2.x command set and the copy-back, lock and one-time-area commands of data sheets (opcodes from memory).
std::vector<Sequence> forbidden() {
  const auto command = [](unsigned opcode) { return Payload().u8(SCP_OP_COMMAND).u8(opcode); };
  const auto addressed = [](Payload p, unsigned cycles) {
    for (unsigned i = 0; i < cycles; ++i) p.u8(SCP_OP_ADDRESS).u8(0);
    return p;
  };
  return {
      {"page program 80 .. 10", addressed(command(0x80), 5).u8(SCP_OP_COMMAND).u8(0x10)},
      {"cache program 80 .. 15", addressed(command(0x80), 5).u8(SCP_OP_COMMAND).u8(0x15)},
      {"block erase 60 .. D0", command(0x60).u8(SCP_OP_ROW).u8(SCP_OP_COMMAND).u8(0xD0)},
      {"multi-plane erase 60 .. D1", command(0x60).u8(SCP_OP_ROW).u8(SCP_OP_COMMAND).u8(0xD1)},
      {"copy-back 00 .. 35", addressed(command(0x00), 2).u8(SCP_OP_ROW).u8(SCP_OP_COMMAND).u8(0x35)},
      {"copy-back 85 .. 10", addressed(command(0x85), 5).u8(SCP_OP_COMMAND).u8(0x10)},
      {"set features EF", addressed(command(0xEF), 1)},
      {"one-time area AF", addressed(command(0xAF), 1)},
      {"lock 2A", command(0x2A)},
      {"unlock 23 .. 24", command(0x23).u8(SCP_OP_ROW).u8(SCP_OP_COMMAND).u8(0x24)},
      {"erase hidden behind READ ID", addressed(command(0x90), 1)
                                          .u8(SCP_OP_READ)
                                          .u32(5)
                                          .u8(SCP_OP_COMMAND)
                                          .u8(0x60)
                                          .u8(SCP_OP_ROW)
                                          .u8(SCP_OP_COMMAND)
                                          .u8(0xD0)},
      {"page program behind RESET", command(0xFF).u8(SCP_OP_WAIT_RB).u32(5000).u8(SCP_OP_COMMAND).u8(0x80)},
      {"READ ID of an unknown address",
       Payload().u8(SCP_OP_COMMAND).u8(0x90).u8(SCP_OP_ADDRESS).u8(0x33).u8(SCP_OP_READ).u32(5)},
      {"one address cycle too few", addressed(command(0x00), 1)
                                        .u8(SCP_OP_ROW)
                                        .u8(SCP_OP_COMMAND)
                                        .u8(0x30)
                                        .u8(SCP_OP_WAIT_RB)
                                        .u32(100)
                                        .u8(SCP_OP_READ)
                                        .u32(16)},
      {"READ of a chip still busy",
       addressed(command(0x00), 2).u8(SCP_OP_ROW).u8(SCP_OP_COMMAND).u8(0x30).u8(SCP_OP_READ).u32(16)},
      {"READ without a command", Payload().u8(SCP_OP_READ).u32(16)},
      {"an end inside a sequence", addressed(command(0x00), 2).u8(SCP_OP_ROW)},
  };
}

asio::awaitable<Finding> known_sequences(Bench& bench) {
  const std::vector<Sequence> sequences = forbidden();
  std::vector<std::string> wrong;
  for (const Sequence& sequence : sequences) {
    const Reply reply = co_await bench.load(0, sequence.operations.done());
    if (!reply.is(SCP_REFUSED_SEQUENCE)) wrong.push_back(fmt::format("{}: {}", sequence.name, to_text(reply)));
  }
  co_return all_right(sequences.size(), wrong, "known sequences refused");
}

asio::awaitable<Finding> malformed_programs(Bench& bench) {
  std::vector<std::string> wrong;
  const auto expect = [&](const char* name, const Reply& reply, scp_status status) {
    if (!reply.is(status)) wrong.push_back(fmt::format("{}: {}", name, to_text(reply)));
  };
  expect("unknown operation", co_await bench.load(0, Payload().u8(0x08).u8(0).done()), SCP_BAD_REQUEST);
  expect("operation 0", co_await bench.load(0, Payload().u8(0x00).done()), SCP_BAD_REQUEST);
  expect("cut operation", co_await bench.load(0, Payload().u8(SCP_OP_COMMAND).done()), SCP_BAD_REQUEST);
  expect("slot 4", co_await bench.load(SCP_PROGRAM_SLOTS, read_id(5)), SCP_BAD_REQUEST);
  expect("READ of 0 bytes", co_await bench.load(0, read_id(0)), SCP_BAD_REQUEST);
  expect("READ of 4 GiB", co_await bench.load(0, read_id(0xFFFFFFFF)), SCP_BAD_REQUEST);
  constexpr unsigned kTooLong_us = 200'001;
  expect("waits beyond 200 ms",
         co_await bench.load(0, Payload().u8(SCP_OP_COMMAND).u8(0xFF).u8(SCP_OP_WAIT_RB).u32(kTooLong_us).done()),
         SCP_BAD_REQUEST);
  expect(
      "length beyond the payload",
      co_await bench.wire.ask(SCP_PROGRAM_LOAD, Payload().u8(0).u8(0).u16(200).u8(SCP_OP_COMMAND).u8(0xFF).done()),
      SCP_BAD_REQUEST);
  co_return all_right(8, wrong, "malformed programs named as such");
}

asio::awaitable<Finding> empty_slots(Bench& bench) {
  std::vector<std::string> wrong;
  const auto run = [&]() -> asio::awaitable<Reply> {
    co_return co_await bench.wire.answer(bench.start_run(1, {}));
  };
  const Reply never = co_await run();
  if (!never.is(SCP_NO_SUCH_PROGRAM)) wrong.push_back("a slot never filled: " + to_text(never));
  const Reply good = co_await bench.load(1, read_id(5));
  if (!good.is(SCP_OK)) wrong.push_back("READ ID: " + to_text(good));
  const Reply off = co_await run();
  if (!off.is(SCP_REFUSED_RAIL)) wrong.push_back("a run with the rail off: " + to_text(off));
  (void)co_await bench.load(1, Payload().u8(SCP_OP_COMMAND).u8(0x60).done());
  const Reply refused = co_await run();
  if (!refused.is(SCP_NO_SUCH_PROGRAM))
    wrong.push_back("a slot whose new program was refused: " + to_text(refused));
  co_return all_right(4, wrong, "answers are right");
}

constexpr Duty kFilterDuties[] = {
    {"refuses_program_erase", "no opcode but those that read passes the command filter", SCP_CAN_SOCKET,
     program_erase},
    {"refuses_sequences", "program, erase, copy-back, lock and misuse of read commands are refused",
     SCP_CAN_SOCKET, known_sequences},
    {"refuses_malformed", "malformed programs are refused at the byte", SCP_CAN_SOCKET, malformed_programs},
    {"empty_slots", "nothing runs that was not accepted, or without a rail", SCP_CAN_SOCKET, empty_slots},
};

}  // namespace

std::span<const Duty> filter_duties() {
  return kFilterDuties;
}

}  // namespace steadycell::conform
