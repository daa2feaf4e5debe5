#include "assess/sequence.h"

#include <algorithm>
#include <cmath>
#include <optional>

namespace steadycell::assess {
namespace {

constexpr double kUnknown = 0.3;  // share of contents that are random

std::array<double, 256> usual_contents() {
  std::array<double, 256> shares{};
  const auto raise = [&](unsigned first, unsigned last, double each) {
    for (unsigned value = first; value <= last; ++value) shares[value] += each;
  };
  raise(0x00, 0x00, 0.25);
  raise(0xFF, 0xFF, 0.06);
  raise(0x01, 0x10, 0.003);
  raise(0x20, 0x7E, 0.001);
  raise('a', 'z', 0.005);
  for (const char letter : {' ', 'e', 't', 'a', 'o', 'n', 'i', 'r', 's'})
    shares[static_cast<std::uint8_t>(letter)] += 0.015;
  return shares;
}

// Share of pairs of pages with the same byte, times 256: 1 for random contents.
double agreement(std::span<const std::uint16_t> counts, double pages) {
  double pairs = 0;
  for (const std::uint16_t count : counts) pairs += static_cast<double>(count) * (static_cast<double>(count) - 1);
  return pairs * 256 / (pages * (pages - 1));
}

}  // namespace

SequenceEstimator::SequenceEstimator() {
  use(usual_contents());
}

void SequenceEstimator::learn(const ByteCounts& contents) {
  std::array<double, 256> shares{};
  for (unsigned value = 0; value < 256; ++value)
    shares[value] = static_cast<double>(contents.of(static_cast<std::uint8_t>(value))) /
                    static_cast<double>(std::max<std::uint64_t>(1, contents.total()));
  use(shares);
}

void SequenceEstimator::use(const std::array<double, 256>& shares) {
  double sum = 0;
  for (const double share : shares) sum += share;
  for (std::size_t value = 0; value < 256; ++value)
    likelihoods_[value] =
        static_cast<float>(std::log(kUnknown / 256 + (1 - kUnknown) * shares[value] / std::max(sum, 1e-9)));
  transform(likelihoods_);
}

void SequenceEstimator::transform(Spectrum& values) {
  for (std::size_t half = 1; half < values.size(); half *= 2)
    for (std::size_t base = 0; base < values.size(); base += 2 * half)
      for (std::size_t i = base; i < base + half; ++i) {
        const float a = values[i], b = values[i + half];
        values[i] = a + b;
        values[i + half] = a - b;
      }
}

// The log-likelihood of each whitening byte s is the sum over the pages of the one of (byte XOR s): a convolution
// over XOR.
void SequenceEstimator::estimate(std::span<const ByteSpan> pages, MutableByteSpan sequence) const {
  Spectrum odds;
  for (std::size_t place = 0; place < sequence.size(); ++place) {
    odds.fill(0);
    for (const ByteSpan page : pages) odds[page[place]] += 1;
    transform(odds);
    for (std::size_t i = 0; i < odds.size(); ++i) odds[i] *= likelihoods_[i];
    transform(odds);
    sequence[place] = static_cast<std::uint8_t>(std::max_element(odds.begin(), odds.end()) - odds.begin());
  }
}

void SequenceEstimator::refine(std::span<const ByteSpan> pages, MutableByteSpan sequence) {
  constexpr double kLeastCommon = 0.15;  // what fewer bytes of a page agree on is no candidate
  std::vector<std::array<float, 256>> likelihoods(pages.size());
  std::vector<std::pair<std::size_t, std::uint8_t>> common;  // page, its commonest byte
  for (std::size_t i = 0; i < pages.size(); ++i) {
    ByteCounts counts;
    Bytes contents(sequence.begin(), sequence.end());
    for (std::size_t place = 0; place < contents.size(); ++place)
      contents[place] = static_cast<std::uint8_t>(contents[place] ^ pages[i][place]);
    counts.add(contents);
    const auto total = static_cast<double>(counts.total());
    for (unsigned value = 0; value < 256; ++value)
      likelihoods[i][value] = static_cast<float>(
          std::log((static_cast<double>(counts.of(static_cast<std::uint8_t>(value))) + 1) / (total + 256)));
    if (static_cast<double>(counts.of(counts.commonest())) >= kLeastCommon * total)
      common.emplace_back(i, counts.commonest());
  }
  for (std::size_t place = 0; place < sequence.size(); ++place) {
    std::array<bool, 256> tried{};
    float best = 0;
    std::optional<std::uint8_t> likeliest;
    const auto attempt = [&](std::uint8_t byte) {
      if (tried[byte]) return;
      tried[byte] = true;
      float sum = 0;
      for (std::size_t i = 0; i < pages.size(); ++i) sum += likelihoods[i][pages[i][place] ^ byte];
      if (likeliest && sum <= best) return;
      best = sum;
      likeliest = byte;
    };
    attempt(sequence[place]);
    for (const auto& [page, byte] : common) attempt(pages[page][place] ^ byte);
    sequence[place] = *likeliest;
  }
}

void Gain::add(ByteSpan before, ByteSpan after) {
  ByteCounts raw, contents;
  raw.add(before);
  contents.add(after);
  ++pages_;
  const double raw_entropy = raw.entropy(), entropy = contents.entropy();
  if (entropy >= raw_entropy + 1) ++noisier_;
  if (entropy > raw_entropy - 1 || looks_plain(before)) return;
  ++plainer_;
  if (is_varied(contents)) ++varied_;
  before_.add(raw);
  after_.add(contents);
}

void Gain::add(const Gain& other) {
  pages_ += other.pages_;
  plainer_ += other.plainer_;
  noisier_ += other.noisier_;
  varied_ += other.varied_;
  before_.add(other.before_);
  after_.add(other.after_);
}

PlaceCounts::PlaceCounts(std::uint32_t raw_page_bytes, std::uint32_t spare_bytes)
    : spare_bytes_(spare_bytes),
      before_(std::size_t{raw_page_bytes} * 256),
      after_(before_.size()),
      differences_(std::size_t{spare_bytes} * 256),
      xors_(differences_.size()) {}

void PlaceCounts::add(ByteSpan before, ByteSpan after) {
  if (pages_ == 0xFFFF) return;
  ++pages_;
  for (std::size_t place = 0; place < before.size(); ++place) {
    ++before_[place * 256 + before[place]];
    ++after_[place * 256 + after[place]];
  }
}

void PlaceCounts::add_neighbours(ByteSpan spare, ByteSpan next) {
  if (neighbours_ == 0xFFFF) return;
  ++neighbours_;
  for (std::size_t place = 0; place < spare_bytes_; ++place) {
    ++differences_[place * 256 + static_cast<std::uint8_t>(next[place] - spare[place])];
    ++xors_[place * 256 + (next[place] ^ spare[place])];
  }
}

// Under random sequences of 8 and more even constant contents change in so many ways from page to page that one
// pair of changes in eight is alike; so are one in three under those of a register seeded with the page number. A
// counter's are alike nearly always.
bool PlaceCounts::counts_pages(std::size_t place, double agreement_after) const {
  constexpr std::uint32_t kLeastNeighbours = 64;
  const std::size_t spare_begin = before_.size() / 256 - spare_bytes_;
  if (place < spare_begin) return false;
  if (neighbours_ < kLeastNeighbours) return true;
  const auto of = [&](const std::vector<std::uint16_t>& counts) {
    return agreement(std::span(counts).subspan((place - spare_begin) * 256, 256), neighbours_);
  };
  return 2 * std::max(of(differences_), of(xors_)) >= agreement_after;
}

std::vector<bool> PlaceCounts::covered() const {
  std::vector<bool> out(before_.size() / 256), varies(out.size());
  if (pages_ < 2) return out;
  const double pages = pages_;
  // n (n-1) / 2 pairs agree with a chance of 1/256 each: one standard deviation of `agreement` is 22.6 / n.
  const double chance = 1 + 6 * 22.6 / pages;
  for (std::size_t place = 0; place < out.size(); ++place) {
    const auto of = [&](const std::vector<std::uint16_t>& counts) {
      return agreement(std::span(counts).subspan(place * 256, 256), pages);
    };
    const double after = of(after_), before = of(before_);
    out[place] = after > chance && after > 2 * before && !counts_pages(place, after);
    varies[place] = before < chance;
  }
  // No code is shorter than three bytes: in lesser gaps the contents are not telling.
  for (std::size_t at = 1; at + 1 < out.size(); ++at) {
    const bool ends = out[at + 1] || (at + 2 < out.size() && out[at + 2] && varies[at + 1]);
    if (!out[at] && varies[at] && out[at - 1] && ends) out[at] = true;
  }
  return out;
}

}  // namespace steadycell::assess
