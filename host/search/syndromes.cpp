#include "search/syndromes.h"

#include <algorithm>

namespace steadycell::search {
namespace {

constexpr std::uint16_t kNone = 0xFFFF;

}  // namespace

SyndromeTables::SyndromeTables(const ecc::GaloisField& field, unsigned most_t, ecc::BitOrder order)
    : field_(&field), most_t_(most_t), byte_logs_(std::size_t{256} * most_t) {
  for (unsigned byte = 0; byte < 256; ++byte)
    for (unsigned k = 0; k < most_t; ++k) {
      std::uint32_t sum = 0;
      for (unsigned bit = 0; bit < 8; ++bit) {  // in the code's order: the first has the highest power
        const unsigned value = byte >> (order == ecc::BitOrder::msb_first ? 7 - bit : bit) & 1u;
        if (value != 0) sum ^= field.power((field.order() - (bit + 1) * (2 * k + 1) % field.order()) % field.order());
      }
      byte_logs_[byte * most_t + k] = sum == 0 ? kNone : static_cast<std::uint16_t>(field.log(sum));
    }
}

std::uint32_t SyndromeTables::exponent(unsigned k, std::int64_t bytes) const {
  const auto order = static_cast<std::int64_t>(field_->order());
  const std::int64_t e = -8 * bytes % order * (2 * std::int64_t{k} + 1) % order;
  return static_cast<std::uint32_t>(e < 0 ? e + order : e);
}

void SyndromeTables::add(std::span<std::uint16_t> sum, ByteSpan bytes, std::int64_t at) const {
  const std::uint32_t order = field_->order();
  std::vector<std::uint32_t> place(sum.size()), step(sum.size());
  for (unsigned k = 0; k < sum.size(); ++k) {
    place[k] = exponent(k, at);
    step[k] = 8 * (2 * k + 1) % order;
  }
  for (const std::uint8_t byte : bytes) {
    const std::uint16_t* const logs = &byte_logs_[std::size_t{byte} * most_t_];
    for (std::size_t k = 0; k < sum.size(); ++k) {
      if (logs[k] != kNone) sum[k] = static_cast<std::uint16_t>(sum[k] ^ field_->power(logs[k] + place[k]));
      place[k] = place[k] >= step[k] ? place[k] - step[k] : place[k] + order - step[k];
    }
  }
}

void SyndromeTables::move(std::span<std::uint16_t> sum, std::int64_t bytes) const {
  for (unsigned k = 0; k < sum.size(); ++k)
    if (sum[k] != 0) sum[k] = static_cast<std::uint16_t>(field_->power(field_->log(sum[k]) + exponent(k, bytes)));
}

PrefixSyndromes::PrefixSyndromes(const SyndromeTables& tables, ByteSpan page, std::span<const std::uint32_t> places)
    : width_(tables.most_t()), sums_(places.size() * width_) {
  Syndromes sum(width_, 0);
  std::uint32_t done = 0;
  for (std::size_t i = 0; i < places.size(); ++i) {
    tables.add(sum, page.subspan(done, places[i] - done), done);
    done = places[i];
    std::copy(sum.begin(), sum.end(), sums_.begin() + static_cast<std::ptrdiff_t>(i * width_));
  }
}

FitFinder::FitFinder(const ecc::GaloisField& field, unsigned most_t)
    : order_(field.order()),
      logs_(std::size_t{order_} + 1),
      powers_(4 * std::size_t{order_} + 1),
      all_(2 * most_t + 1),
      locator_(2 * most_t + 2),
      locator_logs_(locator_.size()),
      previous_(locator_.size()),
      saved_(locator_.size()) {
  logs_[0] = static_cast<std::uint16_t>(2 * order_);
  for (std::uint32_t exponent = 0; exponent < order_; ++exponent) {
    powers_[exponent] = powers_[exponent + order_] = static_cast<std::uint16_t>(field.power(exponent));
    logs_[field.power(exponent)] = static_cast<std::uint16_t>(exponent);
  }
}

// Massey's algorithm as in ecc/bch_errors.cpp, kept going over all syndromes while the zero discrepancies are counted.
Fit FitFinder::find(std::span<const std::uint16_t> odd, unsigned most_t) {
  most_t = std::min<unsigned>(most_t, static_cast<unsigned>(odd.size()));
  const auto zero = static_cast<std::uint16_t>(log(0));
  std::fill_n(locator_.begin(), 2 * most_t + 2, std::uint16_t{0});
  std::fill_n(locator_logs_.begin(), 2 * most_t + 2, zero);
  locator_[0] = 1;
  locator_logs_[0] = previous_[0] = 0;
  unsigned length = 0, previous_length = 0, gap = 1, zeros = 0;  // previous_ has coefficients 0 to previous_length
  std::uint32_t previous_log = 0;                                // of the discrepancy that went with it
  Fit best;
  for (unsigned i = 0; i < most_t; ++i) {
    const unsigned n = 2 * i;
    all_[n + 1] = static_cast<std::uint16_t>(log(odd[i]));
    if (n + 2 <= 2 * most_t) {
      const std::uint32_t half = all_[i + 1];
      all_[n + 2] = static_cast<std::uint16_t>(half == zero ? half : 2 * half % order_);
    }
    std::uint32_t discrepancy = odd[i];
    for (unsigned k = 1; k <= std::min(length, n); ++k) discrepancy ^= powers_[std::uint32_t{locator_logs_[k]} + all_[n + 1 - k]];
    if (discrepancy == 0) {
      ++zeros;
      gap += 2;
      if (zeros > best.zeros) best = {i + 1, zeros};
      continue;
    }
    zeros = 0;
    const std::uint32_t discrepancy_log = log(discrepancy), factor = (discrepancy_log + order_ - previous_log) % order_;
    const bool longer = 2 * length <= n;
    if (longer) std::copy_n(locator_logs_.begin(), length + 1, saved_.begin());
    for (unsigned k = 0; k <= previous_length; ++k) {
      locator_[k + gap] = static_cast<std::uint16_t>(locator_[k + gap] ^ powers_[factor + previous_[k]]);
      locator_logs_[k + gap] = logs_[locator_[k + gap]];
    }
    if (longer) {
      previous_length = length;
      length = n + 1 - length;
      std::swap(previous_, saved_);
      previous_log = discrepancy_log;
      gap = 2;
    } else {
      gap += 2;
    }
  }
  return best;
}

}  // namespace steadycell::search
