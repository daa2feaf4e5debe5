#include "assess/byte_counts.h"

#include <algorithm>
#include <cmath>
#include <numbers>

namespace steadycell::assess {
namespace {

// Six standard deviations of chi-square with 255 degrees of freedom: one flat page in 1e7 is called `other`.
constexpr double kMostFlat = 255 + 6 * 22.58;
constexpr std::uint64_t kLeastOthers = 64;

}  // namespace

void ByteCounts::add(ByteSpan bytes) {
  // Two tables, so that a run of one value does not wait for its own store.
  std::array<std::uint64_t, 256> second{};
  const std::size_t even = bytes.size() & ~std::size_t{1};
  for (std::size_t i = 0; i < even; i += 2) {
    ++counts_[bytes[i]];
    ++second[bytes[i + 1]];
  }
  if (even < bytes.size()) ++counts_[bytes[even]];
  for (std::size_t value = 0; value < 256; ++value) counts_[value] += second[value];
  total_ += bytes.size();
}

void ByteCounts::add(const ByteCounts& other) {
  for (std::size_t value = 0; value < 256; ++value) counts_[value] += other.counts_[value];
  total_ += other.total_;
}

double ByteCounts::entropy() const {
  double sum = 0;
  for (const std::uint64_t count : counts_)
    if (count > 0)
      sum += static_cast<double>(count) * std::log2(static_cast<double>(total_) / static_cast<double>(count));
  return total_ > 0 ? sum / static_cast<double>(total_) : 0;
}

double ByteCounts::chi_square() const {
  if (total_ == 0) return 0;
  const double expected = static_cast<double>(total_) / 256;
  double sum = 0;
  for (const std::uint64_t count : counts_) {
    const double off = static_cast<double>(count) - expected;
    sum += off * off;
  }
  return sum / expected;
}

std::uint8_t ByteCounts::commonest() const {
  return static_cast<std::uint8_t>(std::max_element(counts_.begin(), counts_.end()) - counts_.begin());
}

bool looks_erased(ByteSpan raw_page) {
  const std::uint64_t bits = raw_page.size() * 8;
  return (bits - count_ones(raw_page)) * 50 <= bits;
}

double random_entropy(std::uint64_t bytes) {
  return bytes == 0 ? 0 : std::max(0.0, 8 - 255 / (2 * std::numbers::ln2 * static_cast<double>(bytes)));
}

namespace {

bool looks_plain(ByteSpan data, const ByteCounts& counts) {
  const double most = random_entropy(data.size()) - 1;
  if (counts.entropy() <= most) return true;
  Bytes steps(data.size());
  for (std::size_t i = 0; i < data.size(); ++i)
    steps[i] = static_cast<std::uint8_t>(data[i] - data[i == 0 ? 0 : i - 1]);
  ByteCounts of_steps;
  of_steps.add(steps);
  return of_steps.entropy() <= most;
}

}  // namespace

bool looks_plain(ByteSpan data) {
  ByteCounts counts;
  counts.add(data);
  return looks_plain(data, counts);
}

Look look_of(ByteSpan data) {
  ByteCounts counts;
  counts.add(data);
  if (counts.of(counts.commonest()) * 10 >= counts.total() * 9) return Look::constant;
  if (looks_plain(data, counts)) return Look::plain;
  return counts.chi_square() <= kMostFlat ? Look::flat : Look::other;
}

bool is_varied(const ByteCounts& page) {
  const std::uint8_t common = page.commonest();
  const std::uint64_t others = page.total() - page.of(common);
  if (others < kLeastOthers) return false;
  const double expected = static_cast<double>(others) / 255;
  double sum = 0;
  for (unsigned value = 0; value < 256; ++value) {
    if (value == common) continue;
    const double off = static_cast<double>(page.of(static_cast<std::uint8_t>(value))) - expected;
    sum += off * off;
  }
  return sum / expected > 254 + 10 * 22.54;
}

}  // namespace steadycell::assess
