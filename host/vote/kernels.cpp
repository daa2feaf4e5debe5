// Compiled once for each instruction set by Highway's foreach_target, which includes this file again and again.
#include "vote/kernels.h"

#include <algorithm>
#include <array>
#include <bit>
#include <cassert>
#include <cstring>
#include <utility>

#include "vote/path.h"

#define HWY_WANT_AVX3_DL 1  // counts bits in one instruction
#define HWY_DISABLED_TARGETS (HWY_SSSE3 | HWY_SSE4 | HWY_SVE | HWY_SVE2 | HWY_SVE_256 | HWY_SVE2_128 | HWY_RVV)
#undef HWY_TARGET_INCLUDE
#define HWY_TARGET_INCLUDE "vote/kernels.cpp"
#include <hwy/foreach_target.h>
#include <hwy/highway.h>

HWY_BEFORE_NAMESPACE();
namespace steadycell::vote {
namespace HWY_NAMESPACE {
namespace hn = hwy::HWY_NAMESPACE;

using Words = hn::ScalableTag<std::uint64_t>;
using V = hn::Vec<Words>;
constexpr std::size_t kLanes = hn::MaxLanes(Words());
constexpr std::size_t kV = kLanes * sizeof(std::uint64_t);
static_assert(kChunkBytes % kV == 0);
constexpr std::size_t kMaxPlanes = 8;  // counts to 255

#if HWY_TARGET == HWY_SCALAR
HWY_INLINE V load(const std::uint8_t* from) {
  std::uint64_t word = 0;
  std::memcpy(&word, from, sizeof word);
  return hn::Set(Words(), word);
}
HWY_INLINE void store(V v, std::uint8_t* to) {
  const std::uint64_t word = hn::GetLane(v);
  std::memcpy(to, &word, sizeof word);
}
HWY_INLINE std::uint64_t sum_of(V v) { return hn::GetLane(v); }
#else
HWY_INLINE V load(const std::uint8_t* from) { return hn::BitCast(Words(), hn::LoadU(hn::Repartition<std::uint8_t, Words>(), from)); }
HWY_INLINE void store(V v, std::uint8_t* to) {
  const hn::Repartition<std::uint8_t, Words> bytes;
  hn::StoreU(hn::BitCast(bytes, v), bytes, to);
}
HWY_INLINE std::uint64_t sum_of(V v) { return hn::GetLane(hn::SumOfLanes(Words(), v)); }
#endif
// Into a register: each input goes into two instructions, and g++ would have both fetch it from the cache again.
HWY_INLINE V fetch(const std::uint8_t* from) {
  V v = load(from);
#if HWY_TARGET <= HWY_AVX3
  __asm__("" : "+v"(v.raw));
#endif
  return v;
}
HWY_INLINE V zero() { return hn::Zero(Words()); }

// Bit 4a + 2b + c of kTable at every bit: one instruction of AVX-512. Highway 1.0.3 has it for a few tables only, and
// g++ 12 makes none of three operations.
#if HWY_TARGET <= HWY_AVX3
template <int kTable>
HWY_INLINE V logic(V a, V b, V c) {
  return V{_mm512_ternarylogic_epi64(a.raw, b.raw, c.raw, kTable)};
}
#endif

// What at least two of three have.
HWY_INLINE V most_of(V a, V b, V c) {
#if HWY_TARGET <= HWY_AVX3
  return logic<0xE8>(a, b, c);
#else
  return hn::Or(hn::And(a, b), hn::And(hn::Xor(a, b), c));
#endif
}

// Bit by bit; Highway's IfVecThenElse goes by whole bytes where the instruction does.
HWY_INLINE V select(V mask, V yes, V no) { return hn::Xor(no, hn::And(mask, hn::Xor(yes, no))); }

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
  for (++plane; plane < kPlanes; ++plane) so_far = (least >> plane & 1U) != 0 ? hn::And(planes[plane], so_far) : hn::Or(planes[plane], so_far);
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
constexpr std::size_t kMostByTable = 15;  // votes

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
  static_assert(kVotes >= 2 && kVotes <= kMostByTable);
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
  else if constexpr (kPlane == 0 || (kVotes & (kVotes + 1)) == 0) return hn::Xor(planes[kPlane], most_are_ones);  // n-k has k's bits the other way
  else return ask<DissentBit<kPlane>, kVotes>(planes);
}
#else
constexpr std::size_t kMostByTable = 0;
#endif

struct Settled {
  V voted, unsure, tied;
  V most_are_ones;  // without the ties
};
// kVotes: `votes`, known when compiling, or 0.
template <std::size_t kPlanes, std::size_t kVotes>
HWY_INLINE Settled settle_bits(const std::array<V, kMaxPlanes>& planes, std::size_t votes, V first) {
  Settled result;
  if constexpr (kVotes >= 2 && kVotes <= kMostByTable) {
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
  if constexpr (kVotes >= 2 && kVotes <= kMostByTable) {
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

// Counts the ones of many vectors.
class BitCounter {
 public:
  BitCounter() : inner_(zero()), outer_(zero()) {}
#if HWY_TARGET <= HWY_AVX3_DL
  HWY_INLINE void add(V v) { inner_ = hn::Add(inner_, hn::PopulationCount(v)); }
  HWY_INLINE std::uint64_t total() { return sum_of(inner_); }
#else
  // Each byte counts its own ones; wide sums are taken before it overflows.
  HWY_INLINE void add(V v) {
#if HWY_TARGET == HWY_SCALAR || HWY_TARGET == HWY_EMU128
    const Words words;
    v = hn::Sub(v, hn::And(hn::ShiftRight<1>(v), hn::Set(words, 0x5555'5555'5555'5555)));
    const V pairs = hn::Set(words, 0x3333'3333'3333'3333);
    v = hn::Add(hn::And(v, pairs), hn::And(hn::ShiftRight<2>(v), pairs));
    v = hn::And(hn::Add(v, hn::ShiftRight<4>(v)), hn::Set(words, 0x0F0F'0F0F'0F0F'0F0F));
    inner_ = hn::Add(inner_, v);
#else
    const hn::Repartition<std::uint8_t, Words> bytes;
    inner_ = hn::BitCast(Words(), hn::Add(hn::BitCast(bytes, inner_), hn::PopulationCount(hn::BitCast(bytes, v))));
#endif
    if (++added_ == 31) widen();
  }
  HWY_INLINE std::uint64_t total() {
    widen();
    return sum_of(outer_);
  }

 private:
  HWY_INLINE void widen() {
#if HWY_TARGET == HWY_SCALAR || HWY_TARGET == HWY_EMU128
    const V low_bytes = hn::Set(Words(), 0x00FF'00FF'00FF'00FF);
    V sums = hn::Add(hn::And(inner_, low_bytes), hn::And(hn::ShiftRight<8>(inner_), low_bytes));
    sums = hn::Add(sums, hn::ShiftRight<32>(sums));
    sums = hn::Add(sums, hn::ShiftRight<16>(sums));
    outer_ = hn::Add(outer_, hn::And(sums, hn::Set(Words(), 0xFFFF)));
#else
    outer_ = hn::Add(outer_, hn::SumsOf8(hn::BitCast(hn::Repartition<std::uint8_t, Words>(), inner_)));
#endif
    inner_ = zero();
    added_ = 0;
  }
  unsigned added_ = 0;
#endif

 private:
  V inner_, outer_;
};

// Bytes of 0, then of 0xFF: loaded `n` bytes on, the last n bytes of a vector are set.
struct LastBytes {
  std::array<std::uint8_t, 2 * kV> bytes{};
  constexpr LastBytes() {
    for (std::size_t at = kV; at < bytes.size(); ++at) bytes[at] = 0xFF;
  }
};
constexpr LastBytes kLastBytes;

// The reads of a unit and where its vote goes.
struct Unit {
  const std::uint8_t* const* passes;
  std::size_t votes;
  std::uint8_t *voted, *unsure;
  std::array<std::uint8_t*, 7> dissent;
  std::size_t page_bytes, pages;
};

// As vote::dissent_planes, with the bound that g++ cannot see.
HWY_INLINE constexpr std::size_t planes_of_dissent(std::size_t votes) { return std::min<std::size_t>(static_cast<std::size_t>(std::bit_width(votes / 2)), 7); }

struct PageCounts {
  BitCounter unstable, tied;
  std::array<BitCounter, 7> dissents;
};

// kWide vectors from `at`. kCut: only the bits set in `counted` are counted.
template <std::size_t kVotes, bool kMargins, std::size_t kWide, bool kCut = false>
HWY_INLINE void vote_vectors(const Unit& unit, std::size_t at, PageCounts& counts, V counted) {
  constexpr std::size_t kPlanes = kVotes > 0 ? static_cast<std::size_t>(std::bit_width(kVotes)) : kMaxPlanes;
  const std::size_t votes = kVotes > 0 ? kVotes : unit.votes;
  Counts<kWide> planes;
  if constexpr (kVotes > 0) count_by_tree<kWide>(unit.passes, at, planes, std::make_index_sequence<kVotes>());
  else count_in_eights(unit.passes, votes, at, planes[0]);
  const auto count = [&](BitCounter& counter, V bits) HWY_ATTR { counter.add(kCut ? hn::And(bits, counted) : bits); };
#pragma GCC unroll 2
  for (std::size_t vector = 0; vector < kWide; ++vector, at += kV) {
    std::array<V, kMaxPlanes>& here = planes[vector];
    const Settled settled = settle_bits<kPlanes, kVotes>(here, votes, load(unit.passes[0] + at));
    store(settled.voted, unit.voted + at);
    store(settled.unsure, unit.unsure + at);
    count(counts.unstable, settled.unsure);
    if (votes % 2 == 0) count(counts.tied, settled.tied);
    if constexpr (kMargins) {
      fold_to_dissent<kPlanes, kVotes>(here, votes, settled.most_are_ones);
      const std::size_t dissent_planes = planes_of_dissent(votes);
#pragma GCC unroll 8
      for (std::size_t plane = 0; plane < dissent_planes; ++plane) {
        store(here[plane], unit.dissent[plane] + at);
        count(counts.dissents[plane], here[plane]);
      }
    }
  }
}

// One page, of at least one vector, from `at` to `end`. The last vector ends with the page: what it has in common with the
// one before is written twice and counted once. A function of its own: g++ keeps all it needs in registers that way.
template <std::size_t kVotes, bool kMargins>
HWY_NOINLINE PageVote vote_page(const Unit& given, std::size_t at, std::size_t end) {
  Unit unit = given;
  PageCounts counts;
  if constexpr (kVotes > 0) {
    std::array<const std::uint8_t*, kVotes> passes;
    std::copy_n(given.passes, kVotes, passes.begin());
    unit.passes = passes.data();
    for (; at + 2 * kV <= end; at += 2 * kV) vote_vectors<kVotes, kMargins, 2>(unit, at, counts, zero());
    unit.passes = given.passes;
  }
  for (; at + kV <= end; at += kV) vote_vectors<kVotes, kMargins, 1>(unit, at, counts, zero());
  if (at < end) vote_vectors<kVotes, kMargins, 1, true>(unit, end - kV, counts, load(kLastBytes.bytes.data() + (end - at)));
  const std::size_t votes = kVotes > 0 ? kVotes : unit.votes;
  PageVote result{.votes = static_cast<std::uint32_t>(votes), .unstable_bits = static_cast<std::uint32_t>(counts.unstable.total())};
  if (votes % 2 == 0) result.tied_bits = static_cast<std::uint32_t>(counts.tied.total());
  if constexpr (kMargins)
    for (std::size_t plane = 0; plane < planes_of_dissent(votes); ++plane) result.dissents += counts.dissents[plane].total() << plane;
  return result;
}

template <std::size_t kVotes, bool kMargins>
void vote_pages(const Unit& unit, PageVote* results) {
  for (std::size_t page = 0; page < unit.pages; ++page) results[page] = vote_page<kVotes, kMargins>(unit, page * unit.page_bytes, (page + 1) * unit.page_bytes);
}

using VotePages = void (*)(const Unit& unit, PageVote* results);
template <bool kMargins>
VotePages vote_pages_for(std::size_t votes) {
  switch (votes) {
    case 1: return &vote_pages<1, kMargins>;
    case 2: return &vote_pages<2, kMargins>;
    case 3: return &vote_pages<3, kMargins>;
    case 4: return &vote_pages<4, kMargins>;
    case 5: return &vote_pages<5, kMargins>;
    case 6: return &vote_pages<6, kMargins>;
    case 7: return &vote_pages<7, kMargins>;
    case 8: return &vote_pages<8, kMargins>;
    case 9: return &vote_pages<9, kMargins>;
    case 11: return &vote_pages<11, kMargins>;
    case 13: return &vote_pages<13, kMargins>;
    case 15: return &vote_pages<15, kMargins>;
    default: return &vote_pages<0, kMargins>;
  }
}

// A page shorter than a vector, by way of one that is as long.
void vote_short_page(VotePages vote, const Unit& page, PageVote& result) {
  std::array<std::array<std::uint8_t, kV>, kMaxVotes> reads;
  std::array<const std::uint8_t*, kMaxVotes> passes;
  for (std::size_t pass = 0; pass < page.votes; ++pass) {
    reads[pass].fill(0);  // all votes agree on what is not there
    std::copy_n(page.passes[pass], page.page_bytes, reads[pass].begin());
    passes[pass] = reads[pass].data();
  }
  std::array<std::array<std::uint8_t, kV>, 9> out;
  Unit padded{passes.data(), page.votes, out[7].data(), out[8].data(), {}, kV, 1};
  for (std::size_t plane = 0; plane < 7; ++plane) padded.dissent[plane] = out[plane].data();
  vote(padded, &result);
  std::copy_n(out[7].begin(), page.page_bytes, page.voted);
  std::copy_n(out[8].begin(), page.page_bytes, page.unsure);
  for (std::size_t plane = 0; plane < 7; ++plane)
    if (page.dissent[plane]) std::copy_n(out[plane].begin(), page.page_bytes, page.dissent[plane]);
}

void vote_unit(std::span<const ByteSpan> passes, const UnitVote& into) {
  const std::size_t votes = passes.size();
  if (into.voted.empty()) return std::fill(into.pages.begin(), into.pages.end(), PageVote{.votes = static_cast<std::uint32_t>(votes)});
  const VotePages vote = into.dissent.empty() ? vote_pages_for<false>(votes) : vote_pages_for<true>(votes);
  std::array<const std::uint8_t*, kMaxVotes> reads;
  for (std::size_t pass = 0; pass < votes; ++pass) reads[pass] = passes[pass].data();
  Unit unit{reads.data(), votes, into.voted.data(), into.unsure.data(), {}, into.voted.size() / into.pages.size(), into.pages.size()};
  for (std::size_t plane = 0; plane < into.dissent.size(); ++plane) unit.dissent[plane] = into.dissent[plane].data();
  if (unit.page_bytes >= kV) return vote(unit, into.pages.data());
  for (PageVote& result : into.pages) {
    vote_short_page(vote, unit, result);
    for (std::size_t pass = 0; pass < votes; ++pass) reads[pass] += unit.page_bytes;
    unit.voted += unit.page_bytes;
    unit.unsure += unit.page_bytes;
    for (std::size_t plane = 0; plane < into.dissent.size(); ++plane) unit.dissent[plane] += unit.page_bytes;
  }
}

// The last vector of a read, which may be cut: what is not there is 0.
HWY_INLINE V load_cut(ByteSpan bytes, std::size_t at) {
  if (at + kV <= bytes.size()) return load(bytes.data() + at);
  std::array<std::uint8_t, kV> cut{};
  std::copy(bytes.begin() + static_cast<std::ptrdiff_t>(at), bytes.end(), cut.begin());
  return load(cut.data());
}
HWY_INLINE void store_cut(V v, MutableByteSpan bytes, std::size_t at) {
  if (at + kV <= bytes.size()) return store(v, bytes.data() + at);
  std::array<std::uint8_t, kV> cut;
  store(v, cut.data());
  std::copy_n(cut.begin(), bytes.size() - at, bytes.begin() + static_cast<std::ptrdiff_t>(at));
}

void add(const Planes& planes, ByteSpan read, bool grown) {
  for (std::size_t at = 0; at < read.size(); at += kV) {
    V carry = load_cut(read, at);
    for (std::uint32_t plane = 0; plane < planes.count; ++plane) {
      std::uint8_t* const here = planes.plane(plane) + at;
      const V count = load(here);
      store(hn::Xor(count, carry), here);
      carry = hn::And(count, carry);
    }
    if (grown) store(carry, planes.plane(planes.count) + at);
  }
}

void merge(const Planes& planes, const Planes& other, std::uint32_t after) {
  for (std::size_t at = 0; at < planes.stride; at += kV) {
    V carry = zero();
    for (std::uint32_t plane = 0; plane < after; ++plane) {
      const V a = plane < planes.count ? load(planes.plane(plane) + at) : zero();
      const V b = plane < other.count ? load(other.plane(plane) + at) : zero();
      store(hn::Xor3(a, b, carry), planes.plane(plane) + at);
      carry = most_of(a, b, carry);
    }
  }
}

// The planes that a count may need, the others 0.
HWY_INLINE std::array<V, kMaxPlanes> load_planes(const Planes& planes, std::size_t at) {
  std::array<V, kMaxPlanes> loaded;
  for (std::uint32_t plane = 0; plane < kMaxPlanes; ++plane) loaded[plane] = plane < planes.count ? load(planes.plane(plane) + at) : zero();
  return loaded;
}

PageVote settle(const Planes& planes, std::uint32_t votes, const std::uint8_t* first, MutableByteSpan voted, MutableByteSpan unsure) {
  PageVote result{.votes = votes};
  BitCounter unstable, tied;
  std::array<BitCounter, 7> dissents;
  const std::size_t dissent_planes = planes_of_dissent(votes);
  for (std::size_t at = 0; at < voted.size(); at += kV) {
    std::array<V, kMaxPlanes> counts = load_planes(planes, at);
    const V kept = load(first + at);
    const Settled settled = settle_bits<kMaxPlanes, 0>(counts, votes, kept);
    store_cut(settled.unsure, unsure, at);
    store_cut(settled.voted, voted, at);
    if (hn::AllTrue(Words(), hn::Eq(settled.unsure, zero()))) continue;  // nearly every vector of a healthy chip
    unstable.add(settled.unsure);
    tied.add(settled.tied);
    fold_to_dissent<kMaxPlanes, 0>(counts, votes, settled.most_are_ones);
    for (std::size_t plane = 0; plane < dissent_planes; ++plane) dissents[plane].add(counts[plane]);
  }
  result.unstable_bits = static_cast<std::uint32_t>(unstable.total());
  result.tied_bits = static_cast<std::uint32_t>(tied.total());
  for (std::size_t plane = 0; plane < dissent_planes; ++plane) result.dissents += dissents[plane].total() << plane;
  return result;
}

void dissent(const Planes& planes, std::uint32_t votes, std::uint32_t plane, MutableByteSpan out) {
  for (std::size_t at = 0; at < out.size(); at += kV) {
    std::array<V, kMaxPlanes> counts = load_planes(planes, at);
    fold_to_dissent<kMaxPlanes, 0>(counts, votes, at_least<kMaxPlanes>(counts, votes / 2 + 1));
    store_cut(counts[plane], out, at);
  }
}

const Kernels* table() {
  static constexpr Kernels kTable{&vote_unit, &add, &merge, &settle, &dissent};
  return &kTable;
}

}  // namespace HWY_NAMESPACE
}  // namespace steadycell::vote
HWY_AFTER_NAMESPACE();

#if HWY_ONCE
#include <atomic>

namespace steadycell::vote {
namespace {

HWY_EXPORT(table);

std::int64_t targets_of(Path path) {
  constexpr std::int64_t kAvx512 = HWY_AVX3 | HWY_AVX3_DL;
  switch (path) {
    case Path::avx512:
      return kAvx512;
    case Path::avx2:
      return HWY_AVX2;
    case Path::portable:
      break;
  }
  return ~(kAvx512 | HWY_AVX2);
}

// nullptr until the first vote.
std::atomic<const Kernels*> chosen = nullptr;

const Kernels* choose(std::int64_t targets) {
  hwy::GetChosenTarget().Update(hwy::SupportedTargets() & targets);
  const Kernels* const found = HWY_DYNAMIC_DISPATCH(table)();
  hwy::GetChosenTarget().Update(hwy::SupportedTargets());
  return found;
}

}  // namespace

std::string_view to_text(Path path) {
  switch (path) {
    case Path::avx512:
      return "avx512";
    case Path::avx2:
      return "avx2";
    case Path::portable:
      break;
  }
  return "portable";
}

std::vector<Path> paths() {
  std::vector<Path> found{Path::portable};
  for (const Path path : {Path::avx2, Path::avx512})
    if ((hwy::SupportedTargets() & HWY_TARGETS & targets_of(path)) != 0) found.push_back(path);
  return found;
}

void use(std::optional<Path> path) { chosen = choose(path ? targets_of(*path) : ~std::int64_t{0}); }

const Kernels& kernels() {
  const Kernels* found = chosen.load(std::memory_order_acquire);
  if (!found) chosen = found = choose(~std::int64_t{0});
  return *found;
}

}  // namespace steadycell::vote
#endif
