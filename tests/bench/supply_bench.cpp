// From samples to diagnosis: how long a 1.2 s trace takes, and that the cost grows with its length alone.
#include <benchmark/benchmark.h>

#include "measure/trace_file.h"
#include "supply/board_model.h"
#include "supply/diagnosis.h"

namespace steadycell::supply::test {
namespace {

// Argument: length of the trace in tenths of a second.
void BM_Diagnose(benchmark::State& state) {
  Random random(1);
  Bench bench;
  bench.end_s = static_cast<double>(state.range(0)) / 10;
  std::vector<Block> load;
  boot(load, random, {}, 0.0225, bench.end_s, Boot::whole, true);
  const auto samples = simulate({}, bench, {}, load, random);
  for (auto _ : state) {
    const Features features = features_of(samples);
    benchmark::DoNotOptimize(diagnose(features, {}, {}, nullptr, nullptr));
  }
  state.SetItemsProcessed(state.iterations() * static_cast<std::int64_t>(samples.size()));
}
// The same from the packed file that a user names: 12 000 samples of 1.2 s.
void BM_DiagnoseFile(benchmark::State& state) {
  for (auto _ : state) {
    const auto trace = measure::load_trace(files::posix(), STEADYCELL_TEST_DATA "/current/s031.csv.gz", {});
    if (!trace) return state.SkipWithError(trace.error().text().c_str());
    benchmark::DoNotOptimize(diagnose(trace->features, trace->header, {}, nullptr, nullptr));
  }
}
BENCHMARK(BM_DiagnoseFile)->Unit(benchmark::kMillisecond);
BENCHMARK(BM_Diagnose)->Arg(12)->Arg(48)->Arg(192)->Arg(768)->Unit(benchmark::kMillisecond);

}  // namespace
}  // namespace steadycell::supply::test
