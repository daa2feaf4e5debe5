// The frames are those of firmware_protocol/vectors, frozen by an encoder that shares no code with the codec.
#include "protocol/messages.h"

#include <gtest/gtest.h>

#include <fstream>
#include <functional>

#include "protocol/frame.h"

namespace steadycell::protocol {
namespace {

Bytes vector_file(const std::string& name) {
  std::ifstream file(std::string(STEADYCELL_SOURCE_DIR) + "/firmware_protocol/vectors/" + name + ".hex");
  EXPECT_TRUE(file) << name;
  std::string line, digits;
  while (std::getline(file, line))
    if (!line.starts_with('#')) digits += line + " ";
  const auto bytes = parse_hex(digits);
  EXPECT_TRUE(bytes) << name;
  return bytes.value_or(Bytes());
}

// The payload of a frozen frame.
Bytes payload_of(const std::string& name) {
  const Bytes frame = vector_file(name);
  FrameReader reader;
  ByteSpan bytes = frame;
  const auto found = reader.next(bytes);
  EXPECT_TRUE(found) << name;
  return found ? Bytes(found->payload.begin(), found->payload.end()) : Bytes();
}

Bytes rest_of(const std::string& name) {
  const auto answer = decode_answer(payload_of(name));
  EXPECT_TRUE(answer && answer->status == SCP_OK) << name;
  return answer ? answer->rest : Bytes();
}

// The request as a whole frame is the frozen one.
template <typename Request>
void expect_frame(const std::string& name, const Request& request, std::uint32_t sequence) {
  Bytes out;
  append_request(Request::type, sequence, sequence + 1, encode(request), out);
  EXPECT_EQ(hex(out), hex(vector_file(name))) << name;
}

TEST(Messages, RequestsAreTheFrozenFrames) {
  BusProgram program;
  program.command(ReadOpcode::read).address(0).address(0).row().command(ReadOpcode::read_confirm);
  program.wait_ready(Microseconds(5000)).read(2112);
  expect_frame("hello_request", Hello{}, 0);
  expect_frame("abort_request", Abort{0x0123456789ABCDEF}, 2);
  expect_frame("socket_on_probe", SocketOn{Millivolts(1800), 50, SocketGround::probe()}, 4);
  expect_frame("socket_on_answered",
               SocketOn{Millivolts(3300), 100, SocketGround::chip_answer({0xEC, 0xDC, 0x10, 0x95, 0x54})}, 5);
  expect_frame("socket_trust_request", SocketTrust{{0x2C, 0xA1}}, 7);
  expect_frame("bus_setup_request", BusSetup{4, 8, false, 2, 3}, 8);
  expect_frame("program_load_request", ProgramLoad{1, &program}, 9);
  expect_frame("program_run_request", ProgramRun{1, 0, PassIndex(3), {128, 64, 128, 2}}, 10);
  expect_frame("contact_measure_request", ContactMeasure{12, 2}, 11);
  expect_frame("port_measure_request",
               PortMeasure{SCP_LINE_D_PLUS, -100, 1500, std::chrono::microseconds(1000), std::chrono::milliseconds(20)}, 17);
  expect_frame("port_on_request", PortOn{Millivolts(5000), 500, 10, false, true}, 12);
  expect_frame("supply_start_request",
               SupplyStart{SCP_RAIL_PORT, std::chrono::milliseconds(60), Nanoseconds(100'000), Nanoseconds(5000)},
               14);
}

TEST(Messages, HelloSaysWhoTheBoardIs) {
  const auto info = decode_hello(rest_of("hello_answer"));
  ASSERT_TRUE(info);
  EXPECT_EQ(info->uuid, "01234567-89ab-4def-8123-456789abcdef");
  EXPECT_EQ(info->name, "invented board");
  EXPECT_EQ(info->boot_counter, 7u);
  EXPECT_EQ(info->firmware, "0.1.0");
  EXPECT_EQ(info->targets, 4u);
  EXPECT_EQ(info->max_payload, 131072u);
  EXPECT_TRUE(info->can_socket && info->can_port && info->can_contact && info->can_x16);
  EXPECT_EQ(info->averaged_interval, Nanoseconds(100'000));
  EXPECT_EQ(info->burst_interval, Nanoseconds(4000));
}

TEST(Messages, ABoardCannotRaiseTheGreatestPayload) {
  Bytes rest = rest_of("hello_answer");
  store_u32(MutableByteSpan(rest).subspan(32), 0xFFFF'FFFF);
  const auto info = decode_hello(rest);
  ASSERT_TRUE(info);
  EXPECT_EQ(info->max_payload, std::uint32_t{SCP_MAX_PAYLOAD});
}

TEST(Messages, AnswersCarryStatusAndDetail) {
  const auto refused = decode_answer(payload_of("hello_refused"));
  ASSERT_TRUE(refused);
  EXPECT_EQ(refused->status, SCP_VERSION_MISMATCH);
  EXPECT_EQ(refused->detail, 0x0101);
  EXPECT_EQ(decode_rail(rest_of("socket_on_answer")), Millivolts(3287));
  EXPECT_EQ(decode_samples_dropped(rest_of("supply_stop_answer")), 9u);
  const auto state = decode_board_state(rest_of("board_state_answer"));
  ASSERT_TRUE(state);
  EXPECT_EQ(state->socket_mv, 3301);
  EXPECT_EQ(state->port_ua, -12);
  EXPECT_TRUE(state->trusted);
  EXPECT_EQ(state->frames_bad, 3u);
}

TEST(Messages, ContactsMustBeThosePositionsAskedFor) {
  const Bytes rest = rest_of("contact_measure_answer");
  const auto readings = decode_contacts({12, 2}, rest);
  ASSERT_TRUE(readings);
  ASSERT_EQ(readings->size(), 2u);
  EXPECT_EQ((*readings)[0].plus_mV, 612);
  EXPECT_EQ((*readings)[0].minus_mV, -588);
  EXPECT_EQ((*readings)[0].bridged_with, 13);
  EXPECT_EQ((*readings)[1].plus_mV, 1500);
  EXPECT_FALSE(decode_contacts({11, 2}, rest));
  EXPECT_FALSE(decode_contacts({12, 1}, rest));
}

TEST(Messages, PortReadingsKeepTheirSigns) {
  const auto reading = decode_port_reading(rest_of("port_measure_answer"));
  ASSERT_TRUE(reading);
  EXPECT_EQ(reading->early, std::chrono::microseconds(1003));
  EXPECT_EQ(reading->early_uV, -612'345);
  EXPECT_EQ(reading->early_nA, -100'000);
  EXPECT_EQ(reading->uV, -630'001);
  EXPECT_EQ(reading->nA, -99'998);
}

TEST(Messages, PagesKeepTheirAddressAndFlags) {
  const Bytes whole = payload_of("page_data"), timeout = payload_of("page_data_timeout");
  const auto page = decode_page_data(whole);
  ASSERT_TRUE(page);
  EXPECT_EQ(page->row, 0x80u);
  EXPECT_EQ(page->pass, PassIndex(3));
  EXPECT_EQ(page->busy, Nanoseconds(24900));
  EXPECT_TRUE(page->busy_seen);
  EXPECT_FALSE(page->ready_timeout || page->wp_high);
  EXPECT_EQ(hex(page->bytes), "a0a1a2a3a4a5a6a7a8a9aaabacadaeaf");
  const auto late = decode_page_data(timeout);
  ASSERT_TRUE(late);
  EXPECT_TRUE(late->ready_timeout && late->wp_high);
  EXPECT_EQ(late->target, 1);
  EXPECT_TRUE(late->bytes.empty());
  const auto end = decode_run_end(payload_of("run_end"));
  ASSERT_TRUE(end);
  EXPECT_EQ(end->status, SCP_RAIL_LOST);
  EXPECT_EQ(end->done, 100u);
  EXPECT_EQ(end->asked, 128u);
}

TEST(Messages, SamplesKeepSignGapAndSaturation) {
  std::vector<SupplySample> scratch;
  const auto frame = decode_samples(payload_of("samples"), scratch);
  ASSERT_TRUE(frame);
  EXPECT_EQ(frame->rail, SCP_RAIL_PORT);
  EXPECT_FALSE(frame->burst);
  EXPECT_EQ(frame->first_ns, 1'500'000'000u);
  EXPECT_EQ(frame->dropped_before, 3u);
  ASSERT_EQ(frame->samples.size(), 2u);
  EXPECT_EQ(frame->samples[0].microamps, -250);
  EXPECT_EQ(frame->samples[0].probe2_mV, -1);
  EXPECT_FALSE(frame->samples[0].saturated);
  EXPECT_TRUE(frame->samples[1].saturated);
  const auto event = decode_event(payload_of("event"));
  ASSERT_TRUE(event);
  EXPECT_EQ(event->kind, SCP_EVENT_HEARTBEAT_CUT);
  EXPECT_EQ(event->board_ns, 12'500'000'000u);
}

// Every prefix is refused, none is read past (the sanitizer builds would say), and what a newer board adds is
// ignored.
TEST(Messages, DecodersRefuseEveryPrefixAndTakeMore) {
  std::vector<SupplySample> scratch;
  const std::vector<std::pair<Bytes, std::function<bool(ByteSpan)>>> decoders{
      {rest_of("hello_answer"), [](ByteSpan b) { return decode_hello(b).has_value(); }},
      {rest_of("board_state_answer"), [](ByteSpan b) { return decode_board_state(b).has_value(); }},
      {rest_of("socket_on_answer"), [](ByteSpan b) { return decode_rail(b).has_value(); }},
      {rest_of("contact_measure_answer"),
       [](ByteSpan b) {
         return decode_contacts({12, 2}, b).has_value();
       }},
      {rest_of("port_measure_answer"), [](ByteSpan b) { return decode_port_reading(b).has_value(); }},
      {rest_of("supply_stop_answer"), [](ByteSpan b) { return decode_samples_dropped(b).has_value(); }},
      {payload_of("run_end"), [](ByteSpan b) { return decode_run_end(b).has_value(); }},
      {payload_of("samples"), [&](ByteSpan b) { return decode_samples(b, scratch).has_value(); }},
      {payload_of("event"), [](ByteSpan b) { return decode_event(b).has_value(); }},
      {payload_of("heartbeat_answer"), [](ByteSpan b) { return decode_answer(b).has_value(); }},
  };
  for (std::size_t d = 0; d < decoders.size(); ++d) {
    const auto& [bytes, decode] = decoders[d];
    for (std::size_t n = 0; n < bytes.size(); ++n) {
      const Bytes prefix(bytes.begin(), bytes.begin() + static_cast<std::ptrdiff_t>(n));
      EXPECT_FALSE(decode(prefix)) << "decoder " << d << ", " << n << " bytes";
    }
    Bytes longer = bytes;
    longer.push_back(0xAA);
    EXPECT_TRUE(decode(longer)) << "decoder " << d;
  }
}

TEST(Messages, APageFrameHoldsExactlyTheBytesItSays) {
  Bytes page = payload_of("page_data");
  for (const std::uint32_t claimed : {0u, 15u, 17u, 0x8000'0000u, 0xFFFF'FFFFu}) {
    store_u32(MutableByteSpan(page).subspan(16), claimed);
    const auto decoded = decode_page_data(page);
    ASSERT_FALSE(decoded) << claimed;
    EXPECT_EQ(decoded.error().code(), ErrorCode::board_garbage);
  }
}

TEST(Messages, SamplesOfNoKnownRailAreRefused) {
  std::vector<SupplySample> scratch;
  Bytes samples = payload_of("samples");
  samples[0] = 2;
  EXPECT_FALSE(decode_samples(samples, scratch));
  samples[0] = 1;
  samples[1] = 2;
  EXPECT_FALSE(decode_samples(samples, scratch));
}

}  // namespace
}  // namespace steadycell::protocol
