#include "vote/majority.h"

#include <bit>
#include <cassert>

#include "vote/words.h"

namespace steadycell::vote {
namespace {

// Counts ones per bit over many inputs; the number of planes is the largest that any count may need.
class Counter {
 public:
  explicit Counter(std::uint32_t planes) : planes_(planes) {}

  void add(Chunk bits, std::uint32_t plane) {
    for (; plane < planes_; ++plane) {
      const Chunk carry = count_[plane] & bits;
      count_[plane] = count_[plane] ^ bits;
      bits = carry;
    }
  }
  // Four at once cost three full adders and one walk over the upper planes instead of four walks over all.
  void add_four(const Chunk& a, const Chunk& b, const Chunk& c, const Chunk& d) {
    const Sum first = add_three(count_[0], a, b);
    const Sum second = add_three(first.sum, c, d);
    const Sum twos = add_three(count_[1], first.carry, second.carry);
    count_[0] = second.sum;
    count_[1] = twos.sum;
    add(twos.carry, 2);
  }
  const Chunk* planes() const { return count_.data(); }

 private:
  std::uint32_t planes_;
  std::array<Chunk, 8> count_{};
};

}  // namespace

void majority(std::span<const ByteSpan> passes, MutableByteSpan out, MutableByteSpan unsure) {
  assert(!passes.empty() && passes.size() <= kMaxVotes);
  const auto votes = static_cast<std::uint32_t>(passes.size());
  const auto planes = static_cast<std::uint32_t>(std::bit_width(votes));
  for (std::size_t at = 0; at < out.size(); at += kChunkBytes) {
    Counter counter(planes);
    std::size_t pass = 0;
    for (; pass + 4 <= votes; pass += 4) {
      counter.add_four(Chunk::load(passes[pass], at), Chunk::load(passes[pass + 1], at),
                       Chunk::load(passes[pass + 2], at), Chunk::load(passes[pass + 3], at));
    }
    for (; pass < votes; ++pass) counter.add(Chunk::load(passes[pass], at), 0);

    const Comparison half = compare(counter.planes(), planes, votes / 2);
    Chunk value = half.greater;
    if (votes % 2 == 0) value = value | (half.equal & Chunk::load(passes[0], at));
    value.store(out, at);
    unsteady(counter.planes(), planes, votes).store(unsure, at);
  }
}

}  // namespace steadycell::vote
