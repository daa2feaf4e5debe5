#pragma once
#include <gtest/gtest.h>

#include <memory>
#include <optional>

#include "firmware_protocol/frames.h"
#include "firmware_protocol/recording_hal.h"

inline constexpr std::uint64_t kMs = 1'000'000;
inline constexpr std::size_t kSmallArena = SC_CORE_ARENA_FOR(2112) * 3;  // a few pages fill it

inline frames::Bytes port_on(unsigned flags = 0, unsigned limit_ma = 500) {
  return frames::Writer().u16(5000).u16(limit_ma).u16(10).u8(flags).u8(0).bytes;
}

// A device core on a recording HAL, and a host that speaks to it frame by frame.
class Bench {
 public:
  explicit Bench(std::size_t arena_bytes = 65536) : arena_(arena_bytes), table_(hal.table()) {
    identity_.capabilities = SCP_CAN_SOCKET | SCP_CAN_PORT | SCP_CAN_CONTACT | SCP_CAN_X16 | SCP_CAN_PORT_MEASURE;
    identity_.averaged_interval_ns = 100'000;
    identity_.burst_interval_ns = 4'000;
    identity_.targets = 4;
    sc_core_init(core.get(), &table_, &identity_, arena_.data(), arena_.size());
  }

  // Sends a request and returns its id.
  std::uint32_t send(scp_type type, const frames::Bytes& payload = {}) {
    const std::uint32_t id = ++last_id_;
    const frames::Bytes bytes = frames::encode(SCP_CHANNEL_COMMAND, type, sequence_++, id, payload);
    sc_core_receive(core.get(), bytes.data(), bytes.size());
    return id;
  }
  void receive(const frames::Bytes& bytes) { sc_core_receive(core.get(), bytes.data(), bytes.size()); }

  // Steps for so long, on the injected clock, taking in what the board says.
  void run_for(std::uint64_t ns) {
    const std::uint64_t until = hal.now + ns;
    for (;;) {
      for (int i = 0; i < 10000 && sc_core_step(core.get()); ++i) {
      }
      take_in();
      if (hal.now >= until) return;
      hal.advance(std::min<std::uint64_t>(1'000'000, until - hal.now));
    }
  }
  void take_in() {
    host.feed(hal.sent);
    hal.sent.clear();
  }

  // The answer to a request, if it has come.
  const frames::Frame* answer_to(std::uint32_t id) const {
    for (const frames::Frame& f : host.found)
      if (f.header.request_id == id && f.header.channel == SCP_CHANNEL_COMMAND) return &f;
    return nullptr;
  }
  struct Answer {
    unsigned status = 9999, detail = 0;
    frames::Bytes rest;
  };
  // Asks and waits for the answer, at most so long.
  Answer ask(scp_type type, const frames::Bytes& payload = {}, std::uint64_t ns = 50'000'000) {
    const std::uint32_t id = send(type, payload);
    const std::uint64_t until = hal.now + ns;
    do run_for(0);
    while (answer_to(id) == nullptr && (hal.advance(1'000'000), hal.now <= until));
    return read(id);
  }
  Answer read(std::uint32_t id) const {
    const frames::Frame* f = answer_to(id);
    if (f == nullptr || f->payload.size() < 4) return {};
    return {scp_get_u16(f->payload.data()), scp_get_u16(f->payload.data() + 2), {f->payload.begin() + 4, f->payload.end()}};
  }

  std::vector<frames::Frame> of(std::uint16_t type) const {
    std::vector<frames::Frame> all;
    for (const frames::Frame& f : host.found)
      if (f.header.type == type) all.push_back(f);
    return all;
  }
  bool event(scp_event kind) const {
    for (const frames::Frame& f : of(SCP_EVENT))
      if (scp_get_u16(f.payload.data()) == kind) return true;
    return false;
  }

  // Shorthands.
  void hello() { ASSERT_EQ(ask(SCP_HELLO, frames::Writer().u8(1).u8(1).u16(0).bytes).status, SCP_OK); }
  static frames::Bytes socket_on(unsigned mv, scp_ground ground, const frames::Bytes& id = {}, unsigned limit_ma = 100) {
    return frames::Writer().u16(mv).u16(limit_ma).u8(ground).u8(0).u8(static_cast<unsigned>(id.size())).raw(id).bytes;
  }
  void power_3v3() { ASSERT_EQ(ask(SCP_SOCKET_ON, socket_on(3300, SCP_GROUND_USER_WORD)).status, SCP_OK); }
  void power_1v8() { ASSERT_EQ(ask(SCP_SOCKET_ON, socket_on(1800, SCP_GROUND_PROBE)).status, SCP_OK); }
  static frames::Bytes load(unsigned slot, const frames::Bytes& program) {
    return frames::Writer().u8(slot).u8(0).u16(static_cast<unsigned>(program.size())).raw(program).bytes;
  }
  static frames::Bytes run(unsigned slot, std::uint32_t rows = 1, std::uint32_t first = 0, unsigned target = 0, std::uint32_t pass = 0,
                           std::uint32_t stride = 0, std::uint32_t groups = 1) {
    return frames::Writer().u8(slot).u8(target).u16(0).u32(pass).u32(first).u32(rows).u32(stride).u32(groups).bytes;
  }

  RecordingHal hal;
  frames::Collector host;
  std::unique_ptr<sc_core> core = std::make_unique<sc_core>();

 private:
  frames::Bytes arena_;
  sc_hal table_;
  sc_identity identity_{};
  std::uint32_t last_id_ = 0, sequence_ = 0;
};

// Bus programs, written out.
class Program {
 public:
  Program& command(unsigned opcode) { return add(SCP_OP_COMMAND).add(opcode); }
  Program& address(unsigned byte) { return add(SCP_OP_ADDRESS).add(byte); }
  Program& row() { return add(SCP_OP_ROW); }
  Program& wait(std::uint32_t us = 1000) { return number(SCP_OP_WAIT_RB, us); }
  Program& poll(std::uint32_t us = 1000) { return number(SCP_OP_WAIT_STATUS, us); }
  Program& read(std::uint32_t n) { return number(SCP_OP_READ, n); }
  Program& delay(std::uint32_t ns) { return number(SCP_OP_DELAY, ns); }
  Program& column(unsigned cycles = 2) {
    for (unsigned i = 0; i < cycles; ++i) address(0);
    return *this;
  }
  // 00h column row 30h and the wait.
  Program& page() { return command(0x00).column().row().command(0x30).wait(); }
  operator const frames::Bytes&() const { return writer_.bytes; }

 private:
  Program& add(unsigned byte) {
    writer_.u8(byte);
    return *this;
  }
  Program& number(unsigned op, std::uint32_t v) {
    writer_.u8(op).u32(v);
    return *this;
  }
  frames::Writer writer_;
};
