#pragma once
#include <array>
#include <atomic>
#include <cstdint>
#include <optional>
#include <span>
#include <vector>

#include "base/bytes.h"

// Which pages were whitened alike: the XOR of two such pages is the XOR of their plain contents, which is seldom
// random.
namespace steadycell::assess {

// 256 of a page's data bytes, in four pieces spread evenly.
using Excerpt = std::array<std::uint64_t, 32>;
Excerpt excerpt_of(ByteSpan data);  // at least 256 bytes

// The XOR has a bit lane with far more zeros than ones: at least 184 of 256, seven standard deviations. Two random
// pages do so with a chance of 1e-11.
bool cancels(const Excerpt& a, const Excerpt& b);

// Pairs of pages a distance apart, and how many of them cancel.
struct Distance {
  std::uint32_t apart = 0;
  std::uint64_t pairs = 0, cancelled = 0;
  double share() const { return pairs == 0 ? 0 : static_cast<double>(cancelled) / static_cast<double>(pairs); }
};

// Whitening sequence of page q in block b: number (q + step * b) mod pages, or, with step 0, (b mod blocks) *
// pages + q mod pages.
struct Period {
  std::uint32_t pages = 1;   // within a block, at most its number of pages
  std::uint32_t blocks = 1;  // 1 with a step
  std::uint32_t step = 0;    // by which the sequence moves on from block to block
  std::uint32_t sequences() const { return pages * blocks; }
  std::uint32_t sequence_of(std::uint64_t block, std::uint32_t page_in_block) const {
    if (step > 0) return static_cast<std::uint32_t>((page_in_block + block % pages * step) % pages);
    return static_cast<std::uint32_t>(block % blocks) * pages + page_in_block % pages;
  }
  friend bool operator==(const Period&, const Period&) = default;
};

struct Cancellation {
  std::vector<Distance> pages;   // apart within a block: 1, 2, .. pages per block - 1
  std::vector<Distance> blocks;  // apart, same page in the block: 1, 2, .. most_blocks
  // The shortest periods whose pairs cancel at least half as often as those of the best. Nothing when pages of
  // different blocks never cancel: then no sequence comes back.
  std::optional<Period> period;
};

// Collects excerpts of written pages and compares all pairs. Memory: as many excerpts as are added.
class CancellationMeter {
 public:
  CancellationMeter(std::uint32_t pages_per_block, std::uint32_t most_blocks)
      : pages_per_block_(pages_per_block), most_blocks_(most_blocks) {}

  void add(std::uint64_t block, std::uint32_t page_in_block, ByteSpan data) {
    pages_.push_back({block, page_in_block, excerpt_of(data)});
  }
  std::size_t size() const { return pages_.size(); }
  // Ends early, with what it has, when `stop` is set. At most kMostPairs pairs of a distance are compared.
  Cancellation measure(const std::atomic<bool>* stop = nullptr);

  static constexpr std::uint64_t kMostPairs = 1 << 14;

 private:
  struct Page {
    std::uint64_t block;
    std::uint32_t page;
    Excerpt excerpt;
  };
  std::span<const Page> in_block(std::uint64_t block) const;
  void compare(const Page& a, const Page& b, Distance& distance) const;
  std::optional<std::uint32_t> find_step(std::uint32_t period) const;

  std::uint32_t pages_per_block_, most_blocks_;
  std::vector<Page> pages_;  // by block, then page
};

}  // namespace steadycell::assess
