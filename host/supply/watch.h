#pragma once
#include <cstdint>
#include <deque>
#include <optional>
#include <vector>

#include "supply/features.h"

// What can happen at any moment of a trace of any length: contact drops and collapses of the supply, found sample
// by sample in the memory of 20 ms.
namespace steadycell::supply {

class Watch {
 public:
  Watch(double sample_s, double noise_mA) : sample_s_(sample_s), noise_mA_(noise_mA) {}

  // From switch-on on; `mA` is above the baseline.
  void add(double time_s, double mA, double volts);
  // Moves what was found into `out`.
  void finish(Features& out);

 private:
  void watch_drop(double time_s, double mA, double volts);
  void watch_collapse(double time_s, double volts);
  void watch_overload(double time_s, double mA, double volts);
  void close_overload(bool opened, double least_s);
  void close_drop();
  void judge_collapse();
  void look_at_standing(double now_s);

  struct Recent {
    double time_s, mA, volts;
  };

  double sample_s_, noise_mA_;
  std::deque<Recent> recent_;  // the last 20 ms
  double standing_V_ = 0;      // the voltage that stood for 2 ms, highest so far
  double looked_s_ = -1e9;     // when that was last looked at
  double level_mA_ = 0;        // running level, 5 ms; holds still during a drop

  double start_s_ = 1e300;  // of the first sample
  bool in_drop_ = false;
  std::uint32_t drop_samples_ = 0;
  double drop_start_s_ = 0, drop_sum_ = 0;
  bool returning_ = false;  // within 2 ms behind a drop
  Drop drop_;
  std::vector<Drop> drops_;
  std::uint64_t drop_count_ = 0;

  bool down_ = false, judged_ = true;
  Collapse collapse_;
  std::vector<Collapse> collapses_;

  bool overloaded_ = false;
  std::size_t relieved_ = 0, heavy_ = 0;  // samples in a row that no longer look it; samples of this one
  Overload now_;                          // sums until it ends
  std::optional<Overload> longest_;
};

}  // namespace steadycell::supply
