// BCH on every path beside the Linux kernel's software code, when KERNEL_BCH names the library that kernel_bch.sh builds.
//
// One iteration works through the same words, eight at a time, with each decoder in turn, so that what else the machine does
// hits all alike; of each decoder and eight words the least time counts. Counters: microseconds a word by decoder, and how many
// times faster than the kernel's code each path is ("x_..."). Both correct the data in place; the errors are put back within
// the time, alike for all.
#include <benchmark/benchmark.h>
#include <dlfcn.h>

#include <algorithm>
#include <chrono>
#include <cstdlib>
#include <map>
#include <numeric>
#include <random>
#include <set>

#include "ecc/bch.h"

namespace steadycell::ecc {
namespace {

struct Kernel {
  void* (*init)(int m, int t, unsigned polynomial, bool swap_bits) = nullptr;
  void (*encode)(void* code, const std::uint8_t* data, unsigned bytes, std::uint8_t* parity) = nullptr;
  int (*decode)(void* code, const std::uint8_t* data, unsigned bytes, const std::uint8_t* parity, const std::uint8_t*, const unsigned*,
                unsigned* places) = nullptr;
};

const Kernel* kernel() {
  static const Kernel loaded = [] {
    Kernel found;
    const char* const name = std::getenv("KERNEL_BCH");
    void* const library = name ? dlopen(name, RTLD_NOW) : nullptr;
    if (!library) return found;
    found.init = reinterpret_cast<decltype(found.init)>(dlsym(library, "bch_init"));
    found.encode = reinterpret_cast<decltype(found.encode)>(dlsym(library, "bch_encode"));
    found.decode = reinterpret_cast<decltype(found.decode)>(dlsym(library, "bch_decode"));
    return found;
  }();
  return loaded.init ? &loaded : nullptr;
}

constexpr std::size_t kWords = 64, kBatch = 8;
constexpr int kEncode = -2, kReject = -1;  // in place of a number of errors

struct Word {
  Bytes data, parity;
};

void flip(std::uint32_t data_bits, Word& word, std::uint32_t at) {
  const std::uint32_t bit = at < data_bits ? at : at - data_bits;
  std::uint8_t& byte = (at < data_bits ? word.data : word.parity)[bit / 8];
  byte = static_cast<std::uint8_t>(byte ^ (0x80u >> bit % 8));
}

std::vector<Word> make_words(const BchCode& code, int errors) {
  std::mt19937 random(7);
  std::vector<Word> words(kWords, {Bytes(code.data_bytes()), Bytes(code.parity_bytes())});
  for (Word& word : words) {
    for (auto& byte : word.data) byte = static_cast<std::uint8_t>(random());
    code.encode(word.data, word.parity);
    if (errors == kReject)
      for (auto& byte : word.parity) byte = static_cast<std::uint8_t>(random());
    std::set<std::uint32_t> places;
    while (static_cast<int>(places.size()) < errors) places.insert(static_cast<std::uint32_t>(random() % code.code_bits()));
    for (const std::uint32_t at : places) flip(code.data_bits(), word, at);
  }
  return words;
}

// Works through the words once and leaves them as they were; microseconds.
double ours(const BchCode& code, BchWorkspace& workspace, std::span<Word> words, int errors) {
  std::array<std::uint32_t, 72> places;
  const auto start = std::chrono::steady_clock::now();
  for (Word& word : words) {
    if (errors == kEncode) {
      code.encode(word.data, word.parity);
      continue;
    }
    const Decoded decoded = code.decode(word.data, word.parity, workspace, places);
    for (std::uint32_t i = 0; i < decoded.bits; ++i) flip(code.data_bits(), word, places[i]);
    benchmark::DoNotOptimize(decoded);
  }
  return std::chrono::duration<double, std::micro>(std::chrono::steady_clock::now() - start).count();
}

double theirs(void* code, std::uint32_t data_bits, std::span<Word> words, int errors) {
  std::array<unsigned, 72> places;
  const auto start = std::chrono::steady_clock::now();
  for (Word& word : words) {
    const auto bytes = static_cast<unsigned>(word.data.size());
    if (errors == kEncode) {
      std::fill(word.parity.begin(), word.parity.end(), std::uint8_t{0});
      kernel()->encode(code, word.data.data(), bytes, word.parity.data());
      continue;
    }
    const int found = kernel()->decode(code, word.data.data(), bytes, word.parity.data(), nullptr, nullptr, places.data());
    for (int twice = 0; twice < 2; ++twice)  // its places count from each byte's lowest bit
      for (int i = 0; i < found; ++i) flip(data_bits, word, places[static_cast<std::size_t>(i)] ^ 7);
    benchmark::DoNotOptimize(found);
  }
  return std::chrono::duration<double, std::micro>(std::chrono::steady_clock::now() - start).count();
}

void BM_Bch(benchmark::State& state) {
  const auto t = static_cast<unsigned>(state.range(0));
  const auto errors = static_cast<int>(state.range(1));
  const bool small = t <= 8;
  const BchShape shape{.m = small ? 13u : 14u, .t = t, .polynomial = small ? 0x201Bu : 0x402Bu, .data_bits = small ? 4096u : 8192u};
  std::vector<BchCode> codes;
  std::vector<BchWorkspace> workspaces;
  for (const BchPath path : bch_paths()) {
    codes.push_back(BchCode::make(shape, path).value());
    workspaces.emplace_back(codes.back());
  }
  std::vector<Word> words = make_words(codes[0], errors);
  void* const reference =
      kernel() ? kernel()->init(static_cast<int>(shape.m), static_cast<int>(t), shape.polynomial, false) : nullptr;
  std::map<std::string, std::array<double, kWords / kBatch>> least;
  const auto keep = [&least](const std::string& name, std::size_t batch, double time) {
    double& kept = least[name][batch];
    kept = kept == 0 ? time : std::min(kept, time);
  };
  for (auto _ : state)
    for (std::size_t batch = 0; batch < kWords / kBatch; ++batch) {
      const std::span<Word> some = std::span(words).subspan(batch * kBatch, kBatch);
      if (reference) keep("kernel", batch, theirs(reference, shape.data_bits, some, errors));
      for (std::size_t i = 0; i < codes.size(); ++i) keep(name_of(codes[i].path()), batch, ours(codes[i], workspaces[i], some, errors));
    }
  const auto of_a_word = [&](const std::string& name) { return std::accumulate(least[name].begin(), least[name].end(), 0.0) / kWords; };
  for (const BchCode& code : codes) {
    const std::string name = name_of(code.path());
    state.counters["us_" + name] = of_a_word(name);
    if (reference) state.counters["x_" + name] = of_a_word("kernel") / of_a_word(name);
  }
  if (reference) state.counters["us_kernel"] = of_a_word("kernel");
  state.SetLabel(errors == kEncode ? "encode" : errors == kReject ? "random words" : std::to_string(errors) + " errors");
}

void cases(benchmark::internal::Benchmark* bench) {
  for (const int t : {4, 8, 24, 40, 60})
    for (const int errors : {kEncode, 0, 1, t / 2, t, kReject}) bench->Args({t, errors});
}
BENCHMARK(BM_Bch)->Apply(cases)->Unit(benchmark::kMicrosecond);

}  // namespace
}  // namespace steadycell::ecc
