// What the host alone costs from a board's frames to an image: a recorded board, said again without a process of
// its own. A chip that says it holds 64 GiB (pages of 16 KiB + 1280), 24 blocks of it read in 5 passes and settled
// with a BCH code of t = 40 over each KiB.
//
// The whole way, BM_ReadAndSettle, is what `chip read` and `capture settle` do one after the other: bytes of the link ->
// frames, CRC-32C checked -> units -> SHA-256, pass 1 stored whole and later ones as compressed difference, journal; then
// pass 1 and differences, each with its SHA-256 checked -> unpacked -> vote -> BCH -> verdicts, image with its hashes, corrections
// and margins.
// Reference of the same run: SHA-256 of the raw bytes once, by libcrypto, and copying them.
//
// Argument: on how many cores. `cpu_GB/s` is raw bytes over the processor time of all threads: what one core of
// its own would do. Files go where TMPDIR says; on a disk, it is part of the measurement.
#include <benchmark/benchmark.h>
#include <fmt/format.h>
#include <sched.h>

#include <boost/asio/co_spawn.hpp>
#include <boost/asio/io_context.hpp>
#include <chrono>
#include <cstdlib>
#include <cstring>
#include <ctime>
#include <filesystem>
#include <random>

#include "capture/read.h"
#include "chip/pages.h"
#include "ecc/page_code.h"
#include "ecc/scheme.h"
#include "link/replay.h"
#include "passes/head.h"
#include "settle/settle.h"
#include "simbench/session.h"

namespace steadycell {
namespace {

namespace asio = boost::asio;

constexpr std::uint32_t kBlocks = 24, kPasses = 5;
constexpr Geometry kGeometry{.page_bytes = 16384, .spare_bytes = 1280, .pages_per_block = 256, .blocks = kBlocks};

[[noreturn]] void stop(const std::string& why) {
  fmt::print(stderr, "{}\n", why);
  std::exit(1);
}

ecc::Scheme scheme() {
  ecc::Scheme scheme;
  scheme.m = 14;
  scheme.t = 40;
  scheme.polynomial = 0x402B;
  scheme.page_bytes = kGeometry.page_bytes;
  scheme.spare_bytes = kGeometry.spare_bytes;
  scheme.erased = ecc::ErasedAs::all_ff;
  for (std::uint32_t step = 0; step < 16; ++step)
    scheme.steps.push_back(
        {.data = {{step * 1024, 1024}}, .metadata = {}, .code = {{kGeometry.page_bytes + 64 + step * 70, 70}}});
  return scheme;
}

// Random pages with their code.
Bytes content() {
  auto code = ecc::PageCode::make(scheme());
  if (!code) stop(code.error().text());
  Bytes all(kGeometry.block_raw_bytes() * kBlocks, 0xFF);
  std::mt19937_64 random(1);
  for (std::size_t page = 0; page < kBlocks * kGeometry.pages_per_block; ++page) {
    const MutableByteSpan raw =
        MutableByteSpan(all).subspan(page * kGeometry.raw_page_bytes(), kGeometry.raw_page_bytes());
    for (std::size_t at = 0; at < kGeometry.page_bytes; at += 8) {
      const std::uint64_t word = random();
      std::memcpy(raw.data() + at, &word, 8);
    }
    code->encode(raw);
  }
  return all;
}

// ONFI 1.0, table 24: a good page that says 64 GiB.
Bytes parameter_page() {
  Bytes page = chip::testing::worked_page("MT29F64G08AKABAC5");
  page.resize(256);
  const MutableByteSpan at(page);
  store_u32(at.subspan(80), kGeometry.page_bytes);
  store_u16(at.subspan(84), static_cast<std::uint16_t>(kGeometry.spare_bytes));
  store_u32(at.subspan(92), kGeometry.pages_per_block);
  store_u32(at.subspan(96), 16384);
  page[100] = 1;
  page[101] = 0x23;
  chip::testing::seal(at);
  return chip::testing::repeated(page, 3);
}

simbench::Fixture fixture() {
  simbench::Fixture fixture;
  fixture.seed = 5;
  fixture.chip.emplace();
  fixture.chip->timing.mode = 5;
  fixture.chip->cells.marginal_fraction = 2e-4;
  fixture.chip->cells.flip_low = 0.05;
  fixture.chip->cells.flip_high = 0.3;
  simbench::TargetFixture target;
  target.id_bytes = {0x2C, 0x68, 0x04, 0x4A, 0xA9, 0, 0, 0};
  target.parameter_page = parameter_page();
  target.geometry = kGeometry;
  target.content = simbench::Content::of(content());
  fixture.chip->targets.push_back(target);
  return fixture;
}

using OpenLink = std::function<std::unique_ptr<link::Link>(const asio::any_io_executor&)>;

Result<capture::ReadResult> read(const std::string& folder, const OpenLink& open) {
  Result<capture::ReadResult> out = failure(ErrorCode::internal, "did not run");
  asio::io_context context;
  const auto body = [&]() -> asio::awaitable<void> {
    auto client = co_await board::BoardClient::connect(open(context.get_executor()), nullptr);
    if (!client) stop(client.error().text());
    capture::ReadOptions options;
    options.folder = folder;
    options.passes = kPasses;
    options.blocks = NumberRange{0, kBlocks - 1};
    options.consent = Millivolts(3300);
    out = co_await capture::read_chip(**client, files::posix(), std::move(options));
    co_await (*client)->close();
  };
  asio::co_spawn(context, body(), [](const std::exception_ptr& fault) {
    if (fault) std::rethrow_exception(fault);
  });
  context.run();
  return out;
}

// A folder of its own for as long as it lives.
struct Folder {
  std::string name =
      (std::filesystem::temp_directory_path() / ("steadycell-bench-" + passes::make_uuid())).string();
  Folder() { std::filesystem::create_directory(name); }
  Folder(const Folder&) = delete;
  Folder& operator=(const Folder&) = delete;
  ~Folder() { std::filesystem::remove_all(name); }
};

std::shared_ptr<const link::Recording> recording() {
  static const auto kept = [] {
    for (int tries = 1;; ++tries) {
      const Folder folder;
      simbench::SimSession session(fixture());
      const auto made = std::make_shared<link::Recording>();
      made->reserve(kGeometry.block_raw_bytes() * kBlocks * kPasses * 11 / 10);
      const auto done = read(folder.name + "/capture", [&](const asio::any_io_executor& executor) {
        return link::record(link::adopt_socket(executor, session.take_host_fd(), "board"), made);
      });
      if (done) return std::shared_ptr<const link::Recording>(made);
      // On a machine that is very busy the board may hear nothing for 500 ms, and switches off.
      if (tries == 5) stop(done.error().text());
    }
  }();
  return kept;
}
capture::ReadResult read_replayed(const std::string& folder) {
  auto done = read(folder, [](const asio::any_io_executor& executor) { return link::replay(executor, recording()); });
  if (!done) stop(done.error().text());
  return std::move(*done);
}

// This thread and those it makes stay on the first `count` cores that they may use.
class OnCores {
 public:
  explicit OnCores(std::int64_t count) {
    sched_getaffinity(0, sizeof before_, &before_);
    cpu_set_t chosen;
    CPU_ZERO(&chosen);
    for (std::size_t core = 0; core < CPU_SETSIZE && count > 0; ++core)
      if (CPU_ISSET(core, &before_)) {
        CPU_SET(core, &chosen);
        --count;
      }
    sched_setaffinity(0, sizeof chosen, &chosen);
  }
  OnCores(const OnCores&) = delete;
  OnCores& operator=(const OnCores&) = delete;
  ~OnCores() { sched_setaffinity(0, sizeof before_, &before_); }

 private:
  cpu_set_t before_;
};

double processor_seconds(clockid_t whose = CLOCK_PROCESS_CPUTIME_ID) {
  timespec used{};
  clock_gettime(whose, &used);
  return static_cast<double>(used.tv_sec) + static_cast<double>(used.tv_nsec) * 1e-9;
}

std::string told(const passes::StageTimes& times) {
  std::string text;
  for (const passes::StageTimes::Stage& stage : times.stages())
    text += fmt::format(" {} {:.0f} ms,", stage.name, stage.seconds() * 1e3);
  return text;
}

// Wall and processor time since it was made.
struct Watch {
  std::chrono::steady_clock::time_point began = std::chrono::steady_clock::now();
  double used_before = processor_seconds(), used_here_before = processor_seconds(CLOCK_THREAD_CPUTIME_ID);
  double wall() const { return std::chrono::duration<double>(std::chrono::steady_clock::now() - began).count(); }
  double used() const { return processor_seconds() - used_before; }
  // By the calling thread.
  double used_here() const { return processor_seconds(CLOCK_THREAD_CPUTIME_ID) - used_here_before; }
};

struct Cost {
  double wall = 0, used = 0;
  std::string told;
};

Cost read_once(const std::string& folder) {
  const Watch watch;
  const capture::ReadResult done = read_replayed(folder);
  return {watch.wall(), watch.used(),
          fmt::format("transfer thread {:.0f} ms;{}", done.transfer_thread_seconds * 1e3, told(done.writing))};
}

Cost settle_once(const std::string& capture, const std::string& image) {
  const Watch watch;
  const auto done = settle::settle(
      files::posix(),
      {.capture = capture, .image = image, .scheme = ecc::to_json(scheme()), .version = "0", .build = "bench"});
  if (!done) stop(done.error().text());
  const image::VerdictCounts& pages = done->manifest.summary;
  return {watch.wall(), watch.used(),
          fmt::format("{} pages confirmed, {} corrected; settling thread {:.0f} ms of processor;{}", pages.of(image::Verdict::confirmed),
                      pages.of(image::Verdict::corrected), watch.used_here() * 1e3, told(done->times))};
}

// `round` does all passes once.
template <typename Round>
void measure(benchmark::State& state, const Round& round) {
  (void)recording();
  const OnCores cores(state.range(0));
  const std::uint64_t raw = kGeometry.block_raw_bytes() * kBlocks * kPasses;
  double used = 0, least = 1e9;
  std::string said;
  for (auto _ : state) {
    const Folder folder;
    const Cost cost = round(folder.name);
    state.SetIterationTime(cost.wall);
    used += cost.used;
    least = std::min(least, cost.used);
    said = cost.told;
  }
  const auto total = static_cast<double>(raw) * static_cast<double>(state.iterations());
  state.SetBytesProcessed(static_cast<std::int64_t>(total));
  state.counters["cpu_GB/s"] = total / used * 1e-9;
  state.counters["best_cpu_GB/s"] = static_cast<double>(raw) / least * 1e-9;
  state.SetLabel(said);
}

void BM_Read(benchmark::State& state) {
  measure(state, [](const std::string& folder) { return read_once(folder + "/capture"); });
}
void BM_Settle(benchmark::State& state) {
  const Folder kept;
  (void)read_replayed(kept.name + "/capture");
  measure(state,
          [&](const std::string& folder) { return settle_once(kept.name + "/capture", folder + "/image"); });
}
void BM_ReadAndSettle(benchmark::State& state) {
  measure(state, [](const std::string& folder) {
    const Cost reading = read_once(folder + "/capture"), settling = settle_once(folder + "/capture", folder + "/image");
    return Cost{reading.wall + settling.wall, reading.used + settling.used,
                fmt::format("reading {:.0f} ms of processor, {:.0f} ms; settling {:.0f} ms, {:.0f} ms", reading.used * 1e3,
                            reading.wall * 1e3, settling.used * 1e3, settling.wall * 1e3)};
  });
}

// What one step that nothing leaves out takes for each raw byte, by libcrypto alone; and moving the bytes at all.
template <typename Use>
void go_through_units(benchmark::State& state, const Use& use) {
  const Bytes units(kGeometry.block_raw_bytes() * kBlocks, 0x5A);
  measure(state, [&](const std::string&) {
    const Watch watch;
    for (std::uint32_t pass = 0; pass < kPasses; ++pass)
      for (std::uint32_t block = 0; block < kBlocks; ++block)
        use(ByteSpan(units).subspan(block * kGeometry.block_raw_bytes(), kGeometry.block_raw_bytes()));
    return Cost{watch.wall(), watch.used(), {}};
  });
}
void BM_ReferenceSha256(benchmark::State& state) {
  go_through_units(state, [](ByteSpan unit) { benchmark::DoNotOptimize(Sha256::of(unit)); });
}
void BM_ReferenceCopy(benchmark::State& state) {
  Bytes out(kGeometry.block_raw_bytes());
  go_through_units(state, [&](ByteSpan unit) {
    std::memcpy(out.data(), unit.data(), unit.size());
    benchmark::ClobberMemory();
  });
}
BENCHMARK(BM_ReferenceSha256)->Arg(1)->UseManualTime()->Unit(benchmark::kMillisecond);
BENCHMARK(BM_ReferenceCopy)->Arg(1)->UseManualTime()->Unit(benchmark::kMillisecond);
BENCHMARK(BM_Read)->Arg(1)->Arg(2)->UseManualTime()->Unit(benchmark::kMillisecond);
BENCHMARK(BM_Settle)->Arg(1)->Arg(2)->UseManualTime()->Unit(benchmark::kMillisecond);
BENCHMARK(BM_ReadAndSettle)->Arg(1)->Arg(2)->UseManualTime()->Unit(benchmark::kMillisecond);

}  // namespace
}  // namespace steadycell
