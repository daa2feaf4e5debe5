#pragma once
#include <chrono>
#include <cstdint>
#include <span>
#include <string>
#include <vector>

#include "base/bytes.h"
#include "base/result.h"
#include "base/units.h"
#include "protocol/bus_program.h"
#include "steadycell/protocol.h"

// What travels in frames, as types (firmware_protocol/PROTOCOL.md has the byte tables). A request knows its number
// on the wire; encode() gives its payload. Decoders take any bytes, never read past them, and fail with
// board_garbage; bytes behind what they know are a newer board's and ignored.
namespace steadycell::protocol {

// ---- Requests ----

struct Hello {
  static constexpr scp_type type = SCP_HELLO;
};
struct Abort {
  static constexpr scp_type type = SCP_ABORT;
  std::uint64_t nonce = 0;
};
// Why the socket may have this voltage: a look at 1.8 V needs no reason; 3.3 V needs the ID that the board itself
// read at 1.8 V, or the user's word for a silent chip.
struct SocketGround {
  scp_ground kind = SCP_GROUND_PROBE;
  Bytes id;

  static SocketGround probe() { return {}; }
  static SocketGround chip_answer(Bytes id) { return {SCP_GROUND_CHIP_ANSWER, std::move(id)}; }
  static SocketGround user_word() { return {SCP_GROUND_USER_WORD, {}}; }
};
struct SocketOn {
  static constexpr scp_type type = SCP_SOCKET_ON;
  Millivolts rail;  // 1800 or 3300
  std::uint16_t limit_mA = 0;
  SocketGround ground;
};
struct SocketTrust {
  static constexpr scp_type type = SCP_SOCKET_TRUST;
  Bytes id;
};
struct BusSetup {
  static constexpr scp_type type = SCP_BUS_SETUP;
  std::uint8_t timing_mode = 0;  // ONFI SDR mode 0..5
  std::uint8_t bus_bits = 8;
  bool small_page = false;
  std::uint8_t column_cycles = 2, row_cycles = 3;
};
struct ProgramLoad {
  static constexpr scp_type type = SCP_PROGRAM_LOAD;
  std::uint8_t slot = 0;
  const BusProgram* program = nullptr;
};
// Rows first, first + 1, ... rows - 1 of each group; the next group starts `stride` rows further.
struct RowRange {
  std::uint32_t first = 0, rows = 1, stride = 1, groups = 1;
  std::uint64_t count() const { return std::uint64_t{rows} * groups; }
  std::uint32_t at(std::uint64_t index) const {
    return first + static_cast<std::uint32_t>(index / rows) * stride + static_cast<std::uint32_t>(index % rows);
  }
};
struct ProgramRun {
  static constexpr scp_type type = SCP_PROGRAM_RUN;
  std::uint8_t slot = 0, target = 0;
  PassIndex pass;
  RowRange rows;
};
struct ContactMeasure {
  static constexpr scp_type type = SCP_CONTACT_MEASURE;
  std::uint8_t first = 1, count = 1;  // positions 1..48; 49 is the supply against ground
};
// A small current into one line of the port before it is powered; both rails off.
struct PortMeasure {
  static constexpr scp_type type = SCP_PORT_MEASURE;
  scp_port_line line = SCP_LINE_SUPPLY;
  std::int16_t microamps = 100;    // 1..1000, either sign
  std::uint16_t most_mV = 1500;    // the source gives no more
  std::chrono::microseconds early{1000};
  std::chrono::milliseconds settle{100};
};
struct PortOn {
  static constexpr scp_type type = SCP_PORT_ON;
  Millivolts rail{5000};
  std::uint16_t limit_mA = 0, ramp_ms = 0;
  bool data_lines = false, keep = false;
};
struct SupplyStart {
  static constexpr scp_type type = SCP_SUPPLY_START;
  scp_rail rail = SCP_RAIL_PORT;
  std::chrono::milliseconds burst_length{0};  // 0 none
  Nanoseconds averaged, burst;
};

Bytes encode(const Hello& request);
Bytes encode(const Abort& request);
Bytes encode(const SocketOn& request);
Bytes encode(const SocketTrust& request);
Bytes encode(const BusSetup& request);
Bytes encode(const ProgramLoad& request);
Bytes encode(const ProgramRun& request);
Bytes encode(const ContactMeasure& request);
Bytes encode(const PortMeasure& request);
Bytes encode(const PortOn& request);
Bytes encode(const SupplyStart& request);

// ---- Answers ----

struct Answer {
  std::uint16_t status = SCP_OK, detail = 0;  // scp_status, or one this program does not know
  Bytes rest;
};
Result<Answer> decode_answer(ByteSpan payload);

struct BoardInfo {
  std::string uuid;  // text form of RFC 4122
  std::string name;
  std::uint8_t protocol = SCP_VERSION;  // version that both speak from now on
  std::uint32_t boot_counter = 0;
  std::string firmware;  // "1.2.3"
  std::uint32_t max_payload = 0;
  unsigned targets = 0;  // CE# lines wired
  bool can_socket = false, can_port = false, can_contact = false, can_x16 = false, can_port_measure = false;
  Nanoseconds averaged_interval, burst_interval;  // fastest offered; 0: no supply measurement
};
// These take what stands behind status and detail.
Result<BoardInfo> decode_hello(ByteSpan rest);
Result<scp_board_state> decode_board_state(ByteSpan rest);
Result<Millivolts> decode_rail(ByteSpan rest);

struct ContactReading {
  std::int16_t plus_mV = 0, minus_mV = 0;  // at +/-100 uA; compliance shows as +/-1500
  std::uint8_t bridged_with = 0;           // neighbouring position, 0 = none
};
// The echoed positions must be those that were asked for.
Result<std::vector<ContactReading>> decode_contacts(const ContactMeasure& asked, ByteSpan rest);

struct PortReading {
  std::chrono::microseconds early{0};  // when the early reading was taken, from the start of the current
  std::int32_t early_uV = 0, early_nA = 0, uV = 0, nA = 0;
};
Result<PortReading> decode_port_reading(ByteSpan rest);
Result<std::uint32_t> decode_samples_dropped(ByteSpan rest);

// ---- Frames that come by themselves ----

struct PageData {
  std::uint8_t target = 0;
  bool ready_timeout = false, busy_seen = true, wp_high = false;
  PassIndex pass;
  std::uint32_t row = 0;
  Nanoseconds busy;
  ByteSpan bytes;  // into the payload
};
Result<PageData> decode_page_data(ByteSpan payload);

struct RunEnd {
  std::uint16_t status = SCP_OK;
  std::uint32_t done = 0, asked = 0;
};
Result<RunEnd> decode_run_end(ByteSpan payload);

struct SupplySample {
  std::int32_t microamps = 0;
  std::int16_t millivolts = 0, probe1_mV = 0, probe2_mV = 0;
  bool saturated = false;
};
struct SampleFrame {
  scp_rail rail = SCP_RAIL_PORT;
  bool burst = false;
  std::uint64_t first_ns = 0;  // board clock
  std::uint32_t interval_ns = 0;
  std::uint32_t dropped_before = 0;       // lost by the board
  bool frames_lost_before = false;        // lost on the way; first_ns shows how many samples
  std::span<const SupplySample> samples;  // into the scratch; valid until its next use
};
Result<SampleFrame> decode_samples(ByteSpan payload, std::vector<SupplySample>& scratch);

struct BoardEvent {
  std::uint16_t kind = 0;  // scp_event, or one this program does not know
  std::uint16_t detail = 0;
  std::uint64_t board_ns = 0;
};
Result<BoardEvent> decode_event(ByteSpan payload);

}  // namespace steadycell::protocol
