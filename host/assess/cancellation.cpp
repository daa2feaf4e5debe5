#include "assess/cancellation.h"

#include <algorithm>
#include <cstring>

namespace steadycell::assess {
namespace {

constexpr std::uint64_t kLane = 0x0101010101010101;
constexpr std::uint64_t kMostOnes = 256 - 184;
constexpr std::uint64_t kLeastCancelled = 4;

double best_share(std::span<const Distance> distances) {
  double best = 0;
  for (const Distance& distance : distances)
    if (distance.cancelled >= kLeastCancelled) best = std::max(best, distance.share());
  return best;
}

// The shortest distance that is about as good as the best; of its multiples none is better by much.
std::optional<std::uint32_t> shortest(std::span<const Distance> distances, double best) {
  for (const Distance& distance : distances)
    if (distance.cancelled >= kLeastCancelled && distance.share() * 2 >= best) return distance.apart;
  return std::nullopt;
}

}  // namespace

Excerpt excerpt_of(ByteSpan data) {
  Excerpt out;
  constexpr std::size_t kPiece = 64;
  for (std::size_t i = 0; i < 4; ++i) {
    const ByteSpan piece = data.subspan((data.size() - kPiece) * i / 3, kPiece);
    std::memcpy(out.data() + i * kPiece / 8, piece.data(), kPiece);
  }
  return out;
}

bool cancels(const Excerpt& a, const Excerpt& b) {
  for (unsigned lane = 0; lane < 8; ++lane) {
    std::uint64_t ones = 0;  // eight counters of at most 32
    for (std::size_t i = 0; i < a.size(); ++i) ones += (a[i] ^ b[i]) >> lane & kLane;
    ones = (ones & 0x00FF00FF00FF00FF) + (ones >> 8 & 0x00FF00FF00FF00FF);  // four of at most 64
    if ((ones * 0x0001000100010001 >> 48) <= kMostOnes) return true;
  }
  return false;
}

std::span<const CancellationMeter::Page> CancellationMeter::in_block(std::uint64_t block) const {
  const auto before = [](const Page& page, std::uint64_t at) { return page.block < at; };
  const auto first = std::lower_bound(pages_.begin(), pages_.end(), block, before);
  const auto last = std::lower_bound(first, pages_.end(), block + 1, before);
  return {first, last};
}

void CancellationMeter::compare(const Page& a, const Page& b, Distance& distance) const {
  if (distance.pairs >= kMostPairs) return;
  ++distance.pairs;
  distance.cancelled += cancels(a.excerpt, b.excerpt) ? 1 : 0;
}

// Sequences that go on from block to block: the page of the next block with the same one lies at another place.
std::optional<std::uint32_t> CancellationMeter::find_step(std::uint32_t period) const {
  std::vector<Distance> moved(period);
  for (const Page& page : pages_)
    for (const Page& next : in_block(page.block + 1))
      compare(page, next, moved[(page.page + period - next.page % period) % period]);
  for (std::uint32_t step = 0; step < period; ++step) moved[step].apart = step;
  const double best = best_share(moved);
  const auto alike = std::count_if(moved.begin(), moved.end(), [&](const Distance& d) {
    return d.cancelled >= kLeastCancelled && d.share() * 2 >= best;
  });
  return alike == 1 ? shortest(moved, best) : std::nullopt;
}

Cancellation CancellationMeter::measure(const std::atomic<bool>* stop) {
  const auto stopped = [&] { return stop != nullptr && stop->load(std::memory_order_relaxed); };
  std::sort(pages_.begin(), pages_.end(),
            [](const Page& a, const Page& b) { return std::pair(a.block, a.page) < std::pair(b.block, b.page); });
  Cancellation out;
  for (std::uint32_t apart = 1; apart < pages_per_block_; ++apart) out.pages.push_back({.apart = apart});
  for (std::uint32_t apart = 1; apart <= most_blocks_; ++apart) out.blocks.push_back({.apart = apart});
  for (std::size_t i = 0; i < pages_.size() && !stopped(); ++i) {
    const Page& page = pages_[i];
    for (std::size_t k = i + 1; k < pages_.size() && pages_[k].block == page.block; ++k)
      compare(page, pages_[k], out.pages[pages_[k].page - page.page - 1]);
    for (Distance& distance : out.blocks)
      for (const Page& other : in_block(page.block + distance.apart))
        if (other.page == page.page) compare(page, other, distance);
  }
  const auto blocks = shortest(out.blocks, best_share(out.blocks));
  if (!blocks || stopped()) return out;
  Period period{.pages = pages_per_block_, .blocks = *blocks};
  // Few pairs lie far apart, so a chance hit among them would look good: half as good as whole periods of blocks
  // is asked for, too.
  const double best = std::max(best_share(out.pages), best_share(out.blocks));
  if (const auto pages = shortest(out.pages, best)) {
    period.pages = *pages;
    if (*blocks > 1)
      if (const auto step = find_step(*pages)) period = {.pages = *pages, .blocks = 1, .step = *step};
  }
  out.period = period;
  return out;
}

}  // namespace steadycell::assess
