// Vectors of bits, and what is asked of them: loads, stores, logic, how many are ones. Not for other rooms.
// Once for each instruction set: the guard changes sides with Highway's target.
#if defined(STEADYCELL_VOTE_VECTORS_INL_H) == defined(HWY_TARGET_TOGGLE)
#ifdef STEADYCELL_VOTE_VECTORS_INL_H
#undef STEADYCELL_VOTE_VECTORS_INL_H
#else
#define STEADYCELL_VOTE_VECTORS_INL_H
#endif

#include <hwy/highway.h>

#include <cstdint>
#include <cstring>

#include "vote/kernels.h"

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

}  // namespace HWY_NAMESPACE
}  // namespace steadycell::vote
HWY_AFTER_NAMESPACE();

#endif
