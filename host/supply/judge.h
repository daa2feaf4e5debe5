#pragma once
#include <algorithm>
#include <cmath>
#include <optional>
#include <string>
#include <utility>
#include <vector>

#include "supply/diagnosis.h"

// How diagnoses are weighed: a list of questions in the order of certainty, each answered with a probability
// instead of yes or no. What an earlier question claims, later ones cannot claim again; what none claims is
// "unsure".
namespace steadycell::supply {

// Probability that a value known to `sigma` exceeds `limit`.
inline double exceeds(double value, double limit, double sigma) {
  return 0.5 * std::erfc((limit - value) / (std::sqrt(2.0) * std::max(sigma, 1e-12)));
}
// The same for positive quantities whose natural spread is a factor: `spread` is the sigma of the logarithm, 0.2 =
// 20 %.
inline double exceeds_by_factor(double value, double limit, double spread) {
  return exceeds(std::log(std::max(value, 1e-9)), std::log(limit), spread);
}

struct Reading {
  const Features& trace;
  const TraceHeader& header;
  std::optional<Rail> rail;
  bool rail_assumed = false;
  std::optional<double> limit_mA;
  const Features* burst = nullptr;
  const Features* twin = nullptr;
  Thresholds at{};
  const ColdCheck* cold = nullptr;  // the check before this power-up

  // The recording that shows the first moments best.
  const Features& switch_on() const { return burst && burst->t_on_s && burst->ramp_resolved ? *burst : trace; }
  const RampShape& shape() const {
    return burst && burst->ramp_shape.resolved ? burst->ramp_shape : trace.ramp_shape;
  }
  double bin_noise_mA() const {
    return trace.noise_mA / std::sqrt(std::max(1.0, trace.bin_s / std::max(trace.sample_s, 1e-9)));
  }
  // How surely a level near zero is known.
  double zero_sigma_mA() const { return std::hypot(trace.baseline_mA.sigma, bin_noise_mA()); }
};

class Verdicts {
 public:
  // `probability` given that no earlier claim holds.
  void claim(Fault fault, double probability, std::vector<std::string> evidence) {
    const double share = rest_ * std::clamp(probability, 0.0, 0.995);
    rest_ -= share;
    const auto known = std::find_if(list_.begin(), list_.end(), [&](const Diagnosis& d) { return d.fault == fault; });
    Diagnosis& d = known != list_.end() ? *known : list_.emplace_back();
    d.fault = fault;
    d.confidence += share;
    if (share < kWorthNaming) return;  // it hardly speaks for this
    for (std::string& line : evidence)
      if (std::find(d.evidence.begin(), d.evidence.end(), line) == d.evidence.end()) d.evidence.push_back(std::move(line));
  }
  // Told with the first diagnosis: what the reader should know whatever the fault.
  void note(std::string text) { notes_.push_back(std::move(text)); }
  // Why nothing can be said, should it come to that.
  void doubt(std::string text) { doubts_.push_back(std::move(text)); }
  // All diagnoses together are worth no more than `most`, and why.
  void cap(double most, std::string why) {
    most_ = std::min(most_, most);
    note(std::move(why));
  }
  // What rests on nothing else having come until the end is worth no more than `most`, and why.
  void cap_absence(double most, std::string why) {
    absence_most_ = std::min(absence_most_, most);
    note(std::move(why));
  }
  // The next step should nothing be said, where it is another than to record again.
  void cure(std::string step) { cure_ = std::move(step); }
  double rest() const { return rest_; }

  std::vector<Diagnosis> ranked() &&;

 private:
  void put_unsure_first();
  void tell_once();

  // Below this a diagnosis is not named.
  static constexpr double kWorthNaming = 0.02;

  double rest_ = 1, most_ = 1, absence_most_ = 1;
  std::vector<Diagnosis> list_;
  std::vector<std::string> notes_, doubts_;
  std::string cure_;
};

void judge_port(const Reading& reading, Verdicts& verdicts);
void judge_socket(const Reading& reading, Verdicts& verdicts);

// What no circuit shows, but a channel that was not connected or a wrong word about the rail does (judge_recording.cpp). True: nothing else
// may be concluded, and the reason stands as a doubt.
bool recording_is_wrong(const Reading& reading, Verdicts& verdicts);
void doubt_constant_current(const Reading& reading, Verdicts& verdicts);
void doubt_milliampere(const Reading& reading, Verdicts& verdicts);
// The burst, or nullptr and a note when it is of another power-up than the trace.
const Features* same_power_up(const Features& trace, const Features* burst, Verdicts& verdicts);

// What the check before power adds on the port, where there was one (judge_before_power.cpp).
std::string before_power(std::string_view finding);
// How likely the load that looks like `ohm` at the port is a resistor on its 5 V side.
std::optional<double> resistor_at_5V(const Reading& reading, double ohm);
void judge_open_before(const Reading& reading, Verdicts& verdicts);
void judge_leak(const Reading& reading, Verdicts& verdicts);
void judge_leak_gone(const Reading& reading, Verdicts& verdicts);
void judge_data_lines(const Reading& reading, Verdicts& verdicts);
// The rail had stood and then lies far below while much current flows.
std::vector<std::string> overload_evidence(const Reading& reading, const Overload& overload);
// The next step where a load holds the rail down: not another power-up.
std::string ohms_before_power_again();
// Both: the supply stood and fell. Claims limit_trip.
void judge_collapse(const Reading& reading, Verdicts& verdicts);

// Texts per fault; `runner_up` is what the next step should tell it from.
std::string next_step_for(Fault fault, Fault runner_up);
std::string caution_for(Fault fault);

}  // namespace steadycell::supply
