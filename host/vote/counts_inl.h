// Counts of votes in bit-sliced planes, and what follows from a count: value, wavering, dissent. Not for other rooms.
// Once for each instruction set: the guard changes sides with Highway's target.
#if defined(STEADYCELL_VOTE_COUNTS_INL_H) == defined(HWY_TARGET_TOGGLE)
#ifdef STEADYCELL_VOTE_COUNTS_INL_H
#undef STEADYCELL_VOTE_COUNTS_INL_H
#else
#define STEADYCELL_VOTE_COUNTS_INL_H
#endif

#include <algorithm>
#include <array>
#include <bit>
#include <utility>

#include "vote/vectors_inl.h"

HWY_BEFORE_NAMESPACE();
namespace steadycell::vote {
namespace HWY_NAMESPACE {

// A tree of carry-save adders: three bits of one weight become a sum and a carry, as soon as three are there. How many
// have arrived at each weight is known when compiling, so that the whole tree stays in registers.
struct AdderTree {
  std::array<V, kMaxPlanes> first, second;  // waiting at their weight; `second` while an even number has arrived

  template <std::size_t kWeight, std::size_t kArrived>
  HWY_INLINE void push(V v) {
    if constexpr (kArrived == 0) {
      first[kWeight] = v;
    } else if constexpr (kArrived % 2 == 1) {
      second[kWeight] = v;
    } else {
      const V a = first[kWeight], b = second[kWeight];
      first[kWeight] = hn::Xor3(a, b, v);
      push<kWeight + 1, kArrived / 2 - 1>(most_of(a, b, v));
    }
  }
  // Leaves the counts of kArrived inputs in `first`.
  template <std::size_t kWeight, std::size_t kArrived>
  HWY_INLINE void finish() {
    if constexpr (kArrived > 0) {
      if constexpr (kArrived % 2 == 0) {
        const V a = first[kWeight], b = second[kWeight];
        first[kWeight] = hn::Xor(a, b);
        push<kWeight + 1, kArrived / 2 - 1>(hn::And(a, b));
      }
      finish<kWeight + 1, kArrived / 2>();
    }
  }
};

// Counts of kWide vectors side by side: an address is then fetched once for all of them.
template <std::size_t kWide>
using Counts = std::array<std::array<V, kMaxPlanes>, kWide>;

template <std::size_t kWide, std::size_t... kInput>
HWY_INLINE void count_by_tree(const std::uint8_t* const* passes, std::size_t at, Counts<kWide>& planes, std::index_sequence<kInput...>) {
  std::array<AdderTree, kWide> trees;
  const auto push_all = [&]<std::size_t kNumber>(const std::uint8_t* from) HWY_ATTR {
    trees[0].template push<0, kNumber>(fetch(from));
    if constexpr (kWide == 2) trees[1].template push<0, kNumber>(fetch(from + kV));
  };
  (push_all.template operator()<kInput>(passes[kInput] + at), ...);
#pragma GCC unroll 2
  for (std::size_t vector = 0; vector < kWide; ++vector) {
    trees[vector].template finish<0, sizeof...(kInput)>();
    planes[vector] = trees[vector].first;
  }
}

// Any number of votes, eight at a time: ones, twos and fours stay in registers, one carry in eight inputs walks the upper planes.
HWY_INLINE void count_in_eights(const std::uint8_t* const* passes, std::size_t votes, std::size_t at, std::array<V, kMaxPlanes>& planes) {
  for (V& plane : planes) plane = zero();
  const auto input = [&](std::size_t pass) HWY_ATTR { return pass < votes ? fetch(passes[pass] + at) : zero(); };
  for (std::size_t pass = 0; pass < votes; pass += 8) {
    std::array<V, 4> twos;
#pragma GCC unroll 4
    for (std::size_t pair = 0; pair < 4; ++pair) {
      const V a = input(pass + 2 * pair), b = input(pass + 2 * pair + 1);
      twos[pair] = most_of(planes[0], a, b);
      planes[0] = hn::Xor3(planes[0], a, b);
    }
    const V low = most_of(planes[1], twos[0], twos[1]);
    planes[1] = hn::Xor3(planes[1], twos[0], twos[1]);
    const V high = most_of(planes[1], twos[2], twos[3]);
    planes[1] = hn::Xor3(planes[1], twos[2], twos[3]);
    V carry = most_of(planes[2], low, high);
    planes[2] = hn::Xor3(planes[2], low, high);
#pragma GCC unroll 8
    for (std::size_t plane = 3; plane < kMaxPlanes; ++plane) {
      const V count = planes[plane];
      planes[plane] = hn::Xor(count, carry);
      carry = hn::And(count, carry);
    }
  }
}

// Where the count in planes[0..kPlanes) is at least `least`, which is not 0.
template <std::size_t kPlanes>
HWY_INLINE V at_least(const std::array<V, kMaxPlanes>& planes, std::size_t least) {
  // From the lowest plane on: is what was seen so far of the count at least as much as that of `least`?
  std::size_t plane = static_cast<std::size_t>(std::countr_zero(least | 1U << (kMaxPlanes - 1)));  // never that bit alone
  V so_far = planes[plane];
#pragma GCC unroll 8
  for (++plane; plane < kPlanes; ++plane)
    so_far = (least >> plane & 1U) != 0 ? hn::And(planes[plane], so_far) : hn::Or(planes[plane], so_far);
  return so_far;
}

// Questions about a count k of n votes, for tables.
struct MostAreOnes {
  static constexpr bool of(std::size_t k, std::size_t n) { return 2 * k > n; }
};
struct HalfAreOnes {
  static constexpr bool of(std::size_t k, std::size_t n) { return 2 * k >= n; }
};
struct Wavers {
  static constexpr bool of(std::size_t k, std::size_t n) { return k != 0 && k != n; }
};
template <std::size_t kPlane>
struct DissentBit {
  static constexpr bool of(std::size_t k, std::size_t n) { return (std::min(k, n - k) >> kPlane & 1U) != 0; }
};

#if HWY_TARGET <= HWY_AVX3
constexpr bool by_table(std::size_t votes) { return votes >= 2 && votes <= 15; }

// The answers for the counts base..base+7 as the table of `logic`; for counts that cannot be, whatever makes it simplest.
template <typename Question, std::size_t kVotes, std::size_t kBase>
constexpr int table_of() {
  int yes = 0, open = 0;
  for (std::size_t k = kBase; k < kBase + 8; ++k) {
    if (k > kVotes) open |= 1 << (k - kBase);
    else if (Question::of(k, kVotes)) yes |= 1 << (k - kBase);
  }
  return yes != 0 && (yes | open) == 0xFF ? 0xFF : yes;
}

template <typename Question, std::size_t kVotes>
HWY_INLINE V ask(const std::array<V, kMaxPlanes>& planes) {
  static_assert(by_table(kVotes));
  constexpr int kLow = table_of<Question, kVotes, 0>(), kHigh = table_of<Question, kVotes, 8>();
  if constexpr (kVotes < 4) {
    return logic<kLow & 15>(zero(), planes[1], planes[0]);
  } else if constexpr (kVotes < 8) {
    return logic<kLow>(planes[2], planes[1], planes[0]);
  } else if constexpr (kLow == 0 && kHigh == 0xFF) {
    return planes[3];
  } else if constexpr (((kLow ^ kHigh) & ((1 << (kVotes - 7)) - 1)) == 0) {
    return logic<kLow>(planes[2], planes[1], planes[0]);
  } else {
    const V low = logic<kLow>(planes[2], planes[1], planes[0]);
    if constexpr (kHigh == 0xFF) return hn::Or(planes[3], low);
    if constexpr (kHigh == 0) return hn::AndNot(planes[3], low);
    return logic<0xCA>(planes[3], logic<kHigh>(planes[2], planes[1], planes[0]), low);
  }
}
// The answer to Wavers. From 8 votes on, the lower planes are those of 0 or of kVotes or there is wavering; which of the two they are
// shows in any plane where these differ, and the highest must agree.
template <std::size_t kVotes>
HWY_INLINE V wavers(const std::array<V, kMaxPlanes>& planes) {
  constexpr std::size_t kRest = kVotes % 8;
  if constexpr (kVotes < 8) {
    return ask<Wavers, kVotes>(planes);
  } else if constexpr (kRest == 0) {
    return logic<0xFE>(planes[2], planes[1], planes[0]);
  } else {
    const V others = logic<(0xFE & ~(1 << kRest))>(planes[2], planes[1], planes[0]);
    return logic<0xBE>(planes[3], planes[std::countr_zero(kRest)], others);  // others | (3 ^ plane)
  }
}

template <std::size_t kPlane, std::size_t kVotes>
HWY_INLINE V dissent_bit(const std::array<V, kMaxPlanes>& planes, V most_are_ones) {
  if constexpr (kPlane == 0 && kVotes % 2 == 0) return planes[0];  // k and n-k are both odd or both even
  else if constexpr (kPlane == 0 || (kVotes & (kVotes + 1)) == 0)
    return hn::Xor(planes[kPlane], most_are_ones);  // n-k has k's bits the other way
  else return ask<DissentBit<kPlane>, kVotes>(planes);
}
#else
constexpr bool by_table(std::size_t /*votes*/) { return false; }
#endif

struct Settled {
  V voted, unsure, tied;
  V most_are_ones;  // without the ties
};
// kVotes: `votes`, known when compiling, or 0.
template <std::size_t kPlanes, std::size_t kVotes>
HWY_INLINE Settled settle_bits(const std::array<V, kMaxPlanes>& planes, std::size_t votes, V first) {
  Settled result;
  if constexpr (by_table(kVotes)) {
    result.unsure = wavers<kVotes>(planes);
    result.most_are_ones = result.voted = ask<MostAreOnes, kVotes>(planes);
    result.tied = zero();
    if constexpr (kVotes % 2 == 0) {
      const V half = ask<HalfAreOnes, kVotes>(planes);
      result.tied = hn::AndNot(result.most_are_ones, half);
      result.voted = most_of(half, result.most_are_ones, first);
    }
    return result;
  }
  V some = planes[0], all = hn::Not(zero());
#pragma GCC unroll 8
  for (std::size_t plane = 0; plane < kPlanes; ++plane) {
    some = hn::Or(some, planes[plane]);
    // No count is above `votes`: to have all its ones is to be equal.
    if ((votes >> plane & 1U) != 0) all = hn::And(all, planes[plane]);
  }
  result.unsure = hn::AndNot(all, some);
  result.most_are_ones = at_least<kPlanes>(planes, votes / 2 + 1);
  result.voted = result.most_are_ones;
  result.tied = zero();
  if (votes % 2 == 0) {
    const V half = at_least<kPlanes>(planes, votes / 2);
    result.tied = hn::AndNot(result.most_are_ones, half);
    result.voted = most_of(half, result.most_are_ones, first);
  }
  return result;
}

// min(k, n-k) in bit-sliced form: n-k where more than half are ones, else k. The subtraction is that of a constant minus
// each count, borrow by borrow.
template <std::size_t kPlanes, std::size_t kVotes>
HWY_INLINE void fold_to_dissent(std::array<V, kMaxPlanes>& planes, std::size_t votes, V most_are_ones) {
  if constexpr (by_table(kVotes)) {
    const std::array<V, kMaxPlanes> counts = planes;
    planes[0] = dissent_bit<0, kVotes>(counts, most_are_ones);
    if constexpr (kVotes >= 4) planes[1] = dissent_bit<1, kVotes>(counts, most_are_ones);
    if constexpr (kVotes >= 8) planes[2] = dissent_bit<2, kVotes>(counts, most_are_ones);
    return;
  }
  V borrow = zero();
#pragma GCC unroll 8
  for (std::size_t plane = 0; plane < kPlanes; ++plane) {
    const V k = planes[plane];
    V difference = hn::Xor(k, borrow);
    if ((votes >> plane & 1U) != 0) {
      difference = hn::Not(difference);
      borrow = hn::And(borrow, k);
    } else {
      borrow = hn::Or(borrow, k);
    }
    planes[plane] = select(most_are_ones, difference, k);
  }
}

}  // namespace HWY_NAMESPACE
}  // namespace steadycell::vote
HWY_AFTER_NAMESPACE();

#endif
