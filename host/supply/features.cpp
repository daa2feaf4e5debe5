#include "supply/features.h"

#include <algorithm>
#include <cmath>
#include <deque>
#include <numbers>

#include "supply/boot.h"
#include "supply/switch_on.h"
#include "supply/watch.h"

namespace steadycell::supply {
namespace {

constexpr std::size_t kFirst = 64;          // samples that settle noise and sampling interval
constexpr std::size_t kMostBefore = 16384;  // samples kept from before power
constexpr std::size_t kMostBehind = 32768;  // and from the first 60 ms behind it
constexpr double kHead = 60e-3, kTail = 0.1, kBin = 1e-3;
// Hum and drift change little within this; power does, and within one period of hum nothing of it is new.
constexpr double kSudden_s = 0.4e-3, kHumPeriod_s = 25e-3;
constexpr double kByChance = 1e-4;  // a run of equal samples less likely than this is no chance
constexpr std::size_t kMostBins = 16384;
// A first level that cannot be the zero of the current: no amplifier's zero is off by 20 mA while the voltage is
// beyond what a channel is off by, nor a clamp's by 100 mA. Common practice, no source.
constexpr double kNoZero_mA = 20, kNoZeroAlone_mA = 100, kNoZero_V = 0.1;
constexpr std::size_t kFewestBefore = 2;  // samples, for a switch-on that is seen

}  // namespace

struct Analyzer::State {
  TraceHeader known;
  std::vector<Sample> first;  // until there are enough to start
  bool started = false;

  double start_s = 0, last_s = 0, sample_s = 0;
  double noise_mA = 0, rest_mA = 0, rest_V = 0, rest_V_noise = 0;  // first guesses, from `first`
  Features out;
  std::vector<Sample> head;  // before power, then the first moments
  std::size_t before = 0;    // samples of head that stand before power
  std::uint32_t rising = 0;  // samples in a row that look powered
  std::deque<Sample> young, wander;  // of just now; and older, falling from the highest: what hum and drift reach without power
  std::optional<double> t_on;
  std::optional<BinGatherer> bins;
  std::optional<Watch> watch;
  double baseline = 0;
  std::deque<Sample> tail;
  double highest_mA = -1e300;  // and how often it stood in a row
  std::size_t at_highest = 0, longest_at_highest = 0;

  void start();
  void take(const Sample& s);
  void look_for_power(const Sample& s);
  double highest_wander(const Sample& s);
  void power_found(double at_s);
  void behind_power(const Sample& s);
  void watch_highest(double mA);
  std::optional<double> clipped_at() const;
};

namespace {

// Samples before power that a few numbers describe.
struct Rest {
  double mean_mA = 0, sigma_mA = 0;
};

// How surely the mean of `rest` is the zero. White noise averages out; hum and drift do not, which the means of 1 ms show.
Rest rest_of(std::span<const Sample> rest, double noise_mA, double sample_s) {
  const auto mean_of = [](std::span<const Sample> part) {
    double sum = 0;
    for (const Sample& s : part) sum += s.mA;
    return sum / static_cast<double>(part.size());
  };
  Rest out;
  out.mean_mA = mean_of(rest);
  out.sigma_mA = noise_mA / std::sqrt(static_cast<double>(rest.size()));
  constexpr std::size_t kFewest = 8;  // means, for a spread worth the name
  const std::size_t block = std::max<std::size_t>(1, static_cast<std::size_t>(std::lround(kBin / std::max(sample_s, 1e-9))));
  const std::size_t blocks = rest.size() / block;
  if (block > 1 && blocks >= kFewest) {
    double squares = 0;
    for (std::size_t i = 0; i < blocks; ++i) squares += std::pow(mean_of(rest.subspan(i * block, block)) - out.mean_mA, 2);
    const double count = static_cast<double>(blocks), spread = squares / (count - 1),
                 white = noise_mA * noise_mA / static_cast<double>(block);
    // The spread of so few means is itself known to sqrt(2 / n): what may be chance is no wander.
    if (spread > white * (1 + 4 * std::sqrt(2 / count))) out.sigma_mA = std::hypot(out.sigma_mA, std::sqrt(spread - white));
  }
  return out;
}

// The step of a converter so coarse that noise does not reach across it, so that averaging does not find the zero between two steps; 0
// where the values lie on no grid, or there are too few to tell.
double coarse_step(std::span<const Sample> samples, double noise_mA) {
  constexpr std::size_t kFewest = 4;
  std::vector<double> values;
  for (const Sample& s : samples) values.push_back(s.mA);
  std::sort(values.begin(), values.end());
  values.erase(std::unique(values.begin(), values.end(), [](double a, double b) { return b - a < 1e-9; }), values.end());
  if (values.size() < kFewest) return 0;
  double step = values.back() - values.front();
  for (std::size_t i = 1; i < values.size(); ++i) step = std::min(step, values[i] - values[i - 1]);
  if (noise_mA > step / 2) return 0;
  const bool grid = std::all_of(values.begin(), values.end(), [&](double v) {
    const double n = (v - values.front()) / step;
    return std::abs(n - std::round(n)) < 0.05;
  });
  return grid ? step : 0;
}

bool no_zero(double mA, double volts) {
  return mA > (volts > kNoZero_V ? kNoZero_mA : kNoZeroAlone_mA);
}

}  // namespace

void Analyzer::State::watch_highest(double mA) {
  if (mA > highest_mA) {
    highest_mA = mA;
    at_highest = longest_at_highest = 1;
  } else {
    at_highest = mA < highest_mA ? 0 : at_highest + 1;
    longest_at_highest = std::max(longest_at_highest, at_highest);
  }
}

// A converter at the end of its range gives the same value again and again. Noise would not: how often two samples in a row agree by chance
// is seen before power. Nothing where the noise does not reach from one step of the converter to the next.
std::optional<double> Analyzer::State::clipped_at() const {
  constexpr std::size_t kFewest = 4;
  if (before < 32 || longest_at_highest < kFewest || highest_mA - baseline < 20 * noise_mA) return std::nullopt;
  std::size_t equal = 0;
  for (std::size_t i = 1; i < before; ++i) equal += head[i].mA == head[i - 1].mA;
  const double chance = std::max(0.05, static_cast<double>(equal) / static_cast<double>(before - 1));
  if (std::pow(chance, static_cast<double>(longest_at_highest - 1)) > kByChance) return std::nullopt;
  return highest_mA;
}

Analyzer::Analyzer(const TraceHeader& known) : state_(std::make_unique<State>()) {
  state_->known = known;
}
Analyzer::~Analyzer() = default;
Analyzer::Analyzer(const Analyzer& other) : state_(std::make_unique<State>(*other.state_)) {}
Analyzer::Analyzer(Analyzer&&) noexcept = default;
Analyzer& Analyzer::operator=(Analyzer&&) noexcept = default;

void Analyzer::add(const Sample& sample) {
  State& s = *state_;
  if (s.started) return s.take(sample);
  s.first.push_back(sample);
  if (s.first.size() == kFirst) s.start();
}

// The middle interval of the first samples is the sampling interval: a gap or a rounded time among them does no
// harm.
void Analyzer::State::start() {
  started = true;
  if (first.empty()) return;
  std::vector<double> intervals, currents, volts;
  for (std::size_t i = 1; i < first.size(); ++i) intervals.push_back(first[i].time_s - first[i - 1].time_s);
  sample_s = intervals.empty() ? kBin : median_of(intervals);
  for (std::size_t i = 0; i < std::min<std::size_t>(first.size(), 8); ++i) {
    currents.push_back(first[i].mA);
    volts.push_back(first[i].volts);
  }
  // Rounded times: the mean over all is finer than the median of one.
  const double mean = first.size() > 1
                          ? (first.back().time_s - first.front().time_s) / static_cast<double>(first.size() - 1)
                          : kBin;
  if (std::abs(mean - sample_s) < 0.05 * sample_s) sample_s = mean;
  rest_mA = median_of(currents);
  rest_V = median_of(volts);
  noise_mA = noise_of(first);
  start_s = last_s = first.front().time_s;
  // Only a few samples before power: those are the rest, not what stands behind them.
  if (rest_V > 0.5 || no_zero(rest_mA, rest_V)) {
    std::size_t leading = 0;
    while (leading < currents.size() && currents[leading] < kNoZero_mA && volts[leading] < kNoZero_V) ++leading;
    if (leading >= kFewestBefore) {
      rest_mA = median_of({currents.begin(), currents.begin() + static_cast<std::ptrdiff_t>(leading)});
      rest_V = median_of({volts.begin(), volts.begin() + static_cast<std::ptrdiff_t>(leading)});
    }
  }
  const std::vector<Sample> waiting = std::move(first);
  const bool on_already = known.t_on_s && *known.t_on_s <= start_s;
  if (rest_V > 0.5 || on_already || (rest_V > kNoZero_V && rest_mA > kNoZero_mA))
    power_found(start_s);  // no moment without power: no baseline
  for (const Sample& s : waiting) take(s);
}

void Analyzer::State::take(const Sample& s) {
  const double step = s.time_s - last_s;
  if (out.samples > 0 && step > 1.5 * sample_s) {
    ++out.gaps;
    out.gap_s += step - sample_s;
  }
  ++out.samples;
  last_s = s.time_s;
  out.saturated |= known.full_scale_mA && s.mA >= *known.full_scale_mA;
  watch_highest(s.mA);
  tail.push_back(s);
  while (tail.front().time_s < s.time_s - kTail || tail.size() > kMostBehind) tail.pop_front();
  if (t_on)
    behind_power(s);
  else
    look_for_power(s);
}

// The highest current from a period of hum ago until just now. Of two samples in a row the lower counts: a spike is no wander.
double Analyzer::State::highest_wander(const Sample& s) {
  const double until_s = s.time_s - std::max(kSudden_s, 1.5 * sample_s);
  while (young.size() > 1 && young[1].time_s <= until_s) {
    Sample lower = young[1];
    lower.mA = std::min(young[0].mA, young[1].mA);
    young.pop_front();
    while (!wander.empty() && wander.back().mA <= lower.mA) wander.pop_back();
    wander.push_back(lower);
  }
  young.push_back(s);
  while (!wander.empty() && wander.front().time_s < until_s - kHumPeriod_s) wander.pop_front();
  return wander.empty() ? rest_mA : wander.front().mA;
}

void Analyzer::State::look_for_power(const Sample& s) {
  head.push_back(s);
  if (known.t_on_s) {
    if (s.time_s + sample_s / 2 > *known.t_on_s) power_found(*known.t_on_s);
  } else {
    const double step_mA = std::max(1.0, 8 * noise_mA);
    const double rest_high_mA = std::max(rest_mA, highest_wander(s));
    const bool powered = s.volts > rest_V + 0.05 || s.mA > rest_high_mA + step_mA;
    rising = powered ? rising + 1 : 0;
    if (rising == 2) power_found(head[head.size() - 2].time_s);
  }
  if (!t_on && head.size() >= 2 * kMostBefore) head.erase(head.begin(), head.begin() + kMostBefore);
}

// From here on, including the samples that showed it.
void Analyzer::State::power_found(double at_s) {
  t_on = at_s;
  std::size_t count = 0;
  while (count < head.size() && head[count].time_s < at_s - sample_s / 2) ++count;
  before = count;
  if (count >= 8) {
    out.has_baseline = true;
    const auto rest = std::span<const Sample>(head).first(count);
    noise_mA = noise_of(rest);
    const Rest zero = rest_of(rest, noise_mA, sample_s);
    baseline = zero.mean_mA;
    out.baseline_mA = {baseline, zero.sigma_mA, false};
  } else {
    // Offset of an amplifier that was never seen at rest: 1 mA is usual.
    out.baseline_mA = {0, 1, false};
  }
  bins.emplace(at_s, std::max(kBin, sample_s), kMostBins);
  watch.emplace(sample_s, noise_mA);
  const std::vector<Sample> late(head.begin() + static_cast<std::ptrdiff_t>(count), head.end());
  head.resize(count);
  for (const Sample& s : late) behind_power(s);
}

void Analyzer::State::behind_power(const Sample& s) {
  if (s.time_s < *t_on + kHead && head.size() < before + kMostBehind) head.push_back(s);
  bins->add(s.time_s + sample_s * 0.01, s.mA - baseline, s.volts);
  watch->add(s.time_s, s.mA - baseline, s.volts);
}

Features Analyzer::finish() {
  State& s = *state_;
  if (!s.started) s.start();
  Features& out = s.out;
  out.sample_s = s.sample_s;
  out.duration_s = out.samples > 0 ? s.last_s - s.start_s + s.sample_s : 0;
  out.noise_mA = s.noise_mA;
  // Nothing ever rose above the first level, and that is no zero: it was powered all along.
  if (!s.t_on && !s.head.empty() && no_zero(s.rest_mA, s.rest_V)) s.power_found(s.head.front().time_s);
  if (!s.t_on) {
    double sum = 0;
    for (const Sample& sample : s.head) sum += sample.mA;
    if (!s.head.empty()) {
      out.baseline_mA = {sum / static_cast<double>(s.head.size()),
                         s.noise_mA / std::sqrt(static_cast<double>(s.head.size())), false};
      out.has_baseline = true;
    }
    return std::move(out);
  }
  if (out.has_baseline || s.known.t_on_s || s.before >= kFewestBefore) out.t_on_s = *s.t_on;

  double volts = 0, mA = 0, count = 0;
  const double tail_from = s.last_s - std::min(kTail, out.duration_s / 10);
  for (const Sample& sample : s.tail)
    if (sample.time_s >= tail_from) volts += sample.volts, mA += sample.mA - s.baseline, count += 1;
  out.end_V = volts / count;
  out.end_mA = mA / count;

  s.watch->finish(out);
  out.bins = s.bins->finish();
  out.bin_s = std::max(kBin, s.sample_s);
  if (out.has_baseline) {  // a value stands for any within its step
    const double within_step = coarse_step(s.head, s.noise_mA) / std::sqrt(12.0);
    out.baseline_mA.sigma = std::hypot(out.baseline_mA.sigma, within_step);
    out.noise_mA = std::max(out.noise_mA, within_step);
  }
  SwitchOnInput in;
  in.samples = s.head;
  in.t_on_s = *s.t_on;
  in.sample_s = s.sample_s;
  in.baseline_mA = s.baseline;
  in.baseline_sigma_mA = out.baseline_mA.sigma;
  in.noise_mA = out.noise_mA;
  out.highest_mA = s.highest_mA - s.baseline;
  if (!s.known.full_scale_mA) out.clipped_at_mA = s.clipped_at();
  out.saturated |= out.clipped_at_mA.has_value();
  in.full_scale_mA = s.known.full_scale_mA ? s.known.full_scale_mA : out.clipped_at_mA;
  in.rest_V = s.rest_V;
  in.seen_at_rest = out.has_baseline;
  in.points = s.known.kind == "point";
  // The highest voltage that stood over 5 bins, or for as long as there was power at all: their lowest mean.
  std::size_t standing = 5;
  if (const auto gone = power_gone(in)) {
    const double bins = std::floor((*gone - in.t_on_s) / out.bin_s);
    standing = static_cast<std::size_t>(std::clamp(bins, 1.0, 5.0));
  }
  for (std::size_t i = 0; i < out.bins.size(); ++i) {
    double stood = out.bins[i].mean_V;
    for (std::size_t j = i; j < std::min(i + standing, out.bins.size()); ++j)
      if (out.bins[j].samples) stood = std::min<double>(stood, out.bins[j].mean_V);
    out.top_V = std::max(out.top_V, stood);
  }
  if (out.t_on_s)
    measure_switch_on(in, out);
  else
    measure_first_moments(in, out);
  measure_boot(out);
  // Over a rest of no whole periods hum leaves the zero off by A / (pi f T) at the most, and it adds to any charge.
  if (out.hum_mA > 0) {
    const double rest_s = static_cast<double>(s.before) * s.sample_s;
    const double off_mA = out.hum_mA * std::min(1.0, 1 / std::max(1e-9, std::numbers::pi * out.hum_Hz * rest_s));
    out.baseline_mA.sigma = std::max(out.baseline_mA.sigma, off_mA);
    const double uC = (out.hum_mA + off_mA) * (out.ramp_s + 1e-3) * 1e3;
    out.switch_on_uC.sigma = std::hypot(out.switch_on_uC.sigma, uC);
    out.behind_uC.sigma = std::hypot(out.behind_uC.sigma, uC);
  }
  return std::move(out);
}

}  // namespace steadycell::supply
