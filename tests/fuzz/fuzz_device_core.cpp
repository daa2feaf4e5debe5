// The device core fed arbitrary requests, while lid, WP#, meters, pipe and clock do what they like. Whatever comes: only
// allowed sequences reach the bus, the socket is never powered under an open lid nor at 3.3 V without a ground, contact
// current never meets a live rail, and what goes out are whole frames.
#include <cstdint>
#include <memory>

#include "firmware_protocol/allowed.h"
#include "firmware_protocol/bench.h"

namespace {

void expect(bool holds) {
  if (!holds) __builtin_trap();
}

// Opcodes that no allowed sequence holds, whatever the addressing.
void expect_no_forbidden_opcode(const RecordingHal& hal) {
  static constexpr std::uint8_t kAllowed[] = {0x00, 0x01, 0x05, 0x30, 0x31, 0x32, 0x3F, 0x50,
                                              0x70, 0x78, 0x90, 0xE0, 0xEC, 0xED, 0xEE, 0xFF};
  for (unsigned opcode = 0; opcode < 256; ++opcode)
    if (hal.commands_seen[opcode]) expect(std::find(std::begin(kAllowed), std::end(kAllowed), opcode) != std::end(kAllowed));
}

// Whatever BUS_SETUP has said: small pages or large ones, 1 to 4 row cycles.
bool is_allowed_on_a_bus(const std::string& line) {
  for (unsigned rows = 1; rows <= 4; ++rows)
    if (is_allowed_on_the_bus(line, false, false, rows) || is_allowed_on_the_bus(line, true, false, rows)) return true;
  return false;
}

class Input {
 public:
  Input(const std::uint8_t* data, std::size_t size) : left_(data, size) {}
  bool empty() const { return left_.empty(); }
  std::uint8_t byte() {
    if (left_.empty()) return 0;
    const std::uint8_t b = left_[0];
    left_ = left_.subspan(1);
    return b;
  }
  frames::Bytes bytes(std::size_t n) {
    n = std::min(n, left_.size());
    frames::Bytes b(left_.begin(), left_.begin() + static_cast<std::ptrdiff_t>(n));
    left_ = left_.subspan(n);
    return b;
  }

 private:
  std::span<const std::uint8_t> left_;
};

scp_type type_of(std::uint8_t pick) {
  static constexpr scp_type kTypes[] = {SCP_HELLO,     SCP_HEARTBEAT,    SCP_ABORT,       SCP_BOARD_STATE,     SCP_SOCKET_ON,
                                        SCP_SOCKET_OFF, SCP_SOCKET_TRUST, SCP_BUS_SETUP,   SCP_PROGRAM_LOAD,    SCP_PROGRAM_RUN,
                                        SCP_PORT_ON,   SCP_PORT_OFF,     SCP_SUPPLY_START, SCP_CONTACT_MEASURE, SCP_SUPPLY_STOP,
                                        SCP_PORT_MEASURE};
  return kTypes[pick % std::size(kTypes)];
}

}  // namespace

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  Bench bench(SC_CORE_ARENA_FOR(2112));
  Input in(data, size);
  bool powered_by_word = false;
  for (int step = 0; step < 200 && !in.empty(); ++step) {
    const std::uint8_t what = in.byte();
    switch (what % 16) {
      case 0: bench.receive(in.bytes(in.byte())); break;  // no frame at all
      case 1: bench.hal.lid_open = !bench.hal.lid_open; break;
      case 2: bench.hal.wp_high = !bench.hal.wp_high; break;
      case 3: bench.hal.stuck_busy = !bench.hal.stuck_busy; break;
      case 4: bench.hal.pipe_room = in.byte() * 32u; break;
      case 5: bench.hal.pipe_room = SIZE_MAX; break;
      case 6: bench.run_for(in.byte() * 1'000'000ull); break;
      case 7: bench.hal.socket_rest_mv = in.byte() * 10; break;
      case 8: bench.hal.due[0] = in.byte() * 8u; break;
      case 9: powered_by_word = true; bench.send(SCP_SOCKET_ON, Bench::socket_on(3300, SCP_GROUND_USER_WORD)); break;
      case 10: bench.send(SCP_SOCKET_ON, Bench::socket_on(1800, SCP_GROUND_PROBE)); break;
      case 11: {
        const unsigned slot = in.byte() % SCP_PROGRAM_SLOTS;
        bench.send(SCP_PROGRAM_LOAD, Bench::load(slot, in.bytes(in.byte())));
        bench.send(SCP_PROGRAM_RUN, Bench::run(slot, 1u + in.byte() % 4));
        break;
      }
      default: {
        const scp_type type = type_of(in.byte());
        const frames::Bytes payload = in.bytes(in.byte() % 32);
        if (type == SCP_SOCKET_ON && payload.size() > 4 && payload[4] == SCP_GROUND_USER_WORD) powered_by_word = true;
        bench.send(type, payload);
      }
    }
    const bool socket_was_on = bench.hal.socket_set != 0;
    bench.run_for(what & 0x80 ? 1'000'000 : 0);
    expect(!bench.hal.socket_ever_on_with_lid_open);
    expect(!bench.hal.contact_with_rail_on);
    if (bench.hal.lid_open && socket_was_on && (what & 0x80)) expect(bench.hal.socket_set == 0);
    if (bench.hal.socket_set == 3300) expect(powered_by_word || bench.hal.commands_seen[0x90]);
  }
  expect_no_forbidden_opcode(bench.hal);
  for (const std::string& line : bench.hal.lines)
    if (line.size() < 2000) expect(is_allowed_on_a_bus(line));
  bench.hal.pipe_room = SIZE_MAX;
  bench.run_for(5'000'000);
  expect(bench.host.parser.bad_frames == 0 && bench.host.parser.skipped_bytes == 0);
  return 0;
}
