#include "supply/bins.h"

#include <algorithm>
#include <cmath>

namespace steadycell::supply {

void BinGatherer::add(double time_s, double mA, double volts) {
  if (time_s < start_s_) return;
  // A sample that starts at a border belongs to the bin behind it, also when its time was rounded a little down.
  const auto index = static_cast<std::size_t>((time_s - start_s_) / width_s_ + 1e-3);
  if (index >= most_) return;
  while (open_ < index) close();
  const auto a = static_cast<float>(mA), v = static_cast<float>(volts);
  if (current_.samples == 0) {
    current_.low_mA = current_.high_mA = a;
    current_.low_V = current_.high_V = v;
  }
  ++current_.samples;
  sum_ += mA;
  squares_ += mA * mA;
  volts_ += volts;
  current_.low_mA = std::min(current_.low_mA, a);
  current_.high_mA = std::max(current_.high_mA, a);
  current_.low_V = std::min(current_.low_V, v);
  current_.high_V = std::max(current_.high_V, v);
}

void BinGatherer::close() {
  if (current_.samples > 0) {
    const double n = current_.samples, mean = sum_ / n;
    current_.mean_mA = static_cast<float>(mean);
    current_.deviation_mA =
        n > 1 ? static_cast<float>(std::sqrt(std::max(0.0, (squares_ - n * mean * mean) / (n - 1)))) : 0.0F;
    current_.mean_V = static_cast<float>(volts_ / n);
  }
  bins_.push_back(current_);
  current_ = {};
  sum_ = squares_ = volts_ = 0;
  ++open_;
}

std::vector<Bin> BinGatherer::finish() {
  if (current_.samples > 0) close();
  return std::move(bins_);
}

}  // namespace steadycell::supply
