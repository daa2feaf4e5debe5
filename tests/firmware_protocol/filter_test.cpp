// None but the allowed sequences reaches the bus.
#include <gtest/gtest.h>

#include <rapidcheck.h>
#include <set>

#include "firmware_protocol/allowed.h"
#include "firmware_protocol/bench.h"

using frames::Bytes;
using frames::Writer;

namespace {

constexpr sc_bus_shape kLarge{0, 8, SCP_LARGE_PAGE, 2, 3}, kSmall{0, 8, SCP_SMALL_PAGE, 1, 3}, kWide{0, 16, SCP_LARGE_PAGE, 2, 3};

sc_verdict check(const Bytes& program, const sc_bus_shape& shape = kLarge) {
  return sc_filter(program.data(), static_cast<std::uint16_t>(program.size()), &shape, 100000);
}
bool allowed(const Bytes& program, const sc_bus_shape& shape = kLarge) { return check(program, shape).status == SCP_OK; }

// Opcodes that `make(opcode)` gets through.
template <typename Make>
std::set<unsigned> allowed_opcodes(Make make, const sc_bus_shape& shape = kLarge) {
  std::set<unsigned> all;
  for (unsigned opcode = 0; opcode < 256; ++opcode)
    if (allowed(make(opcode), shape)) all.insert(opcode);
  return all;
}

using Opcodes = std::set<unsigned>;

void expect_refused(const Bytes& program, unsigned operation, const sc_bus_shape& shape = kLarge) {
  const sc_verdict verdict = check(program, shape);
  EXPECT_EQ(verdict.status, SCP_REFUSED_SEQUENCE);
  EXPECT_EQ(verdict.detail, operation);
}

}  // namespace

TEST(Filter, AllowsTheseOpcodesFirstAndNoOther) {
  EXPECT_EQ(allowed_opcodes([](unsigned op) { return Program().command(op); }), (Opcodes{0x70, 0xFF}));
  EXPECT_EQ(allowed_opcodes([](unsigned op) { return Program().command(op).address(0); }), (Opcodes{0x90, 0xEC, 0xED, 0xEE}));
  EXPECT_EQ(allowed_opcodes([](unsigned op) { return Program().command(op).row(); }), (Opcodes{0x78}));
  for (unsigned cycles : {2u, 4u, 5u, 6u, 8u}) {
    EXPECT_EQ(allowed_opcodes([&](unsigned op) { return Program().command(op).column(cycles); }), Opcodes{}) << cycles;
  }
  EXPECT_EQ(allowed_opcodes([](unsigned op) { return Program().command(op).column(3); }), (Opcodes{0x78}));
  EXPECT_EQ(allowed_opcodes([](unsigned op) { return Program().command(op).column().row().command(0x30); }), (Opcodes{0x00}));
  EXPECT_EQ(allowed_opcodes([](unsigned op) { return Program().page().command(op); }), (Opcodes{0x70, 0xFF}));
  EXPECT_EQ(allowed_opcodes([](unsigned op) { return Program().page().command(op).address(0).address(0).command(0xE0); }),
            (Opcodes{0x05}));
}

TEST(Filter, AllowsTheseOpcodesToConfirmAndNoOther) {
  EXPECT_EQ(allowed_opcodes([](unsigned op) { return Program().command(0x00).column().row().command(op); }), (Opcodes{0x30}));
  EXPECT_EQ(allowed_opcodes([](unsigned op) { return Program().command(0x00).column().row().command(op).wait().page(); }),
            (Opcodes{0x30, 0x32}));
  EXPECT_EQ(allowed_opcodes([](unsigned op) { return Program().page().command(0x05).column().command(op); }), (Opcodes{0xE0}));
  for (unsigned first = 0; first < 256; ++first) {
    if (first == 0x70 || first == 0xFF || first == 0x00) continue;
    const Opcodes want = first == 0x90 ? Opcodes{0x70, 0xFF} : first == 0x78 ? Opcodes{0x70, 0xFF} : Opcodes{};
    const unsigned cycles = first == 0x90 ? 1 : first == 0x78 ? 3 : 5;
    EXPECT_EQ(allowed_opcodes([&](unsigned op) { return Program().command(first).column(cycles).command(op); }), want) << first;
  }
}

TEST(Filter, AllowsTheseAddressesBehindIdentificationAndEveryFeatureOnlyToBeRead) {
  for (unsigned byte = 0; byte < 256; ++byte) {
    EXPECT_EQ(allowed(Program().command(0x90).address(byte)), byte == 0x00 || byte == 0x20 || byte == 0x40) << byte;
    EXPECT_EQ(allowed(Program().command(0xEC).address(byte)), byte == 0x00 || byte == 0x40) << byte;
    EXPECT_EQ(allowed(Program().command(0xED).address(byte)), byte == 0x00) << byte;
    EXPECT_TRUE(allowed(Program().command(0xEE).address(byte).wait().read(4))) << byte;
    EXPECT_FALSE(allowed(Program().command(0xEF).address(byte))) << byte;
    EXPECT_FALSE(allowed(Program().command(0xEF).address(byte).delay(100))) << byte;
  }
}

TEST(Filter, NamesTheOperationAtFault) {
  expect_refused(Program().command(0xFF).wait().command(0x80), 2);
  expect_refused(Program().command(0x60).row().command(0xD0), 0);
  expect_refused(Program().command(0x00).column().row().command(0x35), 4);
  expect_refused(Program().command(0x00).column().address(0).row(), 4);
  expect_refused(Program().command(0x00).column(1).row(), 2);
  expect_refused(Program().command(0x00).column().row(), 4);  // its confirm is missing
  expect_refused(Program().read(16), 0);
  expect_refused(Program().address(0), 0);
  expect_refused(Program().row(), 0);
  expect_refused(Program().command(0xFF).wait().read(1), 2);
}

TEST(Filter, ReadsOnlyWhatACommandGave) {
  EXPECT_TRUE(allowed(Program().command(0x90).address(0).read(8)));
  EXPECT_TRUE(allowed(Program().command(0x70).read(1)));
  EXPECT_TRUE(allowed(Program().command(0x78).row().read(1)));
  EXPECT_TRUE(allowed(Program().command(0xEC).address(0).wait().read(768)));
  EXPECT_TRUE(allowed(Program().command(0xEC).address(0).poll().read(768)));
  EXPECT_FALSE(allowed(Program().command(0xEC).address(0).read(768)));  // not waited for
  EXPECT_TRUE(allowed(Program().page().read(2112)));
  EXPECT_TRUE(allowed(Program().command(0x00).column().row().command(0x30).poll().read(2112)));
  EXPECT_FALSE(allowed(Program().command(0x00).column().row().command(0x30).read(2112)));
  EXPECT_TRUE(allowed(Program().page().command(0x70).read(1).command(0x00).read(2112)));
  EXPECT_FALSE(allowed(Program().command(0x70).command(0x00)));
  EXPECT_FALSE(allowed(Program().command(0x00)));
  EXPECT_TRUE(allowed(Program().page().read(16).command(0x05).column().command(0xE0).read(16)));
  EXPECT_FALSE(allowed(Program().command(0xEC).address(0).wait().command(0x05).column().command(0xE0)));
  EXPECT_FALSE(allowed(Program().poll()));
}

TEST(Filter, OpensAndEndsCacheReadsBehindAPlainPageRead) {
  EXPECT_TRUE(allowed(Program().page().command(0x31).wait().read(2112).command(0x3F).wait().read(2112)));
  EXPECT_FALSE(allowed(Program().page().command(0x31).wait().read(2112)));  // left open
  EXPECT_FALSE(allowed(Program().page().command(0x3F).wait().read(2112)));
  EXPECT_FALSE(allowed(Program().command(0x31).wait()));
  EXPECT_FALSE(allowed(Program().page().command(0x31).wait().page()));
  EXPECT_FALSE(allowed(Program().command(0x00).column().row().command(0x32).wait().page().command(0x31).wait().command(0x3F).wait()));
}

TEST(Filter, ReadsTwoPlanesTogether) {
  EXPECT_TRUE(allowed(Program().command(0x00).column().row().command(0x32).wait().page().read(2112)));
  EXPECT_FALSE(allowed(Program().command(0x00).column().row().command(0x32).wait()));
  EXPECT_FALSE(allowed(Program().command(0x00).column().row().command(0x32).wait().read(1)));
}

TEST(Filter, AddressesSmallPagesWithoutAConfirm) {
  for (const unsigned pointer : {0x00u, 0x01u, 0x50u}) {
    EXPECT_TRUE(allowed(Program().command(pointer).column(1).row().wait().read(528), kSmall)) << pointer;
    expect_refused(Program().command(pointer).column(1).row().command(0x30), 3, kSmall);
    EXPECT_FALSE(allowed(Program().command(pointer).column(2).row().wait(), kSmall)) << pointer;
  }
  EXPECT_FALSE(allowed(Program().page(), kSmall));
  EXPECT_FALSE(allowed(Program().command(0x01).column(2).row().command(0x30)));
  EXPECT_FALSE(allowed(Program().command(0x50).column(2).row().command(0x30)));
  EXPECT_FALSE(allowed(Program().command(0x78).row(), kSmall));
  EXPECT_EQ(allowed_opcodes([](unsigned op) { return Program().command(op).column(1).row().wait(); }, kSmall),
            (Opcodes{0x00, 0x01, 0x50}));
  EXPECT_EQ(allowed_opcodes([](unsigned op) { return Program().command(0x00).column(1).row().wait().command(op); }, kSmall),
            (Opcodes{0x70, 0xFF}));
}

TEST(Filter, RefusesMalformedProgramsByByte) {
  const auto expect_bad = [](const Bytes& program, unsigned byte, const sc_bus_shape& shape = kLarge) {
    const sc_verdict verdict = check(program, shape);
    EXPECT_EQ(verdict.status, SCP_BAD_REQUEST);
    EXPECT_EQ(verdict.detail, byte);
  };
  expect_bad({}, 0);
  expect_bad({0}, 0);
  expect_bad({8, 1, 2, 3, 4}, 0);
  expect_bad({SCP_OP_COMMAND}, 0);
  expect_bad({SCP_OP_COMMAND, 0x70, SCP_OP_READ, 1, 0, 0}, 2);
  expect_bad(Program().command(0x70).read(0), 2);
  expect_bad(Program().command(0x70).read(100001), 2);
  expect_bad(Program().command(0x70).read(60000).read(60000), 7);
  expect_bad(Program().command(0x70).read(0xFFFFFFFF).read(2), 2);
  expect_bad(Program().command(0xFF).wait(200001), 2);
  expect_bad(Program().command(0xFF).wait(100000).wait(100001), 7);
  expect_bad(Program().command(0xFF).delay(200000001), 2);
  expect_bad(Program().command(0x70).read(3), 2, kWide);
}

TEST(Filter, LetsNothingButAllowedSequencesReachTheBus) {
  // Operations are drawn so that long allowed stretches are likely; the bus decides.
  static std::size_t reached = 0;
  EXPECT_TRUE(rc::check("random programs", [] {
    const bool small = *rc::gen::arbitrary<bool>();
    const bool probing = *rc::gen::arbitrary<bool>();
    Bench bench;
    bench.hello();
    bench.hal.id = {0xEC, 0xDC};
    if (probing) bench.power_1v8();
    else bench.power_3v3();
    RC_ASSERT(bench.ask(SCP_BUS_SETUP, Writer().u8(0).u8(8).u8(small).u8(small ? 1 : 2).u8(3).u8(0).u16(0).bytes).status ==
              static_cast<unsigned>(SCP_OK));
    for (int round = 0; round < 20; ++round) {
      Program program;
      const int pieces = *rc::gen::inRange(1, 6);
      for (int i = 0; i < pieces; ++i) {
        switch (*rc::gen::inRange(0, 17)) {
          case 0: program.command(0xFF).wait(); break;
          case 1: program.command(0x90).address(*rc::gen::elementOf(std::vector<unsigned>{0, 0x20, 0x40, 1})); break;
          case 2: program.command(0xEC).address(0).poll(); break;
          case 3: program.command(0x70); break;
          case 4: program.read(static_cast<std::uint32_t>(*rc::gen::inRange(1, 20))); break;
          case 5: program.command(0x00).column(small ? 1 : 2).row().command(0x30).wait(); break;
          case 6: program.command(*rc::gen::elementOf(std::vector<unsigned>{0, 1, 0x50})).column(1).row().wait(); break;
          case 7: program.command(0x05).column().command(0xE0); break;
          case 8: program.command(*rc::gen::elementOf(std::vector<unsigned>{0x31, 0x3F})).wait(); break;
          case 9: program.command(0x00).column().row().command(0x32).wait(); break;
          case 10: program.command(0x78).row(); break;
          case 11: program.command(0xEE).address(*rc::gen::inRange(0u, 256u)).wait(); break;
          case 12: program.command(*rc::gen::inRange(0u, 256u)); break;
          case 13: program.address(*rc::gen::inRange(0u, 256u)); break;
          case 14: program.row(); break;
          case 15: program.command(0x00); break;
          default: program.wait(); break;
        }
      }
      const std::size_t before = bench.hal.cycles;
      bench.hal.lines.clear();
      const bool loaded = bench.ask(SCP_PROGRAM_LOAD, Bench::load(0, program)).status == SCP_OK;
      const auto answer = bench.ask(SCP_PROGRAM_RUN, Bench::run(0, 2, 0x010203));
      bench.run_for(5'000'000);
      if (!loaded || answer.status != SCP_OK) RC_ASSERT(bench.hal.cycles == before);
      for (const std::string& line : bench.hal.lines) {
        RC_LOG() << line;
        RC_ASSERT(is_allowed_on_the_bus(line, small, probing));
        reached += line.empty() ? 0 : 1;
      }
    }
  }));
  EXPECT_GT(reached, 500u);  // the property was not empty
}

TEST(Filter, RefusesRandomBytesUnlessTheBusMayCarryThem) {
  EXPECT_TRUE(rc::check("random bytes", [](const Bytes& program) {
    RC_PRE(program.size() <= std::size_t{SCP_MAX_PROGRAM_BYTES});
    Bench bench;
    bench.hello();
    bench.power_3v3();
    bench.ask(SCP_PROGRAM_LOAD, Bench::load(0, program));
    bench.ask(SCP_PROGRAM_RUN, Bench::run(0));
    bench.run_for(1'000'000);
    for (const std::string& line : bench.hal.lines) RC_ASSERT(is_allowed_on_the_bus(line, false, false));
  }));
}
