// How fast the simulated board streams pages into a host that only drains: it must never hide the host's own cost.
#include <benchmark/benchmark.h>

#include "fixtures/bench.h"
#include "fixtures/raw_host.h"
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

}  // namespace
}  // namespace steadycell::simbench::testing
