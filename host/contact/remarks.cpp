#include "contact/remarks.h"

#include <fmt/format.h>

#include <algorithm>

namespace steadycell::contact {
namespace {

constexpr int kSeriesExcess_mV = 80;  // above the chip's own median; 1 kohm reads 100 mV more (Ohm's law at 100 uA)
constexpr int kLeakDeficit_mV = 60;   // below it; pins of one chip lie within some 50 mV of each other
constexpr int kUsualMedian_mV = 800;  // above it the whole chip reads high

int median(std::vector<int> values) {
  const auto middle = values.begin() + static_cast<std::ptrdiff_t>(values.size() / 2);
  std::nth_element(values.begin(), middle, values.end());
  return *middle;
}

}  // namespace

std::vector<std::string> remarks_on(const Readings& readings, const SocketMap& map) {
  std::vector<std::string> notes;
  std::vector<int> up, down;
  for (unsigned p = 1; p <= kPositions; ++p) {
    const Reading& r = readings.positions[p - 1];
    if (!map.signals[p]) continue;
    if (conducts(r.plus_mV)) up.push_back(r.plus_mV);
    if (conducts(r.minus_mV)) down.push_back(-r.minus_mV);
  }
  if (up.empty() || down.empty()) return notes;
  const int up_median = median(up), down_median = median(down);
  PositionSet low;
  std::array<int, kPositions + 1> below{};
  for (unsigned p = 1; p <= kPositions; ++p) {
    const Reading& r = readings.positions[p - 1];
    if (!map.signals[p] || !conducts(r.plus_mV) || !conducts(r.minus_mV)) continue;
    const int over_up = r.plus_mV - up_median, over_down = -r.minus_mV - down_median;
    if (const int excess = std::max(over_up, over_down); excess >= kSeriesExcess_mV)
      notes.emplace_back(
          fmt::format("{} reads {} mV above the chip's other pins, some {} ohm in series: clean it", map.describe(p), excess, excess * 10));
    below[p] = -std::min(over_up, over_down);
    low[p] = below[p] >= kLeakDeficit_mV;
  }
  for (unsigned p = 1; p <= kPositions; ++p)
    if (low[p])
      notes.emplace_back(
          fmt::format("{} reads {} mV below the chip's other pins{}: leakage, often flux residue; clean and dry, then repeat",
                      map.describe(p), below[p], (p > 1 && low[p - 1]) || (p < kPositions && low[p + 1]) ? ", as its neighbour does" : ""));
  if (up_median > kUsualMedian_mV && down_median > kUsualMedian_mV)
    notes.emplace_back(
        fmt::format("all pins read high ({} and {} mV): resistance in the common ground contact, or a cold chip", up_median, down_median));
  if (conducts(readings.rail.plus_mV) && conducts(readings.rail.minus_mV))
    notes.emplace_back(
        fmt::format("VCC leaks to ground, some {} kohm: flux residue or a leaky part; clean and dry, then watch the standby current",
                    readings.rail.plus_mV / 100));
  return notes;
}

std::vector<std::string> other_readings_of(const SocketMap& chosen, const PositionSet& conducting) {
  std::vector<std::string> notes;
  if (chosen.name == built_in_maps().front().name) return notes;
  for (const SocketMap& other : built_in_maps()) {
    if (other.adapter || other.name == chosen.name) continue;
    const PositionSet missing = other.signals & ~conducting, extra = conducting & ~other.signals & ~other.may_be_bonded();
    if (missing.count() != 1 || extra.any()) continue;
    unsigned open = 1;
    while (!missing[open]) ++open;
    notes.emplace_back(fmt::format("a part of \"{}\" with {} open would read the same: --map {} tells them apart", other.title,
                                   other.describe(open), other.name));
  }
  if (chosen.bus_bits == 16) notes.emplace_back("contacts cannot tell in which order a 16-bit part has its lanes");
  return notes;
}

}  // namespace steadycell::contact
