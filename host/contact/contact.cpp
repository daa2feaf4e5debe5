#include "contact/contact.h"

#include <fmt/format.h>

#include <algorithm>
#include <cstdlib>
#include <optional>

namespace steadycell::contact {
namespace {

constexpr std::int16_t kOpen = 1300;   // nearer to the 1500 mV clamp than any junction
constexpr std::int16_t kShort = 150;   // a short, or a bridge to a held rail
constexpr std::int16_t kDeadRail = 50;
constexpr std::int16_t kHighMedian = 900;

// x8 signals of every TSOP48 chip; 6 and 10 come with a second chip enable, 14 and 15 with a third and fourth.
constexpr unsigned kSignals[] = {7, 8, 9, 16, 17, 18, 19, 29, 30, 31, 32, 41, 42, 43, 44};
constexpr unsigned kRails[] = {12, 13, 36, 37};

enum class Look : std::uint8_t { open, both, plus_only, minus_only, low };

Look look_of(const Reading& r) {
  const bool plus_open = r.plus_mV >= kOpen, minus_open = r.minus_mV <= -kOpen;
  if (plus_open && minus_open) return Look::open;
  if (std::abs(r.plus_mV) < kShort && std::abs(r.minus_mV) < kShort) return Look::low;
  if (plus_open) return Look::minus_only;
  return minus_open ? Look::plus_only : Look::both;
}

bool is_rail(unsigned position) { return std::find(std::begin(kRails), std::end(kRails), position) != std::end(kRails); }

unsigned turned(unsigned n) { return n <= 24 ? n + 24 : n - 24; }

// Where pin n of the chip lands when it sits `by` positions off; nothing beyond the end of its side.
std::optional<unsigned> shifted(unsigned n, int by) {
  const bool first_side = n <= 24;
  const int to = static_cast<int>(n) + (first_side ? by : -by);
  if (first_side ? to < 1 || to > 24 : to < 25 || to > 48) return std::nullopt;
  return static_cast<unsigned>(to);
}

using Expected = std::array<bool, kPositions + 1>;

template <typename Place>
Expected signals_at(Place&& place) {
  Expected expected{};
  for (const unsigned n : kSignals)
    if (const std::optional<unsigned> at = place(n); at && !is_rail(*at)) expected[*at] = true;
  return expected;
}

class Judge {
 public:
  explicit Judge(const Readings& readings) : readings_(readings) {
    for (unsigned n = 1; n <= kPositions; ++n) looks_[n] = look_of(readings.position[n - 1]);
  }

  Verdict verdict() const {
    if (connected() == 0 && rail_open()) return say(Seating::empty, "nothing is seated: every contact is open");
    if (rail_dead())
      return say(Seating::supply_short, "VCC and GND are shorted: a dead chip, or a bridge at the supply pins; do not power it");
    // The supply's own junction first: a turned chip reverses it, and counting contacts alone would not show that.
    if (rail_turned() || fits(signals_at([](unsigned n) { return std::optional(turned(n)); }), Look::both))
      return say(Seating::turned, "the chip is turned by 180 degrees: powered like this its supply would be reversed");
    if (fits(signals_at([](unsigned n) { return shifted(n, 1); }), Look::plus_only))
      return say(Seating::shifted_down, "the chip sits one position too low (towards pin 24)");
    if (fits(signals_at([](unsigned n) { return shifted(n, -1); }), Look::minus_only))
      return say(Seating::shifted_up, "the chip sits one position too high (towards pin 1)");
    return upright();
  }

 private:
  static Verdict say(Seating seating, std::string text, std::vector<std::uint8_t> pins = {}) {
    Verdict verdict;
    verdict.seating = seating;
    verdict.text = std::move(text);
    verdict.pins = std::move(pins);
    return verdict;
  }

  unsigned connected() const {
    unsigned count = 0;
    for (unsigned n = 1; n <= kPositions; ++n) count += !is_rail(n) && looks_[n] != Look::open ? 1 : 0;
    return count;
  }
  bool rail_open() const { return look_of(readings_.rail) == Look::open; }
  bool rail_dead() const { return std::abs(readings_.rail.plus_mV) < kDeadRail && std::abs(readings_.rail.minus_mV) < kDeadRail; }
  bool rail_turned() const { return look_of(readings_.rail) == Look::plus_only; }

  // Nearly all expected positions look like that, and nearly nothing else is connected.
  bool fits(const Expected& expected, Look look) const {
    unsigned wanted = 0, seen = 0, extra = 0;
    for (unsigned n = 1; n <= kPositions; ++n) {
      if (is_rail(n)) continue;
      wanted += expected[n] ? 1 : 0;
      seen += expected[n] && looks_[n] == look ? 1 : 0;
      extra += !expected[n] && looks_[n] == look ? 1 : 0;
    }
    return seen + 2 >= wanted && extra <= 4;
  }

  Verdict upright() const {
    std::vector<std::uint8_t> open, bridged;
    unsigned open_first_side = 0, first_side = 0, open_second_side = 0, second_side = 0;
    for (const unsigned n : kSignals) {
      const bool is_open = looks_[n] == Look::open;
      if (is_open) open.push_back(static_cast<std::uint8_t>(n));
      (n <= 24 ? first_side : second_side) += 1;
      (n <= 24 ? open_first_side : open_second_side) += is_open ? 1 : 0;
    }
    for (unsigned n = 1; n <= kPositions; ++n)
      if (readings_.position[n - 1].bridged_with != 0 && !is_rail(n)) bridged.push_back(static_cast<std::uint8_t>(n));
    if (!bridged.empty())
      return say(Seating::bridged, fmt::format("neighbouring contacts are bridged: {}", list(bridged)), bridged);
    if (open_first_side == first_side || open_second_side == second_side) {
      const bool first = open_first_side == first_side;
      return say(Seating::side_open, fmt::format("the whole row of pins {} has no contact: lid tilted, row bent, or debris", first ? "1 to 24" : "25 to 48"), open);
    }
    if (!open.empty() && open.size() <= 5)
      return say(Seating::pin_open, fmt::format("no contact at {}: dirty or bent", list(open)), open);
    if (!open.empty()) return say(Seating::unsure, fmt::format("{} of {} contacts are open: neither seated nor empty", open.size(), std::size(kSignals)), open);
    return seated();
  }

  Verdict seated() const {
    Verdict verdict = say(Seating::seated, "");
    verdict.chip_enables = looks_[10] != Look::open ? (looks_[14] != Look::open ? (looks_[15] != Look::open ? 4 : 3) : 2) : 1;
    std::vector<std::int16_t> plus, minus;
    std::vector<std::uint8_t> one_way;
    for (const unsigned n : kSignals) {
      const Reading& r = readings_.position[n - 1];
      if (looks_[n] == Look::both) {
        plus.push_back(r.plus_mV);
        minus.push_back(static_cast<std::int16_t>(-r.minus_mV));
      } else {
        one_way.push_back(static_cast<std::uint8_t>(n));
      }
    }
    // One direction missing on all pins is a property of the part (inputs that stand more than the rail); on one it is a fault.
    if (!one_way.empty() && one_way.size() < std::size(kSignals))
      return say(Seating::pin_open, fmt::format("{} conduct{} one way only", list(one_way), one_way.size() == 1 ? "s" : ""), one_way);
    if (!one_way.empty()) verdict.notes.push_back("all inputs conduct one way only: inputs that stand more than the rail, a property of the part");
    verdict.text = fmt::format("a chip is seated, {} chip enable{}", verdict.chip_enables, verdict.chip_enables == 1 ? "" : "s");
    if (!plus.empty()) {
      const auto median = [](std::vector<std::int16_t>& values) {
        std::nth_element(values.begin(), values.begin() + static_cast<std::ptrdiff_t>(values.size() / 2), values.end());
        return values[values.size() / 2];
      };
      const std::int16_t up = median(plus), down = median(minus);
      if (up > kHighMedian || down > kHighMedian)
        verdict.notes.push_back(fmt::format("clamps read high ({} and {} mV): series resistance in the common ground contact, or a cold chip", up, down));
      for (const unsigned n : kSignals) {
        const Reading& r = readings_.position[n - 1];
        const int off = std::max(r.plus_mV - up, -r.minus_mV - down);
        if (looks_[n] == Look::both && off > 80) {
          verdict.pins.push_back(static_cast<std::uint8_t>(n));
          verdict.notes.push_back(fmt::format("pin {} ({}) reads {} mV above the others: about {} ohm of extra contact resistance", n, signal_name(n), off, off * 10));
        }
      }
    }
    return verdict;
  }

  static std::string list(const std::vector<std::uint8_t>& pins) {
    std::string text;
    for (const std::uint8_t pin : pins) text += fmt::format("{}pin {} ({})", text.empty() ? "" : ", ", pin, signal_name(pin));
    return text;
  }

  const Readings& readings_;
  std::array<Look, kPositions + 1> looks_{};
};

}  // namespace

std::string_view name_of(Seating seating) {
  static constexpr std::string_view kNames[] = {"empty", "seated", "turned", "shifted_down", "shifted_up", "side_open", "pin_open", "supply_short", "bridged", "unsure"};
  return kNames[static_cast<std::size_t>(seating)];
}

std::string_view signal_name(unsigned position) {
  switch (position) {
    case 6: return "R/B2#";
    case 7: return "R/B#";
    case 8: return "RE#";
    case 9: return "CE#";
    case 10: return "CE2#";
    case 12: case 37: return "VCC";
    case 13: case 36: return "VSS";
    case 14: return "CE3#";
    case 15: return "CE4#";
    case 16: return "CLE";
    case 17: return "ALE";
    case 18: return "WE#";
    case 19: return "WP#";
    case 29: return "I/O0";
    case 30: return "I/O1";
    case 31: return "I/O2";
    case 32: return "I/O3";
    case 41: return "I/O4";
    case 42: return "I/O5";
    case 43: return "I/O6";
    case 44: return "I/O7";
    default: return "NC";
  }
}

Verdict judge(const Readings& readings) { return Judge(readings).verdict(); }

}  // namespace steadycell::contact
