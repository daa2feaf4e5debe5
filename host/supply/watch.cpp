#include "supply/watch.h"

#include <algorithm>
#include <cmath>

namespace steadycell::supply {
namespace {

constexpr double kMemory = 20e-3;
constexpr double kLevelTime = 5e-3;
constexpr double kQuietStart = 10e-3;  // inrush and its end are no drops
constexpr double kStand = 2e-3, kLook = 0.5e-3;
constexpr double kShortestDrop = 0.25e-3;  // shorter ones ride on the capacitors and leave a spike only
// A rail this far below where it stood at less than so many ohms is overloaded: 50 ohm at 5 V are the 100 mA that
// a port gives before a host configures the stick (USB 2.0, 7.2.1, from memory), and 4.4 V of 5 the least that it
// may fall to (7.2.2). The rest is common practice, no source: a supply that is switched off falls at less than 5
// mA, and capacitors recharge within 20 ms.
constexpr double kFallen = 0.88, kOverload_ohm = 50, kOverload_mA = 5;
constexpr double kRecharge = 20e-3, kBrief = 3e-3;
constexpr std::size_t kRelieved = 3;  // samples; noise alone does not end it
constexpr std::size_t kMostDrops = 256, kMostCollapses = 16;

}  // namespace

void Watch::add(double time_s, double mA, double volts) {
  recent_.push_back({time_s, mA, volts});
  while (recent_.front().time_s < time_s - kMemory) recent_.pop_front();
  watch_collapse(time_s, volts);
  watch_overload(time_s, mA, volts);
  watch_drop(time_s, mA, volts);
}

// A contact that opens takes the current to nothing while the port loses its load and rises; when it closes again
// the capacitors behind it take back what the circuit drew meanwhile.
void Watch::watch_drop(double time_s, double mA, double volts) {
  if (start_s_ > time_s) start_s_ = time_s;
  if (time_s - start_s_ < kQuietStart) return;
  const double gone = std::max({4 * noise_mA_, 0.4, 0.02 * level_mA_});
  const bool up = standing_V_ > 0 && volts > 0.9 * standing_V_;
  if (returning_) {
    drop_.peak_after_mA = std::max(drop_.peak_after_mA, mA);
    if (time_s - drop_.time_s - drop_.length_s <= 1e-3)
      drop_.recharge_uC += (mA - std::min(mA, drop_.level_before_mA)) * sample_s_ * 1e3;
    if (!in_drop_ && time_s - drop_.time_s - drop_.length_s > 2e-3) close_drop();
  }
  if (!in_drop_) {
    if (up && mA < gone && level_mA_ > 3 * gone && level_mA_ > 2) {
      in_drop_ = true;
      drop_samples_ = 1;
      drop_sum_ = mA;
      drop_start_s_ = time_s;
      return;
    }
    if (up) level_mA_ += (mA - level_mA_) * std::min(1.0, sample_s_ / kLevelTime);
    return;
  }
  if (up && mA < gone) {
    ++drop_samples_;
    drop_sum_ += mA;
    return;
  }
  in_drop_ = false;
  const double length = time_s - drop_start_s_;
  // Back with the voltage down and no current: the supply went. With a current it is the capacitors that pull it down as they recharge.
  const bool supply_went = !up && mA < gone;
  if (supply_went || length < kShortestDrop - 1e-9 || drop_samples_ < 2) return;
  // A second gap within 2 ms of the return is the same event: the regulator starting over, or a bouncing contact.
  if (returning_) {
    drop_.length_s = time_s - drop_.time_s;
    return;
  }
  drop_ = {};
  drop_.time_s = drop_start_s_;
  drop_.length_s = length;
  drop_.level_before_mA = level_mA_;
  drop_.mean_mA = drop_sum_ / drop_samples_;
  drop_.peak_after_mA = mA;
  drop_.recharge_uC = std::max(0.0, mA - level_mA_) * sample_s_ * 1e3;
  returning_ = true;
}

void Watch::close_drop() {
  returning_ = false;
  ++drop_count_;
  if (drops_.size() < kMostDrops) drops_.push_back(drop_);
}

void Watch::watch_collapse(double time_s, double volts) {
  if (!down_) {
    if (time_s - looked_s_ >= kLook) {
      looked_s_ = time_s;
      look_at_standing(time_s);
    }
    if (standing_V_ > 1 && volts < 0.8 * standing_V_) {
      down_ = true;
      judged_ = false;
      collapse_ = {};
      collapse_.time_s = time_s;
    }
    return;
  }
  if (!judged_ && (volts < 0.15 * standing_V_ || time_s - collapse_.time_s > 15e-3 || volts > 0.9 * standing_V_))
    judge_collapse();
  if (volts > 0.9 * standing_V_) {
    down_ = false;
    if (!collapses_.empty()) collapses_.back().came_back = true;
  }
}

void Watch::watch_overload(double time_s, double mA, double volts) {
  const bool fallen = standing_V_ > 1 && volts < kFallen * standing_V_;
  const bool heavy = fallen && mA > std::max(kOverload_mA, 8 * noise_mA_) && mA * kOverload_ohm > volts * 1e3;
  if (heavy) {
    if (!overloaded_) {
      overloaded_ = true;
      now_ = {};
      now_.time_s = time_s;
      heavy_ = 0;
    }
    relieved_ = 0;
    ++heavy_;
    now_.mA += mA;
    now_.volts += volts;
    now_.length_s = time_s - now_.time_s + sample_s_;
    return;
  }
  if (overloaded_ && ++relieved_ == kRelieved) close_overload(fallen, fallen ? kBrief : kRecharge);
}

// What ends with the rail up again within 20 ms were capacitors that recharged, behind a contact that closed.
void Watch::close_overload(bool opened, double least_s) {
  overloaded_ = false;
  if (now_.length_s < least_s) return;
  if (longest_ && longest_->length_s >= now_.length_s) return;
  longest_ = now_;
  longest_->mA /= static_cast<double>(heavy_);
  longest_->volts /= static_cast<double>(heavy_);
  longest_->opened = opened;
}

// The voltage that was never undercut for 2 ms, highest so far.
void Watch::look_at_standing(double now_s) {
  if (recent_.front().time_s > now_s - kStand) return;
  double lowest = recent_.back().volts;
  for (auto r = recent_.rbegin(); r != recent_.rend() && r->time_s >= now_s - kStand; ++r)
    lowest = std::min(lowest, r->volts);
  standing_V_ = std::max(standing_V_, lowest);
}

void Watch::judge_collapse() {
  judged_ = true;
  const double from = collapse_.time_s - 10e-3;
  double peak = 0;
  for (const Recent& r : recent_)
    if (r.time_s >= from) peak = std::max(peak, r.mA);
  for (const Recent& r : recent_) {
    if (r.time_s < from || r.mA < 0.93 * peak - 4 * noise_mA_) continue;
    collapse_.flat_ms += sample_s_ * 1e3;
    if (r.volts < 0.985 * standing_V_) collapse_.sag_ms += sample_s_ * 1e3;
  }
  collapse_.peak_before_mA = peak;
  // What flowed in the 5 ms before the last 1 ms, in which capacitors would charge.
  double before = 0;
  std::size_t count = 0;
  for (const Recent& r : recent_)
    if (r.time_s >= collapse_.time_s - 6e-3 && r.time_s < collapse_.time_s - 1e-3) before = std::max(before, r.mA), ++count;
  collapse_.from_nothing = count > 2 && before < std::max(4 * noise_mA_, 0.4);
  if (collapses_.size() < kMostCollapses) collapses_.push_back(collapse_);
}

void Watch::finish(Features& out) {
  if (returning_) close_drop();
  if (down_ && !judged_) judge_collapse();
  if (overloaded_) close_overload(false, kBrief);  // to the end of the trace: nothing shows that it would have ended
  out.overload = longest_;
  out.drops = std::move(drops_);
  out.drop_count = drop_count_;
  out.collapses = std::move(collapses_);
}

}  // namespace steadycell::supply
