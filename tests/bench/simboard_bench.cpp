// How fast the simulated board streams pages into a host that only drains, over a stream socket and over USB/IP: it must never hide the
// host's own cost. BM_StreamPages/0 is the reference for BM_StreamPagesOverUsb.
#include <benchmark/benchmark.h>

#include <deque>

#include "fixtures/bench.h"
#include "fixtures/raw_host.h"
#include "fixtures/usbip_client.h"
#include "simbench/session.h"

namespace steadycell::simbench::testing {
namespace {

constexpr std::uint32_t kPagesARun = 4096;
constexpr std::size_t kFrameBytes = SCP_HEADER_BYTES + 20 + 2112 + SCP_TRAILER_BYTES;

// Argument: share of marginal cells in millionths.
void BM_StreamPages(benchmark::State& state) {
  Fixture f = plain_fixture();
  f.chip->targets[0].geometry.blocks = kPagesARun / 64;
  f.chip->targets[0].content = Content::of(numbered_pages(f.chip->targets[0].geometry, kPagesARun));
  f.chip->cells.marginal_fraction = static_cast<double>(state.range(0)) * 1e-6;
  f.chip->cells.flip_low = 0.05;
  f.chip->cells.flip_high = 0.5;
  SimSession bench(f);
  const int fd = bench.take_host_fd();
  RawHost host(fd);
  host.hello();
  host.socket_on(3300);
  host.bus(4);
  host.load(reset_program(), 0);
  host.load(page_program(2112), 2);
  host.run(0, 0, 0, 0, 1);
  Bytes buffer(1 << 20);
  std::uint32_t pass = 0;
  for (auto _ : state) {
    host.send(SCP_PROGRAM_RUN, RawHost::run_payload(2, 0, ++pass, 0, kPagesARun, kPagesARun, 1));
    // The answer to the request, the pages, the end of the run.
    std::size_t left = (SCP_HEADER_BYTES + 4 + SCP_TRAILER_BYTES) + kPagesARun * kFrameBytes + (SCP_HEADER_BYTES + 12 + SCP_TRAILER_BYTES);
    while (left > 0) {
      const ssize_t got = ::recv(fd, buffer.data(), std::min(left, buffer.size()), 0);
      if (got <= 0) return state.SkipWithError("the board went away");
      left -= static_cast<std::size_t>(got);
    }
  }
  if (!bench.board().violations().empty()) state.SkipWithError("a chip rule was broken");
  state.SetBytesProcessed(static_cast<std::int64_t>(state.iterations()) * kPagesARun * 2112);
}
BENCHMARK(BM_StreamPages)->Arg(0)->Arg(2000)->UseRealTime()->Unit(benchmark::kMillisecond);

void BM_StreamPagesOverUsb(benchmark::State& state) {
  Fixture f = plain_fixture();
  f.chip->targets[0].geometry.blocks = kPagesARun / 64;
  f.chip->targets[0].content = Content::of(numbered_pages(f.chip->targets[0].geometry, kPagesARun));
  UsbBench bench(f);
  UsbIpClient& host = *bench.client;
  const auto ask = [&](std::uint16_t type, const Bytes& payload) {
    host.out(1, host.request(type, payload));
    host.in(1, 16384);
  };
  const auto load = [&](std::uint8_t slot, const Bytes& program) {
    Bytes payload{slot, 0, static_cast<std::uint8_t>(program.size()), 0};
    payload.insert(payload.end(), program.begin(), program.end());
    ask(SCP_PROGRAM_LOAD, payload);
  };
  host.configure();
  ask(SCP_HELLO, {1, 1, 0, 0});
  ask(SCP_SOCKET_ON, {0xE4, 0x0C, 100, 0, SCP_GROUND_USER_WORD, 0, 0});
  ask(SCP_BUS_SETUP, {4, 8, SCP_LARGE_PAGE, 2, 3, 0, 0, 0});
  load(0, reset_program());
  load(2, page_program(2112));
  ask(SCP_PROGRAM_RUN, RawHost::run_payload(0, 0, 0, 0, 1, 1, 1));
  std::uint32_t pass = 0;
  std::deque<std::uint32_t> waiting;
  for (int i = 0; i < 8; ++i) waiting.push_back(host.submit(1, true, 65536));
  for (auto _ : state) {
    const std::uint32_t run = host.submit(1, false, SCP_HEADER_BYTES + 24 + SCP_TRAILER_BYTES,
                                          host.request(SCP_PROGRAM_RUN, RawHost::run_payload(2, 0, ++pass, 0, kPagesARun, kPagesARun, 1)));
    std::size_t left = (SCP_HEADER_BYTES + 4 + SCP_TRAILER_BYTES) + kPagesARun * kFrameBytes + (SCP_HEADER_BYTES + 12 + SCP_TRAILER_BYTES);
    while (left > 0) {
      const auto reply = host.next();
      if (!reply) return state.SkipWithError("the board went away");
      if (reply->sequence == run) continue;
      waiting.pop_front();
      waiting.push_back(host.submit(1, true, 65536));
      left -= reply->data.size();
    }
  }
  if (!bench.board.violations().empty()) state.SkipWithError("a chip rule was broken");
  state.SetBytesProcessed(static_cast<std::int64_t>(state.iterations()) * kPagesARun * 2112);
}
BENCHMARK(BM_StreamPagesOverUsb)->UseRealTime()->Unit(benchmark::kMillisecond);

}  // namespace
}  // namespace steadycell::simbench::testing
