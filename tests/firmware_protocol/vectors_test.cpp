// The codec against the frozen frames, which an independent Python encoder (make_vectors.py, stdlib only) made.
#include <gtest/gtest.h>

#include <cstring>
#include <filesystem>
#include <map>
#include <string>

#include "firmware_protocol/vectors.h"

using frames::Bytes;
using frames::load_vector;
using frames::Writer;

namespace {

Writer ok() { return Writer().u16(SCP_OK).u16(0); }

scp_hello invented_hello() {
  scp_hello h{};
  h.version = 1;
  h.targets = 4;
  const Bytes uuid{0x01, 0x23, 0x45, 0x67, 0x89, 0xab, 0x4d, 0xef, 0x81, 0x23, 0x45, 0x67, 0x89, 0xab, 0xcd, 0xef};
  std::copy(uuid.begin(), uuid.end(), h.uuid);
  h.boot_counter = 7;
  h.firmware = 0x000100;
  h.capabilities = SCP_CAN_SOCKET | SCP_CAN_PORT | SCP_CAN_CONTACT | SCP_CAN_X16;
  h.max_payload = 131072;
  h.averaged_interval_ns = 100000;
  h.burst_interval_ns = 4000;
  std::strcpy(h.name, "invented board");
  return h;
}

scp_board_state invented_state() {
  scp_board_state s{};
  s.socket_mv = 3301;
  s.port_mv = 17;
  s.port_ua = -12;
  s.socket_on = s.rb_ready = s.trusted = 1;
  s.consents = 2;
  s.frames_bad = 3;
  s.samples_dropped = 5;
  s.refused_programs = 1;
  return s;
}

Bytes hello_bytes() {
  Bytes bytes(SCP_HELLO_BYTES);
  const scp_hello hello = invented_hello();
  scp_put_hello(bytes.data(), &hello);
  return bytes;
}

Bytes state_bytes() {
  Bytes bytes(SCP_BOARD_STATE_BYTES);
  const scp_board_state state = invented_state();
  scp_put_board_state(bytes.data(), &state);
  return bytes;
}

struct Made {
  std::uint8_t channel;
  std::uint16_t type;
  std::uint32_t sequence, request_id;
  Bytes payload;
};

constexpr std::uint16_t answer(scp_type type) { return static_cast<std::uint16_t>(type | SCP_ANSWER); }

std::map<std::string, Made> made() {
  constexpr auto C = std::uint8_t{SCP_CHANNEL_COMMAND}, P = std::uint8_t{SCP_CHANNEL_PAGE}, S = std::uint8_t{SCP_CHANNEL_SUPPLY};
  const Bytes id{0xEC, 0xDC, 0x10, 0x95, 0x54};
  Bytes page(16);
  for (std::size_t i = 0; i < page.size(); ++i) page[i] = static_cast<std::uint8_t>(0xA0 + i);
  const Bytes program = Writer().u8(SCP_OP_COMMAND).u8(0x00).u8(SCP_OP_ADDRESS).u8(0).u8(SCP_OP_ADDRESS).u8(0).u8(SCP_OP_ROW)
                            .u8(SCP_OP_COMMAND).u8(0x30).u8(SCP_OP_WAIT_RB).u32(5000).u8(SCP_OP_READ).u32(2112).bytes;
  return {
      {"hello_request", {C, SCP_HELLO, 0, 1, Writer().u8(1).u8(1).u16(0).bytes}},
      {"hello_answer", {C, answer(SCP_HELLO), 0, 1, ok().raw(hello_bytes()).bytes}},
      {"hello_refused", {C, answer(SCP_HELLO), 0, 1, Writer().u16(SCP_VERSION_MISMATCH).u16(0x0101).bytes}},
      {"heartbeat_request", {C, SCP_HEARTBEAT, 1, 2, {}}},
      {"heartbeat_answer", {C, answer(SCP_HEARTBEAT), 1, 2, ok().bytes}},
      {"abort_request", {C, SCP_ABORT, 2, 3, Writer().u64(0x0123456789abcdef).bytes}},
      {"abort_answer", {C, answer(SCP_ABORT), 2, 3, ok().u64(0x0123456789abcdef).bytes}},
      {"board_state_request", {C, SCP_BOARD_STATE, 3, 4, {}}},
      {"board_state_answer", {C, answer(SCP_BOARD_STATE), 3, 4, ok().raw(state_bytes()).bytes}},
      {"socket_on_probe", {C, SCP_SOCKET_ON, 4, 5, Writer().u16(1800).u16(50).u8(SCP_GROUND_PROBE).u8(0).u8(0).bytes}},
      {"socket_on_answered",
       {C, SCP_SOCKET_ON, 5, 6, Writer().u16(3300).u16(100).u8(SCP_GROUND_CHIP_ANSWER).u8(0).u8(5).raw(id).bytes}},
      {"socket_on_answer", {C, answer(SCP_SOCKET_ON), 5, 6, ok().u16(3287).bytes}},
      {"socket_on_refused", {C, answer(SCP_SOCKET_ON), 5, 6, Writer().u16(SCP_CURRENT_LIMIT).u16(103).u16(212).bytes}},
      {"socket_off_request", {C, SCP_SOCKET_OFF, 6, 7, {}}},
      {"socket_off_answer", {C, answer(SCP_SOCKET_OFF), 6, 7, ok().u16(42).bytes}},
      {"socket_trust_request", {C, SCP_SOCKET_TRUST, 7, 8, Writer().u8(2).u8(0x2C).u8(0xA1).bytes}},
      {"socket_trust_answer", {C, answer(SCP_SOCKET_TRUST), 7, 8, ok().bytes}},
      {"bus_setup_request", {C, SCP_BUS_SETUP, 8, 9, Writer().u8(4).u8(8).u8(SCP_LARGE_PAGE).u8(2).u8(3).u8(0).u16(0).bytes}},
      {"bus_setup_answer", {C, answer(SCP_BUS_SETUP), 8, 9, ok().bytes}},
      {"program_load_request",
       {C, SCP_PROGRAM_LOAD, 9, 10, Writer().u8(1).u8(0).u16(static_cast<unsigned>(program.size())).raw(program).bytes}},
      {"program_load_answer", {C, answer(SCP_PROGRAM_LOAD), 9, 10, ok().bytes}},
      {"program_load_refused", {C, answer(SCP_PROGRAM_LOAD), 9, 10, Writer().u16(SCP_REFUSED_SEQUENCE).u16(3).bytes}},
      {"program_run_request",
       {C, SCP_PROGRAM_RUN, 10, 11, Writer().u8(1).u8(0).u16(0).u32(3).u32(128).u32(64).u32(128).u32(2).bytes}},
      {"program_run_answer", {C, answer(SCP_PROGRAM_RUN), 10, 11, ok().bytes}},
      {"contact_measure_request", {C, SCP_CONTACT_MEASURE, 11, 12, Writer().u8(12).u8(2).bytes}},
      {"contact_measure_answer",
       {C, answer(SCP_CONTACT_MEASURE), 11, 12,
        ok().u8(12).u8(2).i16(612).i16(-588).u8(13).i16(1500).i16(-1500).u8(12).bytes}},
      {"port_on_request", {C, SCP_PORT_ON, 12, 13, Writer().u16(5000).u16(500).u16(10).u8(2).u8(0).bytes}},
      {"port_on_answer", {C, answer(SCP_PORT_ON), 12, 13, ok().u16(4987).bytes}},
      {"port_off_request", {C, SCP_PORT_OFF, 13, 14, {}}},
      {"port_off_answer", {C, answer(SCP_PORT_OFF), 13, 14, ok().u16(8).bytes}},
      {"supply_start_request", {C, SCP_SUPPLY_START, 14, 15, Writer().u8(SCP_RAIL_PORT).u8(0).u16(60).u32(100000).u32(5000).bytes}},
      {"supply_start_answer", {C, answer(SCP_SUPPLY_START), 14, 15, ok().bytes}},
      {"supply_stop_request", {C, SCP_SUPPLY_STOP, 15, 16, {}}},
      {"supply_stop_answer", {C, answer(SCP_SUPPLY_STOP), 15, 16, ok().u32(9).bytes}},
      {"port_measure_request",
       {C, SCP_PORT_MEASURE, 17, 18, Writer().u8(SCP_LINE_D_PLUS).u8(0).i16(-100).u16(1500).u16(1000).u16(20).bytes}},
      {"port_measure_answer",
       {C, answer(SCP_PORT_MEASURE), 17, 18, ok().u32(1003).i32(-612345).i32(-100000).i32(-630001).i32(-99998).bytes}},
      {"unknown_type_answer", {C, 0x8055, 16, 17, Writer().u16(SCP_UNKNOWN_TYPE).u16(0).bytes}},
      {"page_data",
       {P, SCP_PAGE_DATA, 0, 11, Writer().u8(0).u8(0).u8(0).u8(0).u32(3).u32(0x80).u32(24900).u32(16).raw(page).bytes}},
      {"page_data_timeout",
       {P, SCP_PAGE_DATA, 1, 11, Writer().u8(1).u8(SCP_PAGE_READY_TIMEOUT).u8(1).u8(0).u32(3).u32(0x81).u32(5000000).u32(0).bytes}},
      {"run_end", {P, SCP_RUN_END, 2, 11, Writer().u16(SCP_RAIL_LOST).u16(0).u32(100).u32(128).bytes}},
      {"samples",
       {S, SCP_SAMPLES, 0, 15, Writer().u8(SCP_RAIL_PORT).u8(0).u16(2).u64(1500000000).u32(100000).u32(3)
                                   .i32(-250).i16(4991).i16(3302).i16(-1).u16(0).u16(0)
                                   .i32(649800).i16(4870).i16(3299).i16(1205).u16(1).u16(0).bytes}},
      {"event", {C, SCP_EVENT, 17, 0, Writer().u16(SCP_EVENT_HEARTBEAT_CUT).u16(0).u64(12500000000).bytes}},
  };
}

}  // namespace

TEST(Vectors, EveryFrozenFrameIsMadeHere) {
  std::size_t files = 0;
  for (const auto& entry : std::filesystem::directory_iterator(frames::vectors_folder()))
    if (entry.path().extension() == ".hex") {
      ++files;
      EXPECT_TRUE(made().contains(entry.path().stem().string())) << entry.path();
    }
  EXPECT_EQ(files, made().size());
}

TEST(Vectors, CodecWritesTheVeryBytes) {
  for (const auto& [name, m] : made())
    EXPECT_EQ(frames::encode(m.channel, m.type, m.sequence, m.request_id, m.payload), load_vector(name)) << name;
}

TEST(Vectors, CodecReadsTheVeryBytes) {
  for (const auto& [name, m] : made()) {
    frames::Collector parser;
    parser.feed(load_vector(name));
    ASSERT_EQ(parser.found.size(), 1u) << name;
    EXPECT_EQ(parser.found[0].header.channel, m.channel) << name;
    EXPECT_EQ(parser.found[0].header.type, m.type) << name;
    EXPECT_EQ(parser.found[0].header.sequence, m.sequence) << name;
    EXPECT_EQ(parser.found[0].header.request_id, m.request_id) << name;
    EXPECT_EQ(parser.found[0].payload, m.payload) << name;
  }
}

TEST(Vectors, HelloIsReadBack) {
  const Bytes frame = load_vector("hello_answer");
  scp_hello got{};
  scp_get_hello(frame.data() + SCP_HEADER_BYTES + 4, &got);
  const scp_hello want = invented_hello();
  EXPECT_EQ(got.version, want.version);
  EXPECT_EQ(got.targets, want.targets);
  EXPECT_TRUE(std::equal(std::begin(got.uuid), std::end(got.uuid), want.uuid));
  EXPECT_EQ(got.boot_counter, want.boot_counter);
  EXPECT_EQ(got.firmware, want.firmware);
  EXPECT_EQ(got.capabilities, want.capabilities);
  EXPECT_EQ(got.max_payload, want.max_payload);
  EXPECT_EQ(got.averaged_interval_ns, want.averaged_interval_ns);
  EXPECT_EQ(got.burst_interval_ns, want.burst_interval_ns);
  EXPECT_STREQ(got.name, want.name);
}

TEST(Vectors, BoardStateIsReadBack) {
  const Bytes frame = load_vector("board_state_answer");
  scp_board_state got{};
  scp_get_board_state(frame.data() + SCP_HEADER_BYTES + 4, &got);
  EXPECT_EQ(got.socket_mv, 3301);
  EXPECT_EQ(got.port_mv, 17);
  EXPECT_EQ(got.port_ua, -12);
  EXPECT_EQ(got.socket_on, 1);
  EXPECT_EQ(got.port_on, 0);
  EXPECT_EQ(got.lid_open, 0);
  EXPECT_EQ(got.wp_high, 0);
  EXPECT_EQ(got.rb_ready, 1);
  EXPECT_EQ(got.running, 0);
  EXPECT_EQ(got.trusted, 1);
  EXPECT_EQ(got.consents, 2u);
  EXPECT_EQ(got.frames_bad, 3u);
  EXPECT_EQ(got.samples_dropped, 5u);
  EXPECT_EQ(got.refused_programs, 1u);
}
