#pragma once
#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <cstdint>
#include <functional>
#include <random>
#include <string>
#include <vector>

#include "supply/diagnosis.h"
#include "supply/features.h"

// A small circuit model of the fixture's port with a stick on it, to make traces of boards nobody drew by hand:
// ramped source with a current limit and a trip timer, shunt, lead, contact, input capacitor, a linear regulator
// with limit and foldback, output capacitor, and a load that follows the stages of a boot. Implicit Euler at 5 us.
// All of it is invented within the ranges of common practice; nothing was measured.
namespace steadycell::supply::test {

using Random = std::mt19937_64;
inline double uniform(Random& r, double a, double b) {
  return std::uniform_real_distribution<>(a, b)(r);
}

struct Block {
  double from_s, to_s, mA;
};

struct Board {
  double bulk_uF = 10, out_uF = 4.7;
  double regulator_max_mA = 300, regulator_fold_mA = 80, quiescent_mA = 0.07;
  double soft_start_ms = 0.6;  // behind the ramp
  double reset_mA = 4, clock_mA = 9, rom_mA = 14, firmware_mA = 9, high_speed_mA = 21, configured_mA = 8,
         memory_mA = 22;
  double reset_s = 6e-3, clock_s = 4e-3, rom_s = 22e-3, load_s = 90e-3, read_gap_s = 0.8e-3, connect_s = 30e-3,
         bus_reset_s = 20e-3;
};

// A board drawn at random, wider than the shared traces' three.
inline Board random_board(Random& r) {
  Board b;
  b.bulk_uF = std::exp(uniform(r, std::log(2.5), std::log(15)));
  b.out_uF = std::exp(uniform(r, std::log(1.0), std::log(12)));
  b.regulator_max_mA = uniform(r, 200, 500);
  b.regulator_fold_mA = uniform(r, 50, 120);
  b.quiescent_mA = uniform(r, 0.03, 0.15);
  b.soft_start_ms = uniform(r, 0.2, 1.0);
  b.reset_mA = uniform(r, 2, 9), b.clock_mA = uniform(r, 4, 16), b.rom_mA = uniform(r, 7, 22),
  b.firmware_mA = uniform(r, 4, 14);
  b.high_speed_mA = uniform(r, 14, 30), b.configured_mA = uniform(r, 4, 13), b.memory_mA = uniform(r, 12, 34);
  b.reset_s = uniform(r, 2.5e-3, 14e-3), b.clock_s = uniform(r, 1.5e-3, 9e-3), b.rom_s = uniform(r, 9e-3, 45e-3);
  b.load_s = uniform(r, 45e-3, 180e-3), b.read_gap_s = uniform(r, 0.4e-3, 1.2e-3),
  b.connect_s = uniform(r, 12e-3, 55e-3);
  b.bus_reset_s = uniform(r, 11e-3, 55e-3);
  return b;
}

struct Bench {
  double limit_mA = 500, ramp_ms = 1, set_V = 5.05, t_on_s = 0.02, end_s = 1.2;
  double trip_ms = 0;  // at the limit for this long: latched off; 0: never
  double sample_s = 1e-4, noise_mA = 0.32, lsb_mA = 0.16113;
};

struct FaultCircuit {
  double short_5V_ohm = 1e9, short_3V3_ohm = 1e9;
  bool path_open = false, regulator_dead = false;
  double fixture_uF = 0.147;
  std::vector<std::pair<double, double>> contact_open_s;
  bool regulator_cuts_out = false;  // thermal: 40 ms on, 60 ms off when beyond 120 mA
};

inline void page_reads(std::vector<Block>& out, Random& r, double from, double to, const Board& b, double gap) {
  for (double t = from; t < to;) {
    const double array = uniform(r, 40e-6, 90e-6), transfer = uniform(r, 120e-6, 260e-6);
    out.push_back({t, t + array, b.memory_mA});
    out.push_back({t + array, t + array + transfer, 0.55 * b.memory_mA});
    t += array + transfer + gap * uniform(r, 0.4, 1.6);
  }
}

enum class Boot { whole, no_clock, memory_silent, memory_silent_attaches, memory_blank };

// Load of one boot that starts at `t` and is cut at `end`.
inline void boot(std::vector<Block>& out, Random& r, const Board& b, double t, double end, Boot how, bool host) {
  std::vector<Block> s;
  const auto on = [&](double from, double mA) { s.push_back({from, end, mA * uniform(r, 0.985, 1.015)}); };
  const auto takes = [&](double seconds) { return seconds * uniform(r, 0.97, 1.03); };
  on(t, b.reset_mA);
  if (how != Boot::no_clock) {
    on(t += takes(b.reset_s), b.clock_mA);
    on(t += takes(b.clock_s), b.rom_mA);
    t += takes(b.rom_s);
    bool attaches = true;
    if (how == Boot::whole) {
      page_reads(s, r, t, t + takes(b.load_s), b, b.read_gap_s);
      on(t += b.load_s * 1.02, b.firmware_mA);
      t += takes(b.connect_s);
    } else if (how == Boot::memory_blank) {
      for (int i = 0; i < 8; ++i, t += 5e-3) page_reads(s, r, t, t + 1e-6, b, b.read_gap_s);
      attaches = false;
    } else {
      for (int i = 0; i < 5; ++i, t += uniform(r, 8e-3, 22e-3))
        s.push_back({t, t + 0.4e-3, 0.12 * b.memory_mA + 1.5});
      attaches = how == Boot::memory_silent_attaches;
      t += 0.02;
    }
    if (attaches) {
      s.push_back({t, end, 0.2});  // pull-up: 3.3 V over 1.5 k + 15 k
      if (host) {
        t += 0.100 + uniform(r, 0.002, 0.02);
        s.push_back({t + 0.5e-3, t + 2.5e-3, 17.8});  // chirp
        on(t += b.bus_reset_s, b.high_speed_mA);
        t += 0.01;
        for (int i = 0; i < 13; ++i, t += uniform(r, 2e-3, 8e-3))
          s.push_back({t, t + uniform(r, 0.25e-3, 0.8e-3), 6});
        if (how == Boot::whole) {
          on(t, b.configured_mA);
          for (t += 8e-3; t < end; t += uniform(r, 30e-3, 50e-3)) page_reads(s, r, t, t + 2e-3, b, 0.3e-3);
        }
      }
    }
  }
  for (Block x : s)
    if (x.from_s < end) out.push_back({x.from_s, std::min(x.to_s, end), x.mA});
}

inline std::vector<Sample> simulate(const Board& b, const Bench& bench, const FaultCircuit& f,
                                    std::vector<Block> load, Random& r) {
  std::vector<std::pair<double, double>> edges;
  for (const Block& x : load) edges.emplace_back(x.from_s, x.mA), edges.emplace_back(x.to_s, -x.mA);
  std::sort(edges.begin(), edges.end());
  constexpr double dt = 5e-6, shunt_side = 0.25, lead_side = 0.40;
  const double R = shunt_side + lead_side, Cb = b.bulk_uF * 1e-6 + 0.1e-6, Co = b.out_uF * 1e-6,
               fixture = f.fixture_uF * 1e-6;
  const double gain = 1 + std::normal_distribution<>(0, 0.006)(r),
               offset = std::normal_distribution<>(0, 2.2 * bench.noise_mA)(r);
  std::normal_distribution<> noise(0, bench.noise_mA), volt_noise(0, 0.0025);
  double vb = 0, vo = 0, port = 0, asked = 0, at_limit_s = 0, hot = 0;
  bool latched = false, cut = false;
  std::size_t edge = 0;
  std::vector<Sample> out;
  const auto steps = static_cast<std::uint64_t>(std::llround(bench.end_s / dt)),
             per = static_cast<std::uint64_t>(std::llround(bench.sample_s / dt));
  double sum_i = 0, sum_v = 0;
  for (std::uint64_t k = 0; k < steps; ++k) {
    const double t = static_cast<double>(k) * dt;
    while (edge < edges.size() && edges[edge].first <= t) asked += edges[edge++].second;
    const double since = t - bench.t_on_s, ramp = bench.ramp_ms * 1e-3;
    const double set = since <= 0 ? 0 : bench.set_V * std::min(1.0, since / ramp);
    const double soft = since <= 0 ? 0 : 3.3 * std::min(1.0, since / (ramp + b.soft_start_ms * 1e-3));
    const double gate = 0.5 * (1 + std::tanh((vo - 2.4) / 0.06));
    const double need = asked * 1e-3 * gate;
    // Regulator: implicit in its output, limited by foldback.
    if (f.regulator_cuts_out) {
      hot = std::fmod(std::max(0.0, since), 0.1);
      cut = since > 0.05 && hot > 0.04;
    }
    double i_reg = 0;
    if (!f.regulator_dead && !cut) {
      const double target = std::min(soft, std::max(0.0, vb - 0.25));
      const double most =
          (b.regulator_fold_mA + (b.regulator_max_mA - b.regulator_fold_mA) * std::max(0.0, vo) / 3.3) * 1e-3;
      double next = (vo * Co / dt + 4 * target - need) / (Co / dt + 4 + 1 / f.short_3V3_ohm);
      i_reg = std::clamp(4 * (target - next), 0.0, most);
    }
    vo = std::max(0.0, (vo * Co / dt + i_reg - need) / (Co / dt + 1 / f.short_3V3_ohm + 1 / 20e3));
    const double quiet = b.quiescent_mA * 1e-3 * std::tanh(std::max(0.0, vb));
    bool open = f.path_open;
    for (const auto& [from, to] : f.contact_open_s) open |= t >= from && t < to;
    const double limit = latched ? 0 : bench.limit_mA * 1e-3;
    double i = 0;
    const double drain = i_reg + quiet, gs = 1 / f.short_5V_ohm;
    if (!open) {
      const double next = (vb * Cb / dt + set / R - drain) / (Cb / dt + 1 / R + gs);
      i = std::min((set - next) / R, limit);
      if (latched) i = 0;
    }
    vb = std::max(0.0, (vb * Cb / dt + i - drain) / (Cb / dt + gs));
    double port_now = open ? (latched ? 0 : set) : i < limit ? set - i * shunt_side : vb + i * lead_side;
    if (latched) port_now = open ? 0 : vb;
    const double i_fixture = latched ? 0 : fixture * (port_now - port) / dt;
    port = port_now;
    at_limit_s = i >= 0.85 * limit && limit > 0 ? at_limit_s + dt : std::max(0.0, at_limit_s - dt);
    if (bench.trip_ms > 0 && at_limit_s > bench.trip_ms * 1e-3) latched = true;
    sum_i += (i + i_fixture) * 1e3;
    sum_v += port;
    if ((k + 1) % per == 0) {
      const double n = static_cast<double>(per);
      double mA = sum_i / n * gain + offset + noise(r);
      if (bench.lsb_mA > 0) mA = std::round(mA / bench.lsb_mA) * bench.lsb_mA;
      Sample s;
      s.time_s = static_cast<double>(k + 1 - per) * dt;
      s.mA = mA;
      s.volts = sum_v / n + volt_noise(r);
      out.push_back(s);
      sum_i = sum_v = 0;
    }
  }
  return out;
}

inline Features features_of(const std::vector<Sample>& samples, const TraceHeader& header = {}) {
  Analyzer analyzer(header);
  for (const Sample& s : samples) analyzer.add(s);
  return analyzer.finish();
}

// For what a failed check prints.
inline std::string told(const std::vector<Diagnosis>& list) {
  std::string text;
  for (const Diagnosis& d : list) {
    text += fmt::format("{} {:.2f}\n", key_of(d.fault), d.confidence);
    for (const std::string& line : d.evidence) text += "    " + line + "\n";
  }
  return text;
}

}  // namespace steadycell::supply::test
