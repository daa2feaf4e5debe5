#pragma once
#include <cstdint>
#include <memory>
#include <optional>
#include <vector>

#include "supply/bins.h"
#include "supply/trace.h"

// What a supply trace shows, in numbers with their uncertainty. No verdicts here: diagnosis.h draws conclusions.
namespace steadycell::supply {

// A number and its standard uncertainty; `at_least` where saturation or a gap hides the rest.
struct Measured {
  double value = 0;
  double sigma = 0;
  bool at_least = false;
};

// A stretch of constant level.
struct Plateau {
  double start_s = 0, length_s = 0;
  double mA = 0;
};

// The current vanished while the supply stood, and came back.
struct Drop {
  double time_s = 0, length_s = 0;
  double level_before_mA = 0;
  double peak_after_mA = 0;  // highest sample within 1 ms of the return
  double mean_mA = 0;      // while it was gone: nothing through an open contact, something through a sleeping chip
  double recharge_uC = 0;  // charge above the level before, within 1 ms of the return
};

// The supply stood, then fell.
struct Collapse {
  double time_s = 0;
  double peak_before_mA = 0;  // highest sample from 10 ms before until it was down
  double flat_ms = 0;         // how long the current stood at that top, in sum
  double sag_ms = 0;          // of it, with the voltage below where it stood: a limiter at work
  bool came_back = false;     // the limiter tried again
  bool from_nothing = false;  // nothing flowed until just before: capacitors charge through a contact that closed, no load grew
};

// The rail had stood, and then lay far below while much current went on flowing: a load that the source cannot
// carry.
struct Overload {
  double time_s = 0, length_s = 0;
  double mA = 0, volts = 0;  // means over that time
  bool opened = false;       // it ended with the current gone and the rail still down: a limiter opened
  double ohm() const { return mA > 0 ? volts / mA * 1e3 : 0; }
};

// The current-voltage relation while the voltage rose.
struct RampShape {
  double volts_at_10 = 0, volts_at_85 = 0;  // where the current passed 10 % and 85 % of its end value
  bool resolved = false;                    // false: between two samples, too coarse for the two
  // Lowest share of the end current over share of the end voltage among the samples between: 1 for a resistor,
  // however coarse the sampling; less for anything bent. Nothing when no sample lies between.
  std::optional<double> chord;
  double ratio() const { return volts_at_85 > 0 ? volts_at_10 / volts_at_85 : 0; }
};

struct Features {
  double duration_s = 0;
  double sample_s = 0;  // time between samples
  std::uint64_t samples = 0, gaps = 0;
  double gap_s = 0;              // time without samples
  bool saturated = false;        // some samples are "at least"
  double highest_mA = 0;         // of all samples, above the baseline
  std::optional<double> clipped_at_mA;  // the highest value stands so often in a row that the converter's range ends there
  std::optional<double> t_on_s;  // nothing when the trace starts powered or never is

  Measured baseline_mA;  // before power; sigma of its mean, slow wander and the steps of a coarse converter included
  double noise_mA = 0;   // of one sample
  bool has_baseline = false;

  // Switch-on
  double top_V = 0;                          // highest voltage that stood, over 5 ms or all there was
  double end_V = 0, end_mA = 0;              // means of the last tenth of the trace, 100 ms at most
  double ramp_s = 0;                         // 0 to top at the ramp's slope
  bool ramp_resolved = false;                // at least 4 samples on it
  Measured switch_on_uC;                     // until 1 ms after the ramp
  Measured input_uF;                         // C = delta I / (dV/dt) at the end of the ramp, else charge / voltage
  Measured behind_uC;                        // switch-on charge that the input capacitance does not explain
  std::optional<Measured> time_constant_us;  // of an exponential decay, hot attach only
  double region_uC = 0;         // charge of the largest region above 100 mA (USB 2.0 inrush, see docs)
  double region_excess_uC = 0;  // the part above 100 mA
  Measured first_level_mA;      // lowest level within 6 ms of the ramp's end, before the controller's clock starts
  double reset_mA = 0;          // level 1.2 to 3.2 ms behind the ramp: controller in reset
  double equivalent_uF = 0;     // switch-on charge less what a steady load took, over the voltage
  double behind_ramp_mA = 0;    // level just behind the ramp
  // Current against voltage over the upper part of the ramp, as a line: a resistor has its 1/R as slope and what
  // the capacitor beside it takes, C dV/dt, as the current at 0 V.
  double ramp_mA_per_V = 0, ramp_mA_at_0V = 0;
  // Medians 1 to 4 ms after switch-on, of less when the power was gone sooner; of a trace that starts powered its
  // first 4 ms.
  double early_mA = 0, early_V = 0;
  RampShape ramp_shape;
  double early_slope_V_per_s = 0;  // trend of the voltage over 5 to 50 ms, if it has not come up

  // Later
  Measured steady_mA;              // last plateau
  double ripple_mA = 0;            // inner deviation of the bins of the last plateau beyond noise
  Measured source_ohm;             // drop of voltage per current
  double low_mA = 0, high_mA = 0;  // 1 % and 99 % of the bins after the first level
  double sustained_mA = 0,
         sustained_from_s = 0;  // the highest level not undercut for 50 ms, and since when; bursts and charging are shorter
  double late_rise_mA = 0, late_rise_s = 0;  // a step up after loading that stays until the end, and when
  double hum_mA = 0, hum_Hz = 0;             // amplitude of mains hum over the last 100 ms; 0: none that stands out
  std::vector<Plateau> plateaus;
  double active_ms = 0;      // bins with bursts in them, until a host's chirp
  double bursts_seen_s = 0;  // how long they were looked for
  // Of these, in stretches where at least half of 20 ms bursts: page reads one after another. From the first such
  // stretch on for 0.6 s.
  double dense_ms = 0;
  std::uint32_t blips = 0;           // single bursts outside those stretches, until dense_ms ends
  double blip_peak_mA = 0;           // median height of their peaks
  double first_dense_s = -1;         // when dense reads begin, after t_on; below 0: never
  std::optional<double> chirp_s;     // high-speed chirp of the device: a block of about 18 mA for 1 to 7 ms
  std::vector<double> restarts_s;    // when the power-up sequence came again, after t_on
  std::optional<Measured> period_s;  // of those, or of any repetition found by autocorrelation
  double correlation = 0;            // of that repetition, 0..1
  std::vector<Drop> drops;           // the first 256
  std::uint64_t drop_count = 0;
  std::vector<Collapse> collapses;  // the first 16
  std::optional<Overload> overload;  // the longest

  std::vector<Bin>
      bins;  // 1 ms each (or one sample, if longer) from t_on, the first 16 s: for comparison and plots
  double bin_s = 1e-3;
};

// Feeds on samples one by one; memory does not grow with the trace. `known` is what header and user say; a t_on_s
// there is trusted, else the moment of switch-on is found.
class Analyzer {
 public:
  explicit Analyzer(const TraceHeader& known);
  ~Analyzer();
  Analyzer(const Analyzer& other);  // to finish() what came so far, and go on
  Analyzer(Analyzer&&) noexcept;
  Analyzer& operator=(Analyzer&&) noexcept;

  void add(const Sample& sample);
  Features finish();

 private:
  struct State;
  std::unique_ptr<State> state_;
};

}  // namespace steadycell::supply
