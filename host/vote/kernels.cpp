// Compiled once for each instruction set by Highway's foreach_target, which includes this file again and again.
#include "vote/kernels.h"

#include <algorithm>
#include <array>
#include <bit>

#include "vote/path.h"

#define HWY_WANT_AVX3_DL 1  // counts bits in one instruction
#define HWY_DISABLED_TARGETS (HWY_SSSE3 | HWY_SSE4 | HWY_SVE | HWY_SVE2 | HWY_SVE_256 | HWY_SVE2_128 | HWY_RVV)
#undef HWY_TARGET_INCLUDE
#define HWY_TARGET_INCLUDE "vote/kernels.cpp"
#include <hwy/foreach_target.h>
#include <hwy/highway.h>

#include "vote/counts_inl.h"
#include "vote/vectors_inl.h"

HWY_BEFORE_NAMESPACE();
namespace steadycell::vote {
namespace HWY_NAMESPACE {

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
  std::array<std::uint8_t*, kMaxDissentPlanes> dissent;
  std::size_t page_bytes, pages;
};

// As vote::dissent_planes, with the bound that g++ cannot see.
HWY_INLINE constexpr std::size_t planes_of_dissent(std::size_t votes) {
  return std::min<std::size_t>(static_cast<std::size_t>(std::bit_width(votes / 2)), 7);
}

struct PageCounts {
  BitCounter unstable, tied;
  std::array<BitCounter, kMaxDissentPlanes> dissents;
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
  for (std::size_t page = 0; page < unit.pages; ++page)
    results[page] = vote_page<kVotes, kMargins>(unit, page * unit.page_bytes, (page + 1) * unit.page_bytes);
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
  std::array<BitCounter, kMaxDissentPlanes> dissents;
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
