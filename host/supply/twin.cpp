#include "supply/twin.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <limits>

namespace steadycell::supply {
namespace {

// Stages take a few percent more or less each time, so the later, the further two runs may drift apart.
constexpr double kBand = 60e-3, kBandAtStart = 3e-3, kBandGrowth = 0.15;
constexpr double kLongest = 4.0;
// What lasts less may be a stage that ended a little sooner than the path could follow.
constexpr double kForGood = 5e-3;
constexpr std::size_t kBurstWindow = 20;  // bins

// How unlike two bins are: in level, and in what bursts inside them.
double unlike(const Bin& a, const Bin& b) {
  return std::abs(static_cast<double>(a.mean_mA) - b.mean_mA) +
         std::abs(static_cast<double>(a.deviation_mA) - b.deviation_mA);
}

// For each bin of `a`, the bin of `b` it is matched with: the cheapest monotone path within the band.
std::vector<std::size_t> warp(const std::vector<Bin>& a, const std::vector<Bin>& b, std::size_t length, double bin_s) {
  enum : std::uint8_t { kBoth, kA, kB };
  constexpr double kNever = std::numeric_limits<double>::infinity();
  const auto bins_of = [&](double seconds) { return static_cast<std::size_t>(std::lround(seconds / bin_s)); };
  const std::size_t band = std::min(bins_of(kBand), length - 1), width = 2 * band + 1;
  std::vector<double> previous(width, kNever), row(width, kNever);
  std::vector<std::uint8_t> step(length * width, kBoth);
  // Column k of row i stands for bin i + k - band of b.
  for (std::size_t i = 0; i < length; ++i) {
    std::fill(row.begin(), row.end(), kNever);
    for (std::size_t k = 0; k < width; ++k) {
      if (i + k < band || i + k - band >= length) continue;
      const std::size_t j = i + k - band;
      const std::size_t apart = i > j ? i - j : j - i, later = std::max(i, j);
      if (apart > bins_of(kBandAtStart + kBandGrowth * static_cast<double>(later) * bin_s)) continue;
      const double both = i == 0 && j == 0 ? 0 : i > 0 ? previous[k] : kNever;
      const double only_a = i > 0 && k + 1 < width ? previous[k + 1] : kNever;
      const double only_b = k > 0 ? row[k - 1] : kNever;
      double best = both;
      std::uint8_t from = kBoth;
      if (only_a < best) best = only_a, from = kA;
      if (only_b < best) best = only_b, from = kB;
      if (best == kNever) continue;
      row[k] = best + unlike(a[i], b[j]);
      step[i * width + k] = from;
    }
    std::swap(previous, row);
  }
  std::vector<std::size_t> match(length, 0);
  for (std::size_t i = length - 1, k = band;;) {
    match[i] = i + k - band;
    const std::uint8_t from = step[i * width + k];
    if (from == kB && k > 0) {
      --k;
      continue;
    }
    if (i == 0) break;
    --i;
    if (from == kA) ++k;
  }
  return match;
}

// Bins of the last kBurstWindow up to `at` that burst.
std::size_t bursting(const Features& f, std::size_t at) {
  std::size_t count = 0;
  for (std::size_t i = at + 1 > kBurstWindow ? at + 1 - kBurstWindow : 0; i <= at; ++i)
    count += f.bins[i].deviation_mA > 3 * f.noise_mA + 0.3;
  return count;
}

std::string stage_of(const Features& twin, double at_s) {
  if (at_s < twin.ramp_s + 2e-3) return "is being switched on";
  if (twin.first_dense_s >= 0 && at_s < twin.first_dense_s - 5e-3) return "comes out of reset and runs its ROM";
  if (twin.first_dense_s >= 0 && at_s < twin.first_dense_s + twin.dense_ms * 1e-3) return "reads pages";
  if (twin.chirp_s && at_s > *twin.chirp_s - 10e-3) return "answers the USB host";
  return twin.first_dense_s >= 0 ? "runs its firmware" : "is running";
}

}  // namespace

std::optional<TwinComparison> compare(const Features& trace, const Features& twin) {
  if (!trace.t_on_s || !twin.t_on_s || trace.bin_s != twin.bin_s) return std::nullopt;
  const auto bins_of = [&](double seconds) { return static_cast<std::size_t>(std::lround(seconds / trace.bin_s)); };
  const std::size_t length = std::min({trace.bins.size(), twin.bins.size(), bins_of(kLongest)});
  if (length < 10) return std::nullopt;
  const auto match = warp(trace.bins, twin.bins, length, trace.bin_s);

  TwinComparison out;
  double difference = 0, level = 0;
  std::size_t apart = 0;
  const double noise =
      std::hypot(trace.noise_mA, twin.noise_mA) / std::sqrt(std::max(1.0, trace.bin_s / trace.sample_s));
  for (std::size_t i = 0; i < length; ++i) {
    const Bin &a = trace.bins[i], &b = twin.bins[match[i]];
    const double gap = std::abs(static_cast<double>(a.mean_mA) - b.mean_mA);
    difference += gap;
    level += std::abs(b.mean_mA);
    // Beyond noise, gain and what bursts inside the bins blur.
    const double blur = std::hypot(5 * noise, 0.05 * b.mean_mA + 1.0) + std::max(a.deviation_mA, b.deviation_mA);
    apart = gap > blur && a.samples > 0 && b.samples > 0 ? apart + 1 : 0;
    const std::size_t here = bursting(trace, i), there = bursting(twin, match[i]);
    const bool silent = std::min(here, there) * 8 < kBurstWindow && std::max(here, there) * 2 > kBurstWindow;
    if (!out.parts_s && (silent || apart >= std::max<std::size_t>(2, bins_of(kForGood)))) {
      const std::size_t back = std::min(i, silent ? kBurstWindow / 2 : apart - 1);
      out.parts_s = static_cast<double>(i - back) * trace.bin_s;
      out.stage = stage_of(twin, static_cast<double>(match[i - back]) * trace.bin_s);
    }
  }
  out.distance = level > 0 ? difference / level : 0;

  const auto compare_numbers = [&](std::string_view what, std::string_view unit, double here, double there,
                                   double blur) {
    if (std::abs(here - there) > blur)
      out.differences.push_back(fmt::format("{}: {:.1f} {}, twin {:.1f} {}", what, here, unit, there, unit));
  };
  const auto tolerance = [](const Measured& a, const Measured& b, double share) {
    return 4 * std::hypot(a.sigma, b.sigma) + share * std::max(std::abs(a.value), std::abs(b.value));
  };
  compare_numbers("input capacitance", "uF", trace.input_uF.value, twin.input_uF.value,
                  tolerance(trace.input_uF, twin.input_uF, 0.15));
  compare_numbers("charge at switch-on", "uC", trace.switch_on_uC.value, twin.switch_on_uC.value,
                  tolerance(trace.switch_on_uC, twin.switch_on_uC, 0.08));
  compare_numbers("level right behind switch-on", "mA", trace.first_level_mA.value, twin.first_level_mA.value, 10);
  compare_numbers("level in reset", "mA", trace.reset_mA, twin.reset_mA, 1 + 0.1 * twin.reset_mA);
  compare_numbers("page reads in a row", "ms", trace.dense_ms, twin.dense_ms, 10 + 0.2 * twin.dense_ms);
  compare_numbers("last level", "mA", trace.steady_mA.value, twin.steady_mA.value,
                  4 + 0.1 * std::abs(twin.steady_mA.value));
  return out;
}

std::optional<TwinReport> compare(const Features& trace, std::span<const Features> runs) {
  constexpr std::size_t kMostRuns = 5;
  // From boards drawn at random (tests/supply/twin_test.cpp): two runs of one board are 0.03 apart at the most, a faulty one 0.1
  // and more; a fourth run is up to 2.1 times as far as the first three are from each other, a faulty one 4.4 times and more.
  constexpr double kAssumed = 0.03, kLeast = 0.01, kAlike = 2.5;
  runs = runs.first(std::min(runs.size(), kMostRuns));
  TwinReport out;
  double nearest = std::numeric_limits<double>::infinity();
  std::size_t pairs = 0;
  for (std::size_t i = 0; i < runs.size(); ++i) {
    if (!runs[i].t_on_s) continue;
    double sum = 0;
    for (std::size_t j = 0; j < runs.size(); ++j) {
      if (i == j) continue;
      const auto apart = compare(runs[i], runs[j]);
      if (!apart) continue;
      ++pairs;
      sum += apart->distance;
      out.repeatability = std::max(out.repeatability, apart->distance);
    }
    if (sum < nearest) nearest = sum, out.run = i;
  }
  if (nearest == std::numeric_limits<double>::infinity()) return std::nullopt;
  auto beside = compare(trace, runs[out.run]);
  if (!beside) return std::nullopt;
  out.beside = std::move(*beside);
  out.assumed = pairs == 0;
  out.repeatability = out.assumed ? kAssumed : std::max(out.repeatability, kLeast);
  out.times = out.beside.distance / out.repeatability;
  // Stages of a good board fall differently each time: in a third of all pairs of its runs something is apart for 5 ms. What is
  // no further apart on the whole than its own runs has not parted.
  out.alike = out.times <= kAlike;
  if (out.alike) out.beside.parts_s.reset();
  return out;
}

std::string TwinReport::text() const {
  const std::string apart = fmt::format("{:.2f} apart, {:.1f} times what {} differ by", beside.distance, times,
                                        assumed ? "two runs of one board usually" : "two runs of the twin");
  if (beside.parts_s)
    return fmt::format("differs from the twin from {:.3f} s after switch-on, where the twin {}; {}", *beside.parts_s, beside.stage, apart);
  return alike ? fmt::format("follows the twin all along; {}", apart)
               : fmt::format("takes the same course as the twin, but not at the same level; {}", apart);
}

}  // namespace steadycell::supply
