#pragma once
#include <cstddef>
#include <cstdint>
#include <span>
#include <vector>

namespace steadycell::supply {

// Where the mean of a series changes: PELT with squared cost (Killick, Fearnhead, Eckley, JASA 107 (2012) 1590),
// the minimum of (sum of squared deviations) + penalty per change, exact within windows of kSegmentWindow values.
// A longer series is walked window by window, each starting at the last change found, so the time grows with the
// length alone; a change at a window's border stays only if it pays its penalty. Every segment has at least
// `shortest` values. Returns the first index of each segment but the first, ascending.
inline constexpr std::size_t kSegmentWindow = 2048;
// `evaluations`: where to add how often a segment's cost was computed, which is what the time goes into.
std::vector<std::size_t> change_points(std::span<const double> values, double penalty, std::size_t shortest,
                                       std::uint64_t* evaluations = nullptr);

}  // namespace steadycell::supply
