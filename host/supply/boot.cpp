#include "supply/boot.h"

#include <algorithm>
#include <cmath>
#include <deque>
#include <numbers>
#include <numeric>
#include <span>

#include "supply/segments.h"
#include "supply/switch_on.h"

namespace steadycell::supply {
namespace {

// The stretch of bins in which the supply stands and the board is left to itself.
struct Stretch {
  std::size_t from = 0, to = 0;
};

double fill_gaps(std::vector<double>& x, const std::vector<Bin>& bins) {
  double last = 0;
  for (std::size_t i = 0; i < x.size(); ++i) {
    if (bins[i].samples > 0) last = bins[i].mean_mA;
    x[i] = last;
  }
  return last;
}

double median_between(std::span<const double> x, std::size_t from, std::size_t to) {
  to = std::min(to, x.size());
  return from < to ? median_of({x.begin() + static_cast<std::ptrdiff_t>(from),
                                x.begin() + static_cast<std::ptrdiff_t>(to)})
                   : 0;
}

Stretch standing(const Features& f) {
  const auto count_in = [&](double s) { return static_cast<std::size_t>(std::ceil(s / f.bin_s)); };
  Stretch s;
  s.from = std::min(f.bins.size(), count_in(f.ramp_s * 1.15 + 1e-3));
  s.to = f.bins.size();
  // The supply may have been switched off, or have fallen: up to there.
  for (std::size_t i = s.from; i < s.to; ++i)
    if (f.bins[i].samples > 0 && f.bins[i].mean_V < 0.85 * f.top_V) s.to = i > s.from ? i - 1 : i;
  return s;
}

void measure_plateaus(std::span<const double> x, Stretch s, Features& out) {
  const double sigma = out.noise_mA / std::sqrt(std::max(1.0, out.bin_s / out.sample_s));
  // Bursts make the series far from white: a change must be worth about 1 mA over 20 ms, not the 2 sigma^2 ln n of
  // white noise, or every page read is chased.
  const double penalty = 60 * sigma * sigma + 10;
  const auto part = x.subspan(s.from, s.to - s.from);
  std::size_t start = 0;
  const auto add = [&](std::size_t end) {
    if (end <= start) return;
    const auto segment = part.subspan(start, end - start);
    const double mean = std::accumulate(segment.begin(), segment.end(), 0.0) / static_cast<double>(segment.size());
    out.plateaus.push_back(
        {static_cast<double>(s.from + start) * out.bin_s, static_cast<double>(end - start) * out.bin_s, mean});
    start = end;
  };
  for (const std::size_t change : change_points(part, penalty, 4)) add(change);
  add(part.size());
  if (out.plateaus.empty()) return;
  const Plateau& last = out.plateaus.back();
  out.steady_mA = {last.mA, sigma / std::sqrt(std::max(1.0, last.length_s / out.bin_s)) + out.baseline_mA.sigma,
                   false};
  std::vector<double> inner;
  for (std::size_t i = s.to - static_cast<std::size_t>(std::lround(last.length_s / out.bin_s)); i < s.to; ++i)
    if (out.bins[i].samples > 1) inner.push_back(out.bins[i].deviation_mA);
  out.ripple_mA = inner.empty() ? 0 : std::max(0.0, median_of(std::move(inner)) - out.noise_mA);
}

// The highest of all lowest levels within 50 ms: a sliding minimum, each bin pushed and popped once.
void measure_sustained(std::span<const double> x, Stretch s, Features& out) {
  const auto window = static_cast<std::size_t>(std::max(2L, std::lround(50e-3 / out.bin_s)));
  std::deque<std::size_t> rising;  // bins whose level no later one in the window undercuts
  for (std::size_t i = s.from; i < s.to; ++i) {
    while (!rising.empty() && x[rising.back()] >= x[i]) rising.pop_back();
    rising.push_back(i);
    if (rising.front() + window <= i) rising.pop_front();
    if (i + 1 < s.from + window || x[rising.front()] <= out.sustained_mA) continue;
    out.sustained_mA = x[rising.front()];
    out.sustained_from_s = static_cast<double>(i + 1 - window) * out.bin_s;
  }
}

// A current that rises late and stays: the step from the highest level held for 50 ms before it to the lowest of all that follows.
void measure_late_rise(std::span<const double> x, Stretch s, Features& out) {
  const auto bins_of = [&](double seconds) { return static_cast<std::size_t>(std::lround(seconds / out.bin_s)); };
  const std::size_t window = std::max<std::size_t>(2, bins_of(50e-3)), stays = 2 * window;
  // By then firmware is loaded and its first stages are over (common practice, no source).
  const double loaded_s = std::max(0.25, out.first_dense_s < 0 ? 0 : out.first_dense_s + out.dense_ms * 1e-3);
  if (s.to < s.from + window + stays) return;
  std::vector<double> lowest_from(s.to - s.from);
  double lowest = x[s.to - 1];
  for (std::size_t i = s.to; i-- > s.from;) lowest_from[i - s.from] = lowest = std::min(lowest, x[i]);
  double held = -1e300;  // the highest level not undercut for a window, in front of i
  for (std::size_t i = s.from + window; i + stays <= s.to; ++i) {
    const auto before = x.subspan(i - window, window);
    held = std::max(held, *std::min_element(before.begin(), before.end()));
    const double rise = lowest_from[i - s.from] - held;
    if (static_cast<double>(i) * out.bin_s < loaded_s || rise <= out.late_rise_mA) continue;
    out.late_rise_mA = rise;
    out.late_rise_s = static_cast<double>(i) * out.bin_s;
  }
}

// Mains hum: one frequency that carries most of what the last 100 ms vary by. In 100 ms there are whole periods of all four.
void measure_hum(std::span<const double> x, Stretch s, Features& out) {
  constexpr double kWindow_s = 0.1, kSlowest_s = 3e-3, kShare = 0.6;
  const auto n = static_cast<std::size_t>(std::lround(kWindow_s / out.bin_s));
  if (out.bin_s > kSlowest_s || s.to < s.from + n) return;
  const auto last = x.subspan(s.to - n, n);
  const double count = static_cast<double>(n), mean = std::accumulate(last.begin(), last.end(), 0.0) / count;
  double power = 0;
  for (const double v : last) power += (v - mean) * (v - mean) / count;
  const double sigma = out.noise_mA / std::sqrt(std::max(1.0, out.bin_s / out.sample_s));
  for (const double hertz : {50.0, 60.0, 100.0, 120.0}) {
    double in_phase = 0, across = 0;
    for (std::size_t i = 0; i < n; ++i) {
      const double angle = 2 * std::numbers::pi * hertz * out.bin_s * static_cast<double>(i);
      in_phase += (last[i] - mean) * std::cos(angle), across += (last[i] - mean) * std::sin(angle);
    }
    const double amplitude = 2 / count * std::hypot(in_phase, across);
    if (amplitude * amplitude / 2 < kShare * power || amplitude < 6 * sigma * std::sqrt(2 / count) || amplitude <= out.hum_mA) continue;
    out.hum_mA = amplitude;
    out.hum_Hz = hertz;
  }
}

// Device chirp of high-speed detection: 17.78 mA into the line for 1 to 7 ms, at least 100 ms after attach
// (USB 2.0, 7.1.7.5; current from 800 mV into 45 ohm). It ends where it began, and the rail regulator passes it on
// unchanged.
std::optional<double> find_chirp(std::span<const double> x, Stretch s, double bin_s) {
  const auto ms = [&](double t) {
    return std::max<std::size_t>(1, static_cast<std::size_t>(std::lround(t * 1e-3 / bin_s)));
  };
  if (bin_s > 1.5e-3) return std::nullopt;
  for (std::size_t i = s.from + ms(100); i + 12 < s.to; ++i) {
    const double base = median_between(x, i - 9, i - 1);
    if (x[i] - base < 12 || x[i] - base > 24 || x[i - 2] - base > 4) continue;
    std::size_t end = i;
    while (end < s.to && x[end] - base > 12 && x[end] - base < 24) ++end;
    if (end - i > 7) continue;
    // Not a burst among bursts: quiet before, and back to the same level behind, where only the edge bin may lie
    // between.
    if (end + 6 >= s.to || std::abs(median_between(x, end + 1, end + 6) - base) > 3) continue;
    double spread = 0;
    for (std::size_t j = i - 9; j < i - 1; ++j) spread = std::max(spread, std::abs(x[j] - base));
    if (spread < 3) return static_cast<double>(i) * bin_s;
  }
  return std::nullopt;
}

void measure_bursts(std::span<const double> x, Stretch s, Features& out) {
  const auto bins_of = [&](double seconds) { return static_cast<std::size_t>(std::lround(seconds / out.bin_s)); };
  // Until a host is there, whose requests read pages, too; however late the controller begins, and then for the
  // time firmware takes (common practice, no source): what its idle firmware does later is no loading.
  const std::size_t to = out.chirp_s ? std::min(s.to, bins_of(*out.chirp_s)) : s.to, loading = bins_of(0.6);
  if (to <= s.from || out.bin_s < 3 * out.sample_s) return;  // too coarse to see inside a bin
  // Inside a bin hum is a slope of 2 pi f A at the most.
  const double noise_mA = std::hypot(out.noise_mA, 2 * std::numbers::pi * out.hum_Hz * out.hum_mA * out.bin_s / std::sqrt(12.0));
  std::vector<bool> active(to - s.from), dense(to - s.from);
  std::size_t count = 0;
  for (std::size_t i = s.from; i < to; ++i) {
    active[i - s.from] = out.bins[i].samples > 2 && out.bins[i].deviation_mA > 3 * noise_mA + 0.3;
    count += active[i - s.from];
  }
  constexpr std::size_t kWindow = 20;
  for (std::size_t i = 0; i + kWindow <= active.size(); ++i)
    if (std::count(active.begin() + static_cast<std::ptrdiff_t>(i),
                   active.begin() + static_cast<std::ptrdiff_t>(i + kWindow), true) >= 10)
      std::fill_n(dense.begin() + static_cast<std::ptrdiff_t>(i), kWindow, true);
  out.active_ms = static_cast<double>(count) * out.bin_s * 1e3;
  out.bursts_seen_s = static_cast<double>(to - s.from) * out.bin_s;
  std::vector<double> peaks;
  const auto first_dense = static_cast<std::size_t>(std::find(dense.begin(), dense.end(), true) - dense.begin());
  const std::size_t end_of_loading =
      first_dense < dense.size() ? std::min(dense.size(), std::max(loading, first_dense + loading)) : dense.size();
  for (std::size_t i = 0; i < end_of_loading; ++i) {
    if (!active[i]) continue;
    if (dense[i]) {
      out.dense_ms += out.bin_s * 1e3;
      if (out.first_dense_s < 0) out.first_dense_s = static_cast<double>(s.from + i) * out.bin_s;
      continue;
    }
    // A blip ends where it began; an edge between two levels does not.
    std::size_t end = i;
    double peak = 0;
    while (end < active.size() && active[end]) peak = std::max<double>(peak, out.bins[s.from + end++].high_mA);
    const std::size_t at = s.from + i;
    const double before = median_between(x, at > s.from + 4 ? at - 4 : s.from, at),
                 behind = median_between(x, s.from + end, s.from + end + 4);
    if (std::abs(before - behind) < std::max(0.5, 0.25 * (peak - before)) && i > 0) {
      ++out.blips;
      peaks.push_back(peak - (before + behind) / 2);
    }
    i = end - 1;
  }
  out.blip_peak_mA = median_of(std::move(peaks));
}

// The power-up sequence again: the current falls back to the level of reset and climbs the same steps.
void find_restarts(std::span<const double> x, Stretch s, Features& out) {
  const auto bins_of = [&](double seconds) { return static_cast<std::size_t>(std::lround(seconds / out.bin_s)); };
  const std::size_t length = bins_of(40e-3);
  if (s.from + 2 * length > s.to) return;
  const auto first = x.subspan(s.from, length);
  const double reset = out.reset_mA, running = median_between(x, s.from + length / 2, s.from + length);
  const double sigma = out.noise_mA / std::sqrt(std::max(1.0, out.bin_s / out.sample_s));
  const double rise = running - reset;
  if (rise < std::max(2.0, 6 * sigma)) return;
  double scale = 0;
  for (const double v : first) scale += std::abs(v - running);
  const auto distance = [&](std::size_t at) {
    double sum = 0;
    for (std::size_t j = 0; j < length; ++j) sum += std::abs(x[at + j] - first[j]);
    return sum;
  };
  // How far a board that simply stays on is from its own start; a restart must be much nearer.
  scale = std::max(scale, rise * 3);
  for (std::size_t i = s.from + bins_of(15e-3); i + length / 2 < s.to; ++i) {
    // From where it ran; or from idle firmware, which may draw less than the start does, then right down to reset.
    const double before = std::max(x[i - 1], x[i - 2]);
    const bool from_work = x[i] < reset + 0.4 * rise && before > reset + 0.7 * rise;
    const bool from_idle = std::abs(x[i] - reset) < 0.15 * rise && before - x[i] > std::max({2.0, 6 * sigma, 0.2 * rise});
    const bool falls = from_work || from_idle;
    if (!falls) continue;
    if (i + length + 3 > s.to) {  // the trace ends within the sequence: the fall is all there is to see
      out.restarts_s.push_back(static_cast<double>(i) * out.bin_s);
      break;
    }
    double nearest = distance(i);
    for (std::size_t at = i - 2; at < i + 3; ++at) nearest = std::min(nearest, distance(at));
    if (nearest < 0.6 * scale) {
      out.restarts_s.push_back(static_cast<double>(i) * out.bin_s);
      i += bins_of(10e-3);
    }
  }
}

// Unbiased autocorrelation of the bins after removing the mean (Wiener-Khinchin), over lags of 20 ms to 5 s. Long
// traces are thinned first, so that the cost stays bounded.
void find_period(std::span<const double> x, Stretch s, Features& out) {
  std::vector<double> y(x.begin() + static_cast<std::ptrdiff_t>(s.from),
                        x.begin() + static_cast<std::ptrdiff_t>(s.to));
  double step = out.bin_s;
  while (y.size() > 4000) {
    for (std::size_t i = 0; i < y.size() / 2; ++i) y[i] = (y[2 * i] + y[2 * i + 1]) / 2;
    y.resize(y.size() / 2);
    step *= 2;
  }
  const std::size_t n = y.size(), low = static_cast<std::size_t>(20e-3 / step),
                    high = std::min(n / 2, static_cast<std::size_t>(5 / step));
  if (n < 100 || low < 2) return;
  const double mean = std::accumulate(y.begin(), y.end(), 0.0) / static_cast<double>(n);
  for (double& v : y) v -= mean;
  const auto at_lag = [&](std::size_t lag) {
    return std::inner_product(y.begin() + static_cast<std::ptrdiff_t>(lag), y.end(), y.begin(), 0.0) /
           static_cast<double>(n - lag);
  };
  const double power = at_lag(0);
  if (power < 1e-9) return;
  std::vector<double> r(high + 1);
  for (std::size_t lag = low - 1; lag <= high; ++lag) r[lag] = at_lag(lag) / power;
  // The first peak that is nearly as high as the highest: multiples of a period correlate too.
  double top = 0;
  for (std::size_t lag = low; lag < high; ++lag)
    if (r[lag] >= r[lag - 1] && r[lag] >= r[lag + 1]) top = std::max(top, r[lag]);
  if (top < 0.3) return;
  for (std::size_t lag = low; lag < high; ++lag) {
    if (r[lag] < 0.85 * top || r[lag] < r[lag - 1] || r[lag] < r[lag + 1]) continue;
    out.period_s = Measured{static_cast<double>(lag) * step, step / std::sqrt(12.0), false};
    out.correlation = r[lag];
    return;
  }
}

// Voltage against current by a straight line: supply, shunt and lead up to where the voltage is measured.
void measure_source(Stretch s, Features& out) {
  double n = 0, si = 0, sv = 0, sii = 0, siv = 0, svv = 0;
  for (std::size_t i = s.from; i < s.to; ++i) {
    const Bin& b = out.bins[i];
    if (b.samples == 0) continue;
    n += 1, si += b.mean_mA, sv += b.mean_V, sii += double{b.mean_mA} * b.mean_mA,
        siv += double{b.mean_mA} * b.mean_V, svv += double{b.mean_V} * b.mean_V;
  }
  const double spread = n * sii - si * si;
  if (n < 10 || spread / (n * n) < 4) return;  // currents within 2 mA of each other say nothing
  const double slope = (n * siv - si * sv) / spread;
  const double rest = std::max(0.0, (n * svv - sv * sv - slope * (n * siv - si * sv)) / n / std::max(1.0, n - 2));
  out.source_ohm = {-slope * 1e3, 1e3 * std::sqrt(rest * n / spread), false};
}

}  // namespace

void measure_boot(Features& out) {
  if (out.bins.empty()) return;
  std::vector<double> x(out.bins.size());
  fill_gaps(x, out.bins);
  const Stretch s = standing(out);
  if (s.to < s.from + 10) return;
  std::vector<double> sorted(x.begin() + static_cast<std::ptrdiff_t>(s.from),
                             x.begin() + static_cast<std::ptrdiff_t>(s.to));
  std::sort(sorted.begin(), sorted.end());
  out.low_mA = sorted[sorted.size() / 100];
  out.high_mA = sorted[sorted.size() * 99 / 100];
  measure_plateaus(x, s, out);
  measure_sustained(x, s, out);
  out.chirp_s = find_chirp(x, s, out.bin_s);
  measure_hum(x, s, out);
  measure_bursts(x, s, out);
  measure_late_rise(x, s, out);
  find_restarts(x, s, out);
  find_period(x, s, out);
  if (out.restarts_s.size() >= 2) {
    std::vector<double> intervals;
    for (std::size_t i = 1; i < out.restarts_s.size(); ++i)
      intervals.push_back(out.restarts_s[i] - out.restarts_s[i - 1]);
    const double middle = median_of(intervals);
    double spread = 0;
    for (const double interval : intervals) spread = std::max(spread, std::abs(interval - middle));
    out.period_s = Measured{middle, std::max(spread, out.bin_s / std::sqrt(12.0)), false};
  }
  measure_source(s, out);
}

}  // namespace steadycell::supply
