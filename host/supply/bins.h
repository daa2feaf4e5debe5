#pragma once
#include <cstdint>
#include <vector>

namespace steadycell::supply {

// All samples of one stretch of time, 1 ms as a rule.
struct Bin {
  float mean_mA = 0, deviation_mA = 0;  // deviation of the samples inside
  float low_mA = 0, high_mA = 0;
  float mean_V = 0, low_V = 0, high_V = 0;
  std::uint32_t samples = 0;  // 0: a gap
};

// Gathers samples into bins of equal width, at most `most` of them; what comes later is left out.
class BinGatherer {
 public:
  BinGatherer(double start_s, double width_s, std::size_t most)
      : start_s_(start_s), width_s_(width_s), most_(most) {}
  void add(double time_s, double mA, double volts);
  std::vector<Bin> finish();

 private:
  void close();

  double start_s_, width_s_;
  std::size_t most_;
  std::vector<Bin> bins_;
  std::size_t open_ = 0;  // index of the bin being filled
  double sum_ = 0, squares_ = 0, volts_ = 0;
  Bin current_;
};

}  // namespace steadycell::supply
