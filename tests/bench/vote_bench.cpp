// The vote against what memory allows. Everything is measured in turns within one run, so that a busy machine hurts all alike: a
// counter a bit, the plain reference, each path of the kernels, and the floor: a loop that reads the same N streams and writes the same
// outputs, with hardly any arithmetic between. Run by hand; prints GB/s of input and ratios. Arguments: repeats (9), least milliseconds of
// one measurement (15).
#include <fmt/format.h>
#include <time.h>

#include <algorithm>
#include <functional>
#include <memory>
#include <random>
#include <string>
#include <vector>

#include "vote/majority.h"
#include "vote/path.h"
#include "vote/plain.h"
#include "bench/read_and_write.h"

namespace steadycell::vote {
namespace {

// Time of the processor, so that others on the machine count only by what they leave in its caches.
double now() {
  timespec time{};
  ::clock_gettime(CLOCK_THREAD_CPUTIME_ID, &time);
  return static_cast<double>(time.tv_sec) + static_cast<double>(time.tv_nsec) * 1e-9;
}

struct Options {
  int repeats = 9;
  double least_seconds = 0.015;
};

// Buffers of N passes and the outputs, each on a page of its own.
class Unit {
 public:
  Unit(std::size_t votes, std::size_t page_bytes, std::size_t pages, bool margins) : bytes_(page_bytes * pages), counts_(pages) {
    std::mt19937_64 random(votes);
    const std::size_t planes = margins ? dissent_planes(static_cast<std::uint32_t>(votes)) : 0;
    stride_ = (bytes_ + 4095) / 4096 * 4096 + 4096 + 256;  // streams that begin alike would meet in the same lines of the cache
    memory_ = std::make_unique<std::uint8_t[]>(stride_ * (votes + 2 + planes) + 4096);
    auto* const first = reinterpret_cast<std::uint8_t*>((reinterpret_cast<std::uintptr_t>(memory_.get()) + 4095) / 4096 * 4096);
    for (std::size_t stream = 0; stream < votes + 2 + planes; ++stream) streams_.emplace_back(first + stream * stride_, bytes_);
    for (std::size_t at = 0; at + 8 <= bytes_; at += 8) store_u64(streams_[0].subspan(at), random());
    for (std::size_t vote = 1; vote < votes; ++vote) std::copy(streams_[0].begin(), streams_[0].end(), streams_[vote].begin());
    // One bit in ten thousand reads wrong.
    for (std::size_t vote = 0; vote < votes; ++vote)
      for (std::size_t flips = bytes_ * 8 / 10'000; flips-- > 0;)
        streams_[vote][random() % bytes_] ^= static_cast<std::uint8_t>(1U << random() % 8);
    for (std::size_t vote = 0; vote < votes; ++vote) reads_.emplace_back(streams_[vote]);
    outputs_.assign(streams_.begin() + static_cast<std::ptrdiff_t>(votes), streams_.end());
  }
  void vote() { vote_unit(reads_, {outputs_[0], outputs_[1], counts_, std::span(outputs_).subspan(2)}); }
  void plain() { plain::majority(reads_, outputs_[0], outputs_[1]); }
  void counter() { count_each_bit(reads_, outputs_[0], outputs_[1]); }
  void floor() { read_and_write(reads_, outputs_); }
  double bytes() const { return static_cast<double>(bytes_ * reads_.size()); }

 private:
  std::size_t bytes_, stride_;
  std::unique_ptr<std::uint8_t[]> memory_;
  std::vector<MutableByteSpan> streams_, outputs_;
  std::vector<ByteSpan> reads_;
  std::vector<PageVote> counts_;
};

double seconds_of(const std::function<void()>& work, double least) {
  std::size_t times = 0;
  const double begin = now();
  double taken = 0;
  do {
    work();
    ++times;
    taken = now() - begin;
  } while (taken < least);
  return taken / static_cast<double>(times);
}

double median(std::vector<double> values) {
  std::nth_element(values.begin(), values.begin() + static_cast<std::ptrdiff_t>(values.size() / 2), values.end());
  return values[values.size() / 2];
}

struct Place {
  const char* name;
  std::size_t page_bytes, pages;
};

// One row: GB/s from the best repeat of each, ratios as medians over the repeats of what was measured side by side.
void measure(const Place& place, std::size_t votes, bool margins, const Options& options, bool with_plain) {
  Unit unit(votes, place.page_bytes, place.pages, margins);
  const std::vector<Path> all = paths();
  std::vector<std::vector<double>> path_seconds(all.size());
  std::vector<double> floor_seconds, plain_seconds, counter_seconds;
  for (int repeat = 0; repeat < options.repeats; ++repeat) {
    floor_seconds.push_back(seconds_of([&] { unit.floor(); }, options.least_seconds));
    for (std::size_t path = 0; path < all.size(); ++path) {
      use(all[path]);
      path_seconds[path].push_back(seconds_of([&] { unit.vote(); }, options.least_seconds));
    }
    if (!with_plain) continue;
    counter_seconds.push_back(seconds_of([&] { unit.counter(); }, options.least_seconds));
    plain_seconds.push_back(seconds_of([&] { unit.plain(); }, options.least_seconds));
  }
  use(std::nullopt);
  const auto rate = [&](const std::vector<double>& seconds) {
    return unit.bytes() / *std::min_element(seconds.begin(), seconds.end()) * 1e-9;
  };
  const auto ratio = [&](const std::vector<double>& of, const std::vector<double>& to) {
    std::vector<double> each;
    for (std::size_t at = 0; at < of.size(); ++at) each.push_back(to[at] / of[at]);
    return median(each);
  };
  std::string line = fmt::format("{:<7} N={:<3} {:<8} floor {:6.1f}", place.name, votes, margins ? "margins" : "", rate(floor_seconds));
  for (std::size_t path = 0; path < all.size(); ++path) {
    line += fmt::format(" | {} {:6.1f} = {:.2f} of the floor", to_text(all[path]), rate(path_seconds[path]),
                        ratio(path_seconds[path], floor_seconds));
    if (with_plain) line += fmt::format(", {:.0f} x the counter", ratio(path_seconds[path], counter_seconds));
  }
  if (with_plain) line += fmt::format(" | counter {:.2f}, plain {:.2f}", rate(counter_seconds), rate(plain_seconds));
  fmt::print("{}\n", line);
  std::fflush(stdout);
}

}  // namespace
}  // namespace steadycell::vote

int main(int argc, char** argv) {
  using namespace steadycell::vote;
  Options options;
  if (argc > 1) options.repeats = std::max(1, std::atoi(argv[1]));
  if (argc > 2) options.least_seconds = std::atof(argv[2]) * 1e-3;
  fmt::print("GB/s of input, best of {} repeats in turns; ratios: medians\n", options.repeats);
  const Place in_cache{"L2", 17664, 1}, in_memory{"memory", 17664, 1024}, small{"2112 B", 2112, 8}, odd{"2111 B", 2111, 8};
  for (const bool margins : {false, true})
    for (const std::size_t votes : {3U, 4U, 5U, 7U, 9U, 15U, 31U}) measure(in_cache, votes, margins, options, true);
  for (const std::size_t votes : {5U, 9U, 15U}) {
    measure(small, votes, false, options, false);
    measure(odd, votes, false, options, false);
  }
  for (const bool margins : {false, true})
    for (const std::size_t votes : {5U, 7U, 9U, 15U}) measure(in_memory, votes, margins, options, false);
}
