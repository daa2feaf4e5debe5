// What keeping a capture costs the host, beside what it cannot do without: copying the bytes and hashing them. On a disk in
// memory, so that the disk itself plays no part; the real disk is measured by the *OnDisk rows.
#include <benchmark/benchmark.h>

#include <cstring>
#include <filesystem>
#include <functional>

#include "files/memory_disk.h"
#include "passes/sample.h"

namespace steadycell::passes {
namespace {

Geometry large_page_chip() {
  Geometry g;
  g.page_bytes = 2048;
  g.spare_bytes = 64;
  g.pages_per_block = 64;
  g.blocks = 256;
  return g;
}

// Blocks of one pass; the same content in each, which the units' hashes do not care about.
struct Pass {
  Geometry geometry = large_page_chip();
  Bytes clean = block_content(geometry, 0, 1);
  std::vector<PageStatus> status = std::vector<PageStatus>(geometry.pages_per_block, PageStatus::read);
  std::uint64_t bytes() const { return geometry.block_raw_bytes() * geometry.blocks; }
};

void count(benchmark::State& state, std::uint64_t bytes) {
  state.SetBytesProcessed(static_cast<std::int64_t>(bytes * static_cast<std::uint64_t>(state.iterations())));
}

void BM_Copy(benchmark::State& state) {
  const Pass pass;
  Bytes out(pass.clean.size());
  for (auto _ : state)
    for (std::uint32_t block = 0; block < pass.geometry.blocks; ++block) {
      std::memcpy(out.data(), pass.clean.data(), out.size());
      benchmark::ClobberMemory();
    }
  count(state, pass.bytes());
}
BENCHMARK(BM_Copy)->Unit(benchmark::kMillisecond);

void BM_Sha256(benchmark::State& state) {
  const Pass pass;
  for (auto _ : state)
    for (std::uint32_t block = 0; block < pass.geometry.blocks; ++block) benchmark::DoNotOptimize(Sha256::of(pass.clean));
  count(state, pass.bytes());
}
BENCHMARK(BM_Sha256)->Unit(benchmark::kMillisecond);

// Pass 1 of a capture.
template <typename MakeDisk>
void append_first(benchmark::State& state, const MakeDisk& with_disk) {
  const Pass pass;
  for (auto _ : state)
    with_disk([&](files::FileSystem& disk, const std::string& folder) {
      auto writer = CaptureWriter::create(disk, folder, small_head(pass.geometry));
      for (std::uint32_t block = 0; writer && block < pass.geometry.blocks; ++block)
        if (!writer->append_unit(unit(block, 1), pass.clean, pass.status)) return state.SkipWithError("cannot append");
      if (!writer || !writer->finish()) state.SkipWithError("cannot write the capture");
    });
  count(state, pass.bytes());
}

void in_memory(const std::function<void(files::FileSystem&, const std::string&)>& work) {
  files::MemoryDisk disk;
  work(disk, "c");
}
void on_disk(const std::function<void(files::FileSystem&, const std::string&)>& work) {
  const std::string folder = (std::filesystem::temp_directory_path() / ("steadycell-bench-" + make_uuid())).string();
  work(files::posix(), folder);
  std::filesystem::remove_all(folder);
}

void BM_AppendPass1(benchmark::State& state) { append_first(state, in_memory); }
BENCHMARK(BM_AppendPass1)->Unit(benchmark::kMillisecond);
void BM_AppendPass1OnDisk(benchmark::State& state) { append_first(state, on_disk); }
BENCHMARK(BM_AppendPass1OnDisk)->Unit(benchmark::kMillisecond);

// Later passes against pass 1. Argument: bit errors in a million; the counter says what the pass costs of its size.
void BM_AppendLaterPass(benchmark::State& state) {
  const Pass pass;
  const Bytes noisy = block_content(pass.geometry, 0, 2, static_cast<double>(state.range(0)) * 1e-6);
  files::MemoryDisk disk;
  auto writer = CaptureWriter::create(disk, "c", small_head(pass.geometry));
  for (std::uint32_t block = 0; block < pass.geometry.blocks; ++block) (void)writer->append_unit(unit(block, 1), pass.clean, pass.status);
  std::uint32_t number = 1;
  for (auto _ : state) {
    if (++number > UnitIndex::kMaxPass) return state.SkipWithError("no passes left: ask for less time");
    for (std::uint32_t block = 0; block < pass.geometry.blocks; ++block)
      if (!writer->append_unit(unit(block, number), noisy, pass.status)) return state.SkipWithError("cannot append");
  }
  count(state, pass.bytes());
  state.counters["stored_percent"] = 100 * static_cast<double>(disk.content("c/pass-0002.dat").size()) / static_cast<double>(pass.bytes());
}
BENCHMARK(BM_AppendLaterPass)->Arg(1)->Arg(10)->Arg(100)->Arg(1000)->Unit(benchmark::kMillisecond);

// Reading a pass back, checked. Argument: the pass.
void BM_ReadPass(benchmark::State& state) {
  const Pass pass;
  const auto number = static_cast<std::uint32_t>(state.range(0));
  const Bytes noisy = block_content(pass.geometry, 0, 2, 1e-4);
  files::MemoryDisk disk;
  {
    auto writer = CaptureWriter::create(disk, "c", small_head(pass.geometry));
    for (std::uint32_t p = 1; p <= number; ++p)
      for (std::uint32_t block = 0; block < pass.geometry.blocks; ++block)
        (void)writer->append_unit(unit(block, p), p == 1 ? pass.clean : noisy, pass.status);
    (void)writer->finish();
  }
  auto reader = CaptureReader::open(disk, "c");
  Bytes raw(pass.clean.size());
  std::vector<PageStatus> status(pass.geometry.pages_per_block);
  for (auto _ : state)
    for (std::uint32_t block = 0; block < pass.geometry.blocks; ++block)
      if (!reader->read_unit(unit(block, number), raw, status)) return state.SkipWithError("cannot read");
  count(state, pass.bytes());
}
BENCHMARK(BM_ReadPass)->Arg(1)->Arg(2)->Unit(benchmark::kMillisecond);

}  // namespace
}  // namespace steadycell::passes
