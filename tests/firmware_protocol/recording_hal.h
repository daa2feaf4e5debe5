#pragma once
#include <algorithm>
#include <array>
#include <cstdint>
#include <cstdio>
#include <string>
#include <vector>

#include "device/core.h"

// A HAL without a bench behind it: it writes down every bus cycle, and its meters, chip and pipe say what a test sets.
class RecordingHal {
 public:
  std::uint64_t now = 1'000'000'000;  // ns; moves only by advance() and wait_ns
  // Bus. One token a cycle: "C90 " command, "A00 " address, "R " one or more bytes read; a select ends a line.
  std::vector<std::string> lines;
  std::array<bool, 256> commands_seen{};
  std::size_t cycles = 0;
  std::uint64_t busy_ns = 25'000, busy_from_ns = 100;  // R/B# falls so long after a command that starts something
  bool stuck_busy = false, stuck_ready = false;
  std::vector<std::uint8_t> id{0xEC, 0xDC, 0x10, 0x95, 0x54};
  std::uint32_t pass_seen = 0;
  int target_seen = -1, selected = -1;
  // Rails.
  std::uint16_t socket_set = 0, port_set = 0, socket_limit = 0, port_limit = 0;
  std::int32_t socket_mv_override = -1, port_mv_override = -1, socket_ma = 0, port_ua = 0;
  std::int32_t socket_rest_mv = 0, port_rest_mv = 0;  // what the bleed leaves
  bool lid_open = false, wp_high = false, data_lines = false;
  bool socket_ever_on_with_lid_open = false, contact_with_rail_on = false;
  // Contact.
  std::vector<std::uint64_t> nets;  // sets of positions tied together, position 1 the lowest bit; disjoint
  unsigned forced = 0, patterns = 0;
  // Port lines: what is forced now, and how often anything was.
  std::int16_t port_ua_forced = 0;
  std::uint8_t port_line = 0;
  unsigned port_forced = 0;
  std::uint64_t port_sense_ns = 0;  // how long a reading takes
  // Supply: samples waiting to be fetched, per kind.
  std::size_t due[2] = {0, 0};
  std::uint32_t lost = 0;
  bool sampling = false;
  // Link.
  std::size_t pipe_room = SIZE_MAX;
  std::vector<std::uint8_t> sent;

  void advance(std::uint64_t ns) { now += ns; }

  sc_hal table() {
    sc_hal t{};
    t.self = this;
    t.now_ns = [](void* p) { return me(p).now; };
    t.bus_timing = [](void*, std::uint8_t, std::uint8_t) {};
    t.bus_select = [](void* p, int target, std::uint32_t pass) { me(p).select(target, pass); };
    t.bus_command = [](void* p, std::uint8_t opcode) { me(p).command(opcode); };
    t.bus_address = [](void* p, std::uint8_t byte) { me(p).token('A', byte); };
    t.bus_read = [](void* p, std::uint8_t* out, std::uint32_t n) { me(p).read(out, n); };
    t.bus_ready = [](void* p) { return me(p).ready(); };
    t.wait_ns = [](void* p, std::uint64_t ns) { me(p).now += ns; };
    t.socket_rail = [](void* p, std::uint16_t mv, std::uint16_t limit) {
      me(p).socket_set = mv;
      me(p).socket_limit = limit;
      if (mv != 0 && me(p).lid_open) me(p).socket_ever_on_with_lid_open = true;
    };
    t.port_rail = [](void* p, std::uint16_t mv, std::uint16_t limit, std::uint16_t, bool data) {
      me(p).port_set = mv;
      me(p).port_limit = limit;
      me(p).data_lines = data;
    };
    t.meter = [](void* p, int which) { return me(p).meter(which); };
    t.contact_force = [](void* p, std::uint8_t position, std::int16_t ua) {
      ++me(p).forced;
      if (me(p).socket_set != 0 || me(p).port_set != 0) me(p).contact_with_rail_on = true;
      return static_cast<std::int16_t>((ua > 0 ? 1 : -1) * (500 + position));
    };
    t.contact_low = [](void* p, std::uint64_t low) {
      ++me(p).patterns;
      if (me(p).socket_set != 0 || me(p).port_set != 0) me(p).contact_with_rail_on = true;
      std::uint64_t out = low;
      for (const std::uint64_t net : me(p).nets)
        if ((net & low) != 0) out |= net;
      return out;
    };
    t.port_force = [](void* p, std::uint8_t line, std::int16_t ua, std::uint16_t) {
      me(p).port_ua_forced = ua;
      me(p).port_line = line;
      if (ua != 0) ++me(p).port_forced;
      if (ua != 0 && (me(p).socket_set != 0 || me(p).port_set != 0)) me(p).contact_with_rail_on = true;
    };
    t.port_sense = [](void* p, std::int32_t* uv, std::int32_t* na) {
      *uv = me(p).port_ua_forced != 0 ? me(p).port_ua_forced * 1000 + me(p).port_line : me(p).port_rest_mv * 1000;
      me(p).now += me(p).port_sense_ns;
      *na = me(p).port_ua_forced * 1000;
    };
    t.supply_start = [](void* p, std::uint8_t, std::uint32_t, std::uint32_t, std::uint16_t) { me(p).sampling = true; };
    t.supply_stop = [](void* p) { me(p).sampling = false; };
    t.supply_read = [](void* p, std::uint8_t kind, sc_sample* out, std::size_t room, std::uint64_t* first, std::uint32_t* dropped) {
      return me(p).fetch(kind, out, room, first, dropped);
    };
    t.send = [](void* p, const std::uint8_t* bytes, std::size_t n) { return me(p).send(bytes, n); };
    return t;
  }

 private:
  static RecordingHal& me(void* p) { return *static_cast<RecordingHal*>(p); }

  void token(char kind, int byte) {
    ++cycles;
    if (lines.empty()) lines.emplace_back();
    std::string& line = lines.back();
    if (byte < 0) {
      if (!line.ends_with("R ")) line += "R ";
      return;
    }
    char text[16];
    std::snprintf(text, sizeof text, "%c%02X ", kind, static_cast<unsigned>(byte));
    line += text;
  }
  void select(int target, std::uint32_t pass) {
    selected = target;
    if (target < 0) return;
    lines.emplace_back();
    target_seen = target;
    pass_seen = pass;
  }
  void command(std::uint8_t opcode) {
    token('C', opcode);
    commands_seen[opcode] = true;
    last_command_ = opcode;
    if (opcode == 0xFF) stuck_busy = stuck_busy && stuck_through_reset;
    if (opcode == 0xFF || opcode == 0x30 || opcode == 0x31 || opcode == 0x3F || opcode == 0xEC) {
      busy_begin_ = now + busy_from_ns;
      busy_end_ = busy_begin_ + busy_ns;
    }
  }
  void read(std::uint8_t* out, std::uint32_t n) {
    token('R', -1);
    for (std::uint32_t i = 0; i < n; ++i) {
      if (last_command_ == 0x70) out[i] = now >= busy_end_ && !stuck_busy ? 0xC0 : 0x80;
      else if (last_command_ == 0x90) out[i] = i < id.size() ? id[i] : 0;
      else out[i] = static_cast<std::uint8_t>(i * 7 + 1);
    }
  }
  bool ready() const {
    if (stuck_busy) return false;
    return stuck_ready || now < busy_begin_ || now >= busy_end_;
  }
  std::int32_t meter(int which) const {
    switch (which) {
      case SC_METER_SOCKET_MV: return socket_mv_override >= 0 ? socket_mv_override : socket_set != 0 ? socket_set : socket_rest_mv;
      case SC_METER_PORT_MV: return port_mv_override >= 0 ? port_mv_override : port_set != 0 ? port_set : port_rest_mv;
      case SC_METER_SOCKET_MA: return socket_ma;
      case SC_METER_PORT_UA: return port_ua;
      case SC_METER_WP_HIGH: return wp_high;
      case SC_METER_LID_OPEN: return lid_open;
      default: return 0;
    }
  }
  std::size_t fetch(std::uint8_t kind, sc_sample* out, std::size_t room, std::uint64_t* first, std::uint32_t* dropped) {
    *dropped = kind == 0 ? lost : 0;
    if (kind == 0) lost = 0;
    *first = now;
    const std::size_t n = std::min(room, due[kind]);
    due[kind] -= n;
    for (std::size_t i = 0; i < n; ++i) {
      out[i] = {};
      out[i].microamps = static_cast<std::int32_t>(i);
    }
    return n;
  }
  std::size_t send(const std::uint8_t* bytes, std::size_t n) {
    const std::size_t take = std::min(n, pipe_room);
    sent.insert(sent.end(), bytes, bytes + take);
    if (pipe_room != SIZE_MAX) pipe_room -= take;
    return take;
  }

 public:
  bool stuck_through_reset = true;

 private:
  std::uint8_t last_command_ = 0;
  std::uint64_t busy_begin_ = 0, busy_end_ = 0;
};
