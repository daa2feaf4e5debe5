#include "protocol/messages.h"

#include <algorithm>
#include <cassert>
#include <cstring>

namespace steadycell::protocol {
namespace {

// Payloads are written front to back, in the order of the byte tables.
class Writer {
 public:
  Writer& u8(unsigned value) {
    bytes_.push_back(static_cast<std::uint8_t>(value));
    return *this;
  }
  Writer& u16(std::uint64_t value) { return number(value, 2); }
  Writer& u32(std::uint64_t value) { return number(value, 4); }
  Writer& u64(std::uint64_t value) { return number(value, 8); }
  Writer& bytes(ByteSpan span) {
    bytes_.insert(bytes_.end(), span.begin(), span.end());
    return *this;
  }
  Bytes done() { return std::move(bytes_); }

 private:
  Writer& number(std::uint64_t value, unsigned size) {
    assert(size == 8 || value >> (8 * size) == 0);
    for (unsigned i = 0; i < size; ++i) bytes_.push_back(static_cast<std::uint8_t>(value >> (8 * i)));
    return *this;
  }

  Bytes bytes_;
};

std::uint64_t positive(std::int64_t value) {
  assert(value >= 0);
  return static_cast<std::uint64_t>(value);
}

tl::unexpected<Error> too_short(std::string_view what, std::size_t got, std::size_t expected) {
  return failure(ErrorCode::board_garbage, "{} has {} bytes, expected {}", what, got, expected);
}

std::int16_t load_i16(ByteSpan at) {
  return static_cast<std::int16_t>(load_u16(at));
}

}  // namespace

Bytes encode(const Hello&) {
  return Writer().u8(SCP_VERSION_OLDEST).u8(SCP_VERSION).u16(0).done();
}

Bytes encode(const Abort& request) {
  return Writer().u64(request.nonce).done();
}

Bytes encode(const SocketOn& request) {
  return Writer()
      .u16(positive(request.rail.value))
      .u16(request.limit_mA)
      .u8(request.ground.kind)
      .u8(0)
      .u8(static_cast<unsigned>(request.ground.id.size()))
      .bytes(request.ground.id)
      .done();
}

Bytes encode(const SocketTrust& request) {
  return Writer().u8(static_cast<unsigned>(request.id.size())).bytes(request.id).done();
}

Bytes encode(const BusSetup& request) {
  return Writer()
      .u8(request.timing_mode)
      .u8(request.bus_bits)
      .u8(request.small_page ? SCP_SMALL_PAGE : SCP_LARGE_PAGE)
      .u8(request.column_cycles)
      .u8(request.row_cycles)
      .u8(0)
      .u16(0)
      .done();
}

Bytes encode(const ProgramLoad& request) {
  const Bytes& program = request.program->bytes();
  return Writer().u8(request.slot).u8(0).u16(program.size()).bytes(program).done();
}

Bytes encode(const ProgramRun& request) {
  return Writer()
      .u8(request.slot)
      .u8(request.target)
      .u16(0)
      .u32(request.pass.value)
      .u32(request.rows.first)
      .u32(request.rows.rows)
      .u32(request.rows.stride)
      .u32(request.rows.groups)
      .done();
}

Bytes encode(const ContactMeasure& request) {
  return Writer().u8(request.first).u8(request.count).done();
}

Bytes encode(const PortMeasure& request) {
  return Writer()
      .u8(request.line)
      .u8(0)
      .u16(static_cast<std::uint16_t>(request.microamps))
      .u16(request.most_mV)
      .u16(positive(request.early.count()))
      .u16(positive(request.settle.count()))
      .done();
}

Bytes encode(const PortOn& request) {
  const unsigned flags = (request.data_lines ? 1u : 0u) | (request.keep ? 2u : 0u);
  return Writer()
      .u16(positive(request.rail.value))
      .u16(request.limit_mA)
      .u16(request.ramp_ms)
      .u8(flags)
      .u8(0)
      .done();
}

Bytes encode(const SupplyStart& request) {
  return Writer()
      .u8(request.rail)
      .u8(0)
      .u16(positive(request.burst_length.count()))
      .u32(positive(request.averaged.value))
      .u32(positive(request.burst.value))
      .done();
}

Result<Answer> decode_answer(ByteSpan payload) {
  constexpr std::size_t kHead = 4;
  if (payload.size() < kHead) return too_short("an answer", payload.size(), kHead);
  return Answer{load_u16(payload), load_u16(payload.subspan(2)), Bytes(payload.begin() + kHead, payload.end())};
}

Result<BoardInfo> decode_hello(ByteSpan rest) {
  if (rest.size() < SCP_HELLO_BYTES) return too_short("the board's greeting", rest.size(), SCP_HELLO_BYTES);
  scp_hello hello{};
  scp_get_hello(rest.data(), &hello);
  const std::string id = hex(ByteSpan(hello.uuid));
  BoardInfo info;
  info.uuid = fmt::format("{}-{}-{}-{}-{}", id.substr(0, 8), id.substr(8, 4), id.substr(12, 4), id.substr(16, 4),
                          id.substr(20));
  info.name = std::string(hello.name, strnlen(hello.name, sizeof hello.name));
  info.protocol = hello.version;
  info.boot_counter = hello.boot_counter;
  info.firmware = fmt::format("{}.{}.{}", hello.firmware >> 16, hello.firmware >> 8 & 0xFF, hello.firmware & 0xFF);
  info.max_payload = std::min<std::uint32_t>(hello.max_payload, SCP_MAX_PAYLOAD);
  info.targets = hello.targets;
  info.can_socket = (hello.capabilities & SCP_CAN_SOCKET) != 0;
  info.can_port = (hello.capabilities & SCP_CAN_PORT) != 0;
  info.can_contact = (hello.capabilities & SCP_CAN_CONTACT) != 0;
  info.can_x16 = (hello.capabilities & SCP_CAN_X16) != 0;
  info.can_port_measure = (hello.capabilities & SCP_CAN_PORT_MEASURE) != 0;
  info.averaged_interval = Nanoseconds(hello.averaged_interval_ns);
  info.burst_interval = Nanoseconds(hello.burst_interval_ns);
  return info;
}

Result<scp_board_state> decode_board_state(ByteSpan rest) {
  if (rest.size() < SCP_BOARD_STATE_BYTES)
    return too_short("the board's state", rest.size(), SCP_BOARD_STATE_BYTES);
  scp_board_state state{};
  scp_get_board_state(rest.data(), &state);
  return state;
}

Result<Millivolts> decode_rail(ByteSpan rest) {
  if (rest.size() < 2) return too_short("a rail's voltage", rest.size(), 2);
  return Millivolts(load_u16(rest));
}

Result<std::vector<ContactReading>> decode_contacts(const ContactMeasure& asked, ByteSpan rest) {
  constexpr std::size_t kHead = 2, kReading = 5;
  const std::size_t expected = kHead + asked.count * kReading;
  if (rest.size() < expected) return too_short("the contact measurement", rest.size(), expected);
  if (rest[0] != asked.first || rest[1] != asked.count)
    return failure(ErrorCode::board_garbage, "the board measured {} contacts from {}, asked for {} from {}",
                   rest[1], rest[0], asked.count, asked.first);
  std::vector<ContactReading> readings(asked.count);
  for (std::size_t i = 0; i < readings.size(); ++i) {
    const ByteSpan at = rest.subspan(kHead + i * kReading, kReading);
    readings[i] = {load_i16(at), load_i16(at.subspan(2)), at[4]};
  }
  return readings;
}

Result<PortReading> decode_port_reading(ByteSpan rest) {
  if (rest.size() < SCP_PORT_READING_BYTES) return too_short("a reading of the port", rest.size(), SCP_PORT_READING_BYTES);
  const auto i32 = [&](std::size_t at) { return static_cast<std::int32_t>(load_u32(rest.subspan(at))); };
  return PortReading{std::chrono::microseconds(load_u32(rest)), i32(4), i32(8), i32(12), i32(16)};
}

Result<std::uint32_t> decode_samples_dropped(ByteSpan rest) {
  if (rest.size() < 4) return too_short("the end of the supply measurement", rest.size(), 4);
  return load_u32(rest);
}

Result<PageData> decode_page_data(ByteSpan payload) {
  constexpr std::size_t kHead = 20;
  if (payload.size() < kHead) return too_short("a page frame", payload.size(), kHead);
  const std::uint32_t length = load_u32(payload.subspan(16));
  if (length != payload.size() - kHead)
    return too_short("a page frame", payload.size(), kHead + std::size_t{length});
  PageData page;
  page.target = payload[0];
  page.ready_timeout = (payload[1] & SCP_PAGE_READY_TIMEOUT) != 0;
  page.busy_seen = (payload[1] & SCP_PAGE_BUSY_NOT_SEEN) == 0;
  page.wp_high = payload[2] != 0;
  page.pass = PassIndex(load_u32(payload.subspan(4)));
  page.row = load_u32(payload.subspan(8));
  page.busy = Nanoseconds(load_u32(payload.subspan(12)));
  page.bytes = payload.subspan(kHead);
  return page;
}

Result<RunEnd> decode_run_end(ByteSpan payload) {
  constexpr std::size_t kSize = 12;
  if (payload.size() < kSize) return too_short("the end of a run", payload.size(), kSize);
  return RunEnd{load_u16(payload), load_u32(payload.subspan(4)), load_u32(payload.subspan(8))};
}

Result<SampleFrame> decode_samples(ByteSpan payload, std::vector<SupplySample>& scratch) {
  constexpr std::size_t kHead = 20, kSample = 14;
  if (payload.size() < kHead) return too_short("a sample frame", payload.size(), kHead);
  const std::size_t count = load_u16(payload.subspan(2));
  if (payload.size() < kHead + count * kSample)
    return too_short("a sample frame", payload.size(), kHead + count * kSample);
  if (payload[0] > SCP_RAIL_PORT || payload[1] > 1)
    return failure(ErrorCode::board_garbage, "samples of rail {}, kind {}: there is none such", payload[0],
                   payload[1]);
  scratch.resize(count);
  for (std::size_t i = 0; i < count; ++i) {
    const ByteSpan at = payload.subspan(kHead + i * kSample, kSample);
    scratch[i] = {static_cast<std::int32_t>(load_u32(at)), load_i16(at.subspan(4)), load_i16(at.subspan(6)),
                  load_i16(at.subspan(8)), (load_u16(at.subspan(10)) & 1u) != 0};
  }
  SampleFrame frame;
  frame.rail = static_cast<scp_rail>(payload[0]);
  frame.burst = payload[1] == 1;
  frame.first_ns = load_u64(payload.subspan(4));
  frame.interval_ns = load_u32(payload.subspan(12));
  frame.dropped_before = load_u32(payload.subspan(16));
  frame.samples = scratch;
  return frame;
}

Result<BoardEvent> decode_event(ByteSpan payload) {
  constexpr std::size_t kSize = 12;
  if (payload.size() < kSize) return too_short("an event", payload.size(), kSize);
  return BoardEvent{load_u16(payload), load_u16(payload.subspan(2)), load_u64(payload.subspan(4))};
}

}  // namespace steadycell::protocol
