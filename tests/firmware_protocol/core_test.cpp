// Requests, runs, flow control and recovery of the device core, on an injected clock and a pipe that a test can fill.
#include <gtest/gtest.h>

#include "firmware_protocol/bench.h"

using frames::Bytes;
using frames::Writer;

namespace {

constexpr std::uint64_t kNonce = 0xFEEDFACE12345678;

void load_page_program(Bench& b, std::uint32_t bytes = 2112) {
  ASSERT_EQ(b.ask(SCP_PROGRAM_LOAD, Bench::load(0, Program().page().read(bytes))).status, SCP_OK);
}

struct Page {
  unsigned target, flags, wp;
  std::uint32_t pass, row, busy_ns, length;
  Bytes bytes;
};
Page page_of(const frames::Frame& f) {
  const std::uint8_t* p = f.payload.data();
  return {
      p[0], p[1], p[2], scp_get_u32(p + 4), scp_get_u32(p + 8), scp_get_u32(p + 12), scp_get_u32(p + 16), {p + 20, p + f.payload.size()}};
}

// Every channel's frames count on without a gap.
void expect_sequences_whole(const Bench& b, std::uint32_t first_command = 0) {
  std::uint32_t next[SCP_CHANNELS] = {first_command, 0, 0};
  for (const frames::Frame& f : b.host.found) EXPECT_EQ(f.header.sequence, next[f.header.channel]++) << f.header.channel;
}

}  // namespace

TEST(Hello, SaysWhoTheBoardIs) {
  Bench b;
  const auto answer = b.ask(SCP_HELLO, Writer().u8(1).u8(1).u16(0).bytes);
  ASSERT_EQ(answer.status, SCP_OK);
  ASSERT_EQ(answer.rest.size(), std::size_t{SCP_HELLO_BYTES});
  scp_hello hello{};
  scp_get_hello(answer.rest.data(), &hello);
  EXPECT_EQ(hello.version, 1);
  EXPECT_EQ(hello.targets, 4);
  EXPECT_EQ(hello.averaged_interval_ns, 100'000u);
  EXPECT_EQ(hello.max_payload, 65536u - SC_RX_BYTES - SC_ANSWER_RESERVE - SCP_HEADER_BYTES - SCP_TRAILER_BYTES);
}

TEST(Hello, AgreesOnTheNewestCommonVersionOrRefuses) {
  Bench b;
  EXPECT_EQ(b.ask(SCP_HELLO, Writer().u8(1).u8(9).u16(0).bytes).status, SCP_OK);
  const auto refused = b.ask(SCP_HELLO, Writer().u8(2).u8(9).u16(0).bytes);
  EXPECT_EQ(refused.status, SCP_VERSION_MISMATCH);
  EXPECT_EQ(refused.detail, unsigned{SCP_VERSION_OLDEST << 8 | SCP_VERSION});
  b.receive(frames::encode(SCP_CHANNEL_COMMAND, SCP_BOARD_STATE, 50, 77, {}, SCP_VERSION + 1));
  b.run_for(kMs);
  EXPECT_EQ(b.read(77).status, SCP_VERSION_MISMATCH);
}

TEST(Hello, TakesWhatALaterVersionAddsToIt) {
  Bench b;
  EXPECT_EQ(b.ask(SCP_HELLO, Writer().u8(1).u8(3).u16(0).u32(1).u32(2).bytes).status, SCP_OK);
}

TEST(Hello, RestartsSequencesAndEmptiesSlotsButLeavesRails) {
  Bench b;
  b.hello();
  b.power_3v3();
  load_page_program(b, 16);
  b.host.found.clear();
  b.hello();
  expect_sequences_whole(b);
  EXPECT_EQ(b.hal.socket_set, 3300);
  EXPECT_EQ(b.ask(SCP_PROGRAM_RUN, Bench::run(0)).status, SCP_NO_SUCH_PROGRAM);
}

TEST(Requests, OfUnknownTypeOrWrongLengthAreAnsweredSo) {
  Bench b;
  b.hello();
  EXPECT_EQ(b.ask(static_cast<scp_type>(0x0055)).status, SCP_UNKNOWN_TYPE);
  for (const auto& [type, shortest] : std::vector<std::pair<scp_type, std::size_t>>{
           {SCP_HELLO, 4}, {SCP_ABORT, 8}, {SCP_SOCKET_ON, 7}, {SCP_SOCKET_TRUST, 1}, {SCP_BUS_SETUP, 8}, {SCP_PROGRAM_LOAD, 5},
           {SCP_PROGRAM_RUN, 24}, {SCP_CONTACT_MEASURE, 2}, {SCP_PORT_ON, 8}, {SCP_SUPPLY_START, 12}, {SCP_PORT_MEASURE, 10}})
    for (std::size_t n = 0; n < shortest; ++n) {
      const auto answer = b.ask(type, Bytes(n));
      EXPECT_EQ(answer.status, SCP_BAD_REQUEST) << type;
      EXPECT_EQ(answer.detail, n);
    }
  for (const scp_type type : {SCP_HEARTBEAT, SCP_BOARD_STATE, SCP_SOCKET_OFF, SCP_PORT_OFF, SCP_SUPPLY_STOP})
    EXPECT_EQ(b.ask(type, Bytes(1)).status, SCP_BAD_REQUEST) << type;
}

TEST(Requests, ActOnceEvenWhenRepeatedOrLate) {
  Bench b;
  b.hello();
  const Bytes once = frames::encode(SCP_CHANNEL_COMMAND, SCP_SOCKET_ON, 5, 500, Bench::socket_on(3300, SCP_GROUND_USER_WORD));
  const Bytes late = frames::encode(SCP_CHANNEL_COMMAND, SCP_SOCKET_ON, 4, 499, Bench::socket_on(3300, SCP_GROUND_USER_WORD));
  b.receive(once);
  b.run_for(5 * kMs);
  b.receive(frames::encode(SCP_CHANNEL_COMMAND, SCP_SOCKET_OFF, 6, 501, {}));
  b.run_for(5 * kMs);
  b.receive(once);
  b.receive(late);
  b.run_for(5 * kMs);
  EXPECT_EQ(b.hal.socket_set, 0);
  EXPECT_EQ(b.answer_to(499), nullptr);
  EXPECT_EQ(b.of(SCP_SOCKET_ON | SCP_ANSWER).size(), 1u);
}

TEST(Requests, BehindACutFrameAreServedSoonAfter) {
  Bench b;
  b.hello();
  const Bytes whole = frames::encode(SCP_CHANNEL_COMMAND, SCP_PROGRAM_LOAD, 1, 70, Bytes(200));
  b.receive(Bytes(whole.begin(), whole.begin() + 60));  // its sender died
  b.receive(frames::encode(SCP_CHANNEL_COMMAND, SCP_HEARTBEAT, 2, 71, {}));
  b.run_for(110 * kMs);
  EXPECT_EQ(b.read(71).status, SCP_OK);
}

TEST(Requests, WithFlippedBitsDoNothing) {
  const Bytes good = frames::encode(SCP_CHANNEL_COMMAND, SCP_SOCKET_ON, 1, 70, Bench::socket_on(3300, SCP_GROUND_USER_WORD));
  for (std::size_t bit = 0; bit < good.size() * 8; ++bit) {
    Bench b(kSmallArena);
    b.hello();
    Bytes damaged = good;
    damaged[bit / 8] = static_cast<std::uint8_t>(damaged[bit / 8] ^ 1u << bit % 8);
    b.receive(damaged);
    b.run_for(kMs);
    EXPECT_EQ(b.hal.socket_set, 0) << bit;
    EXPECT_EQ(b.host.found.size(), 1u);
  }
}

TEST(BusSetup, RefusesShapesThatDoNotExist) {
  Bench b;
  b.hello();
  const auto detail = [&](unsigned mode, unsigned bits, unsigned addressing, unsigned columns, unsigned rows) {
    const auto a = b.ask(SCP_BUS_SETUP, Writer().u8(mode).u8(bits).u8(addressing).u8(columns).u8(rows).u8(0).u16(0).bytes);
    return a.status == SCP_OK ? -1 : a.status == SCP_BAD_REQUEST ? static_cast<int>(a.detail) : -2;
  };
  EXPECT_EQ(detail(4, 8, 0, 2, 3), -1);
  EXPECT_EQ(detail(5, 16, 1, 1, 2), -1);
  EXPECT_EQ(detail(6, 8, 0, 2, 3), 0);
  EXPECT_EQ(detail(0, 32, 0, 2, 3), 1);
  EXPECT_EQ(detail(0, 8, 2, 2, 3), 2);
  EXPECT_EQ(detail(0, 8, 0, 1, 3), 3);
  EXPECT_EQ(detail(0, 8, 1, 2, 3), 3);
  EXPECT_EQ(detail(0, 8, 0, 2, 0), 4);
  EXPECT_EQ(detail(0, 8, 0, 2, 5), 4);
}

TEST(BusSetup, EmptiesTheSlotsThatWereCheckedAgainstAnother) {
  Bench b;
  b.hello();
  b.power_3v3();
  load_page_program(b, 16);
  ASSERT_EQ(b.ask(SCP_BUS_SETUP, Writer().u8(0).u8(8).u8(1).u8(1).u8(3).u8(0).u16(0).bytes).status, SCP_OK);
  EXPECT_EQ(b.ask(SCP_PROGRAM_RUN, Bench::run(0)).status, SCP_NO_SUCH_PROGRAM);
}

TEST(ProgramLoad, CountsRefusalsAndKeepsNoOlderProgramInTheSlot) {
  Bench b;
  b.hello();
  b.power_3v3();
  load_page_program(b, 16);
  const auto refused = b.ask(SCP_PROGRAM_LOAD, Bench::load(0, Program().command(0xFF).wait().command(0x60)));
  EXPECT_EQ(refused.status, SCP_REFUSED_SEQUENCE);
  EXPECT_EQ(refused.detail, 2u);
  const auto malformed = b.ask(SCP_PROGRAM_LOAD, Bench::load(0, {SCP_OP_COMMAND, 0x70, 99}));
  EXPECT_EQ(malformed.status, SCP_BAD_REQUEST);
  EXPECT_EQ(malformed.detail, 4u + 2u);
  EXPECT_EQ(b.ask(SCP_PROGRAM_RUN, Bench::run(0)).status, SCP_NO_SUCH_PROGRAM);
  scp_board_state state{};
  scp_get_board_state(b.ask(SCP_BOARD_STATE).rest.data(), &state);
  EXPECT_EQ(state.refused_programs, 2u);
  EXPECT_EQ(b.ask(SCP_PROGRAM_LOAD, Bench::load(4, Program().command(0xFF))).status, SCP_BAD_REQUEST);
}

TEST(ProgramLoad, RefusesMoreBytesThanAFrameHolds) {
  Bench b(kSmallArena);
  b.hello();
  EXPECT_EQ(b.ask(SCP_PROGRAM_LOAD, Bench::load(0, Program().page().read(kSmallArena))).status, SCP_BAD_REQUEST);
}

TEST(Run, SendsOneFrameARowAndItsEndLast) {
  Bench b;
  b.hello();
  b.power_3v3();
  load_page_program(b);
  const std::uint32_t id = b.send(SCP_PROGRAM_RUN, Bench::run(0, 3, 0x010200, 2, 7, 0x100, 2));
  b.run_for(5 * kMs);
  EXPECT_EQ(b.read(id).status, SCP_OK);
  const auto pages = b.of(SCP_PAGE_DATA);
  ASSERT_EQ(pages.size(), 6u);
  const std::vector<std::uint32_t> rows{0x010200, 0x010201, 0x010202, 0x010300, 0x010301, 0x010302};
  for (std::size_t i = 0; i < rows.size(); ++i) {
    const Page p = page_of(pages[i]);
    EXPECT_EQ(pages[i].header.request_id, id);
    EXPECT_EQ(pages[i].header.channel, SCP_CHANNEL_PAGE);
    EXPECT_EQ(p.row, rows[i]);
    EXPECT_EQ(p.target, 2u);
    EXPECT_EQ(p.pass, 7u);
    EXPECT_EQ(p.flags, 0u);
    EXPECT_EQ(p.length, 2112u);
    ASSERT_EQ(p.bytes.size(), 2112u);
    EXPECT_EQ(p.bytes[100], static_cast<std::uint8_t>(100 * 7 + 1));
    EXPECT_NEAR(p.busy_ns, 25'000, 2'000);
  }
  EXPECT_EQ(b.host.found.back().header.type, SCP_RUN_END);
  EXPECT_EQ(b.host.found.back().payload, Writer().u16(SCP_OK).u16(0).u32(6).u32(6).bytes);
  EXPECT_EQ(b.hal.pass_seen, 7u);
  EXPECT_EQ(b.hal.selected, -1);
  EXPECT_EQ(b.hal.lines.back(), "C00 A00 A00 A02 A03 A01 C30 R ");  // least significant row byte first
  expect_sequences_whole(b);
}

TEST(Run, QueuesEightInOrderAndRefusesTheNinth) {
  Bench b(kSmallArena);
  b.hello();
  b.power_3v3();
  load_page_program(b);
  b.hal.pipe_room = 0;
  std::vector<std::uint32_t> ids;
  for (unsigned i = 0; i < SCP_RUN_QUEUE + 1; ++i) ids.push_back(b.send(SCP_PROGRAM_RUN, Bench::run(0, 4, 64 * i)));
  EXPECT_EQ(b.ask(SCP_BUS_SETUP, Writer().u8(0).u8(8).u8(0).u8(2).u8(3).u8(0).u16(0).bytes, 0).status, 9999u);  // the pipe is shut
  b.hal.pipe_room = SIZE_MAX;
  b.run_for(10 * kMs);
  EXPECT_EQ(b.read(ids.back()).status, SCP_BUSY);
  const auto pages = b.of(SCP_PAGE_DATA);
  ASSERT_EQ(pages.size(), 4u * SCP_RUN_QUEUE);
  for (std::size_t i = 0; i < pages.size(); ++i) EXPECT_EQ(pages[i].header.request_id, ids[i / 4]);
  EXPECT_EQ(b.of(SCP_RUN_END).size(), std::size_t{SCP_RUN_QUEUE});
}

TEST(Run, RefusesRowsAndTargetsThatCannotBe) {
  Bench b;
  b.hello();
  b.power_3v3();
  load_page_program(b, 16);
  const auto detail = [&](const Bytes& run) {
    const auto a = b.ask(SCP_PROGRAM_RUN, run);
    return a.status == SCP_BAD_REQUEST ? static_cast<int>(a.detail) : -1;
  };
  EXPECT_EQ(detail(Bench::run(0, 1, 0, 4)), 1);
  EXPECT_EQ(detail(Bench::run(0, 0)), 12);
  EXPECT_EQ(detail(Bench::run(0, 1, 0, 0, 0, 1, 0)), 20);
  EXPECT_EQ(detail(Bench::run(0, 0xFFFFFFFF, 0, 0, 0, 1, 0xFFFFFFFF)), 20);
  EXPECT_EQ(detail(Bench::run(0, 2, 0xFFFFFF)), 8);
  EXPECT_EQ(detail(Bench::run(0, 1, 0, 0, 0, 0xFFFFFFFF, 0x01000000)), 8);
  EXPECT_EQ(detail(Bench::run(0, 1, 0xFFFFFF)), -1);
}

TEST(Run, FlagsAReadyLineThatNeverFell) {
  Bench b;
  b.hello();
  b.power_3v3();
  load_page_program(b);
  b.hal.stuck_ready = true;
  b.ask(SCP_PROGRAM_RUN, Bench::run(0));
  b.run_for(kMs);
  EXPECT_EQ(page_of(b.of(SCP_PAGE_DATA).at(0)).flags, unsigned{SCP_PAGE_BUSY_NOT_SEEN});
}

TEST(Run, FlagsAChipThatStaysBusyResetsItAndGoesOn) {
  Bench b;
  b.hello();
  b.power_3v3();
  load_page_program(b);
  b.hal.stuck_busy = true;
  b.hal.stuck_through_reset = false;
  b.send(SCP_PROGRAM_RUN, Bench::run(0, 2));
  b.run_for(20 * kMs);
  const auto pages = b.of(SCP_PAGE_DATA);
  ASSERT_EQ(pages.size(), 2u);
  EXPECT_EQ(page_of(pages[0]).flags, unsigned{SCP_PAGE_READY_TIMEOUT});
  EXPECT_EQ(page_of(pages[0]).length, 0u);
  EXPECT_TRUE(page_of(pages[0]).bytes.empty());
  EXPECT_EQ(page_of(pages[0]).busy_ns, 1'000'000u);
  EXPECT_EQ(page_of(pages[1]).flags, 0u);
  EXPECT_EQ(page_of(pages[1]).length, 2112u);
}

TEST(Run, WaitsByStatusPolling) {
  Bench b;
  b.hello();
  b.power_3v3();
  b.hal.stuck_ready = true;  // R/B# is not wired
  ASSERT_EQ(b.ask(SCP_PROGRAM_LOAD, Bench::load(0, Program().command(0x00).column().row().command(0x30).poll().read(64))).status, SCP_OK);
  b.ask(SCP_PROGRAM_RUN, Bench::run(0));
  b.run_for(kMs);
  const Page p = page_of(b.of(SCP_PAGE_DATA).at(0));
  EXPECT_EQ(p.flags, 0u);
  EXPECT_NEAR(p.busy_ns, 25'000, 2'000);
  EXPECT_EQ(b.hal.lines.back(), "C00 A00 A00 A00 A00 A00 C30 C70 R C00 R ");
}

TEST(FlowControl, PausesBetweenPagesWhileThePipeIsFull) {
  Bench b(kSmallArena);
  b.hello();
  b.power_3v3();
  load_page_program(b);
  b.hal.pipe_room = 0;
  b.send(SCP_PROGRAM_RUN, Bench::run(0, 100));
  b.run_for(50 * kMs);
  const std::size_t paused_at = b.hal.lines.size();
  EXPECT_LT(paused_at, 5u);
  b.run_for(50 * kMs);
  EXPECT_EQ(b.hal.lines.size(), paused_at);
  for (int i = 0; i < 3000 && b.of(SCP_RUN_END).empty(); ++i) {  // a slow host: 100 bytes at a time
    b.hal.pipe_room = 100;
    b.run_for(0);
    if (i % 100 == 0) b.send(SCP_HEARTBEAT);
  }
  EXPECT_EQ(b.of(SCP_PAGE_DATA).size(), 100u);
  EXPECT_EQ(b.host.parser.bad_frames, 0u);
  EXPECT_EQ(b.host.parser.skipped_bytes, 0u);
  expect_sequences_whole(b);
}

TEST(FlowControl, ServesTheHeartbeatWhileThePipeIsFull) {
  Bench b(kSmallArena);
  b.hello();
  b.power_3v3();
  load_page_program(b);
  b.hal.pipe_room = 0;
  b.send(SCP_PROGRAM_RUN, Bench::run(0, 100));
  for (int i = 0; i < 100; ++i) {  // far more than answers have room for
    b.send(SCP_HEARTBEAT);
    b.run_for(100 * kMs);
  }
  EXPECT_EQ(b.hal.socket_set, 3300);
}

TEST(Abort, AnswersItsNonceLastThoughThePipeIsFull) {
  for (const std::size_t already_out : {std::size_t{0}, std::size_t{1}, std::size_t{1000}, std::size_t{2160}, std::size_t{3000}}) {
    Bench b(kSmallArena);
    b.hello();
    b.power_3v3();
    load_page_program(b);
    b.hal.pipe_room = already_out;
    b.send(SCP_PROGRAM_RUN, Bench::run(0, 100));
    b.hal.due[0] = 5000;
    b.run_for(20 * kMs);
    const auto id = b.send(SCP_ABORT, Writer().u64(kNonce).bytes);
    b.hal.pipe_room = SIZE_MAX;
    b.run_for(20 * kMs);
    ASSERT_NE(b.answer_to(id), nullptr) << already_out;
    EXPECT_EQ(b.read(id).rest, Writer().u64(kNonce).bytes);
    EXPECT_EQ(b.host.found.back().header.request_id, id);  // nothing follows
    EXPECT_EQ(b.host.parser.skipped_bytes, 0u);            // a frame half sent was completed
    EXPECT_LT(b.of(SCP_PAGE_DATA).size(), 3u);
    // And the board is ready for more, its sequences starting with the nonce.
    b.host.found = {b.host.found.back()};
    EXPECT_EQ(b.ask(SCP_PROGRAM_RUN, Bench::run(0, 2)).status, SCP_OK);
    b.run_for(5 * kMs);
    EXPECT_EQ(b.of(SCP_RUN_END).size(), 1u);
    expect_sequences_whole(b);
  }
}

TEST(Abort, LetsNoLateAnswerFollow) {
  Bench b;
  b.hello();
  b.power_3v3();
  b.hal.socket_rest_mv = 500;
  const auto off = b.send(SCP_SOCKET_OFF);
  const auto port = b.send(SCP_PORT_ON, Writer().u16(5000).u16(500).u16(100).u8(0).u8(0).bytes);
  b.run_for(kMs);
  const auto id = b.send(SCP_ABORT, Writer().u64(kNonce).bytes);
  b.hal.socket_rest_mv = 0;
  b.run_for(300 * kMs);
  EXPECT_EQ(b.answer_to(off), nullptr);
  EXPECT_EQ(b.answer_to(port), nullptr);
  EXPECT_EQ(b.read(id).status, SCP_OK);
  EXPECT_TRUE(b.event(SCP_EVENT_SOCKET_OFF));  // the rail itself went on to where it was going
  EXPECT_EQ(b.hal.port_set, 5000);
  EXPECT_EQ(b.ask(SCP_PORT_OFF).status, SCP_OK);
}

TEST(Abort, LetsAnotherSwitchOffJoinTheBleed) {
  Bench b;
  b.hello();
  b.power_3v3();
  b.hal.socket_rest_mv = 500;
  b.send(SCP_SOCKET_OFF);
  b.send(SCP_ABORT, Writer().u64(kNonce).bytes);
  const auto again = b.send(SCP_SOCKET_OFF);
  b.run_for(10 * kMs);
  EXPECT_EQ(b.answer_to(again), nullptr);
  b.hal.socket_rest_mv = 0;
  b.run_for(10 * kMs);
  EXPECT_EQ(b.read(again).status, SCP_OK);
}

TEST(Abort, EndsAContactMeasurementAndASupplyStream) {
  Bench b;
  b.hello();
  const auto contact = b.send(SCP_CONTACT_MEASURE, {1, 49});
  ASSERT_EQ(b.ask(SCP_SUPPLY_START, Writer().u8(1).u8(0).u16(0).u32(100000).u32(0).bytes, 0).status, SCP_OK);
  b.send(SCP_CONTACT_MEASURE, {1, 49});
  b.send(SCP_ABORT, Writer().u64(kNonce).bytes);
  b.hal.due[0] = 100;
  const unsigned forced = b.hal.forced;
  b.run_for(20 * kMs);
  EXPECT_EQ(b.hal.forced, forced);
  EXPECT_FALSE(b.hal.sampling);
  EXPECT_TRUE(b.of(SCP_SAMPLES).empty());
  EXPECT_NE(b.answer_to(contact), nullptr);  // the first was done before the abort
}

TEST(Supply, StreamsSamplesUnderTheIdOfItsRequestAndStopsBehindTheLast) {
  Bench b;
  b.hello();
  const auto id = b.send(SCP_SUPPLY_START, Writer().u8(1).u8(0).u16(10).u32(100000).u32(5000).bytes);
  b.hal.due[0] = 50;
  b.hal.due[1] = 300;
  b.run_for(12 * kMs);
  EXPECT_EQ(b.ask(SCP_SUPPLY_START, Writer().u8(1).u8(0).u16(10).u32(100000).u32(5000).bytes).status, SCP_BUSY);
  b.hal.due[0] = 7;
  b.hal.lost = 3;
  const auto stopped = b.ask(SCP_SUPPLY_STOP);
  EXPECT_EQ(stopped.status, SCP_OK);
  EXPECT_EQ(scp_get_u32(stopped.rest.data()), 3u);
  std::size_t count[2] = {0, 0};
  std::uint32_t told = 0;
  for (const frames::Frame& f : b.of(SCP_SAMPLES)) {
    EXPECT_EQ(f.header.request_id, id);
    EXPECT_EQ(f.payload[0], SCP_RAIL_PORT);
    const unsigned n = scp_get_u16(f.payload.data() + 2);
    ASSERT_EQ(f.payload.size(), 20u + n * 14u);
    count[f.payload[1]] += n;
    EXPECT_EQ(scp_get_u32(f.payload.data() + 12), f.payload[1] == 0 ? 100000u : 5000u);
    told += scp_get_u32(f.payload.data() + 16);
  }
  EXPECT_EQ(count[0], 57u);
  EXPECT_EQ(count[1], 300u);
  EXPECT_EQ(told, 3u);
  EXPECT_EQ(b.host.found.back().header.type, SCP_SUPPLY_STOP | SCP_ANSWER);
}

TEST(Supply, DropsAndCountsRatherThanHoldAnythingUp) {
  Bench b(kSmallArena);
  b.hello();
  b.send(SCP_SUPPLY_START, Writer().u8(0).u8(0).u16(0).u32(100000).u32(0).bytes);
  b.run_for(0);
  b.hal.pipe_room = 0;
  b.hal.due[0] = 10000;
  b.run_for(20 * kMs);
  EXPECT_EQ(b.hal.due[0], 0u);
  b.hal.pipe_room = SIZE_MAX;
  b.run_for(20 * kMs);
  b.hal.due[0] = 1;
  b.run_for(20 * kMs);
  std::uint32_t told = 0, came = 0;
  for (const frames::Frame& f : b.of(SCP_SAMPLES)) {
    came += scp_get_u16(f.payload.data() + 2);
    told += scp_get_u32(f.payload.data() + 16);
  }
  EXPECT_EQ(came + told, 10001u);
  EXPECT_GT(told, 0u);
  EXPECT_TRUE(b.event(SCP_EVENT_SAMPLES_DROPPED));
}

TEST(Supply, RefusesWhatTheBoardCannotSample) {
  Bench b;
  b.hello();
  const auto detail = [&](unsigned rail, unsigned burst_ms, std::uint32_t averaged, std::uint32_t burst) {
    const auto a = b.ask(SCP_SUPPLY_START, Writer().u8(rail).u8(0).u16(burst_ms).u32(averaged).u32(burst).bytes);
    return a.status == SCP_BAD_REQUEST ? static_cast<int>(a.detail) : -1;
  };
  EXPECT_EQ(detail(2, 0, 100000, 0), 0);
  EXPECT_EQ(detail(0, 0, 99999, 0), 4);
  EXPECT_EQ(detail(0, 1, 100000, 3999), 8);
  EXPECT_EQ(detail(0, 0, 100000, 0), -1);
}
