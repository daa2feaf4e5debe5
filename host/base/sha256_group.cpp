#include "base/sha256_group.h"

#include <algorithm>
#include <array>
#include <cassert>
#include <cstring>

#if defined(__x86_64__)
#include <cpuid.h>
#include <immintrin.h>
#endif

namespace steadycell {
namespace {

constexpr std::size_t kBlockBytes = 64;
using State = std::array<std::uint32_t, 8>;

// FIPS 180-4, 5.3.3.
constexpr State kStart = {0x6a09e667, 0xbb67ae85, 0x3c6ef372, 0xa54ff53a, 0x510e527f, 0x9b05688c, 0x1f83d9ab, 0x5be0cd19};

#if defined(__x86_64__)

bool there_are_instructions() {
  static const bool there = [] {
    unsigned a = 0, b = 0, c = 0, d = 0;
    return __builtin_cpu_supports("avx") != 0 && __get_cpuid_count(7, 0, &a, &b, &c, &d) != 0 && (b >> 29 & 1U) != 0;
  }();
  return there;
}

// FIPS 180-4, 4.2.2.
alignas(64) constexpr std::array<std::uint32_t, 64> kRound = {
    0x428a2f98, 0x71374491, 0xb5c0fbcf, 0xe9b5dba5, 0x3956c25b, 0x59f111f1, 0x923f82a4, 0xab1c5ed5, 0xd807aa98, 0x12835b01, 0x243185be,
    0x550c7dc3, 0x72be5d74, 0x80deb1fe, 0x9bdc06a7, 0xc19bf174, 0xe49b69c1, 0xefbe4786, 0x0fc19dc6, 0x240ca1cc, 0x2de92c6f, 0x4a7484aa,
    0x5cb0a9dc, 0x76f988da, 0x983e5152, 0xa831c66d, 0xb00327c8, 0xbf597fc7, 0xc6e00bf3, 0xd5a79147, 0x06ca6351, 0x14292967, 0x27b70a85,
    0x2e1b2138, 0x4d2c6dfc, 0x53380d13, 0x650a7354, 0x766a0abb, 0x81c2c92e, 0x92722c85, 0xa2bfe8a1, 0xa81a664b, 0xc24b8b70, 0xc76c51a3,
    0xd192e819, 0xd6990624, 0xf40e3585, 0x106aa070, 0x19a4c116, 0x1e376c08, 0x2748774c, 0x34b0bcb5, 0x391c0cb3, 0x4ed8aa4a, 0x5b9cca4f,
    0x682e6ff3, 0x748f82ee, 0x78a5636f, 0x84c87814, 0x8cc70208, 0x90befffa, 0xa4506ceb, 0xbef9a3f7, 0xc67178f2};

template <typename To>
__attribute__((target("sha,avx"))) inline __m128i load(const To* from) {
  return _mm_loadu_si128(reinterpret_cast<const __m128i*>(from));
}
template <typename To>
__attribute__((target("sha,avx"))) inline void store(To* to, __m128i value) {
  _mm_storeu_si128(reinterpret_cast<__m128i*>(to), value);
}

// Takes `blocks` blocks from data[i] into *states[i], of kMessages messages. The instructions want a state as two vectors,
// A B E F and C D G H with A and C in the highest word, and the words of a block four at a time.
template <std::size_t kMessages>
__attribute__((target("sha,avx"))) void compress(State* const* states, const std::uint8_t* const* data, std::size_t blocks) {
  const __m128i big_endian = _mm_set_epi8(12, 13, 14, 15, 8, 9, 10, 11, 4, 5, 6, 7, 0, 1, 2, 3);
  __m128i abef[kMessages], cdgh[kMessages];
  const std::uint8_t* at[kMessages];
#pragma GCC unroll 4
  for (std::size_t i = 0; i < kMessages; ++i) {
    at[i] = data[i];
    const __m128i badc = _mm_shuffle_epi32(load(states[i]->data()), 0xB1);
    const __m128i efgh = _mm_shuffle_epi32(load(states[i]->data() + 4), 0x1B);
    abef[i] = _mm_alignr_epi8(badc, efgh, 8);
    cdgh[i] = _mm_blend_epi16(efgh, badc, 0xF0);
  }
  for (; blocks > 0; --blocks) {
    __m128i words[kMessages][4], abef_before[kMessages], cdgh_before[kMessages];
#pragma GCC unroll 4
    for (std::size_t i = 0; i < kMessages; ++i) {
      abef_before[i] = abef[i];
      cdgh_before[i] = cdgh[i];
    }
#pragma GCC unroll 16
    for (std::size_t four = 0; four < 16; ++four) {
#pragma GCC unroll 4
      for (std::size_t i = 0; i < kMessages; ++i) {
        __m128i* const last = words[i];  // the words of the last 16 rounds
        __m128i& now = last[four % 4];
        if (four < 4) {
          now = _mm_shuffle_epi8(load(at[i] + 16 * four), big_endian);
        } else {
          const __m128i before = last[(four + 3) % 4], seven_back = _mm_alignr_epi8(before, last[(four + 2) % 4], 4);
          now = _mm_sha256msg2_epu32(_mm_add_epi32(_mm_sha256msg1_epu32(now, last[(four + 1) % 4]), seven_back), before);
        }
        const __m128i sum = _mm_add_epi32(now, load(kRound.data() + 4 * four));
        cdgh[i] = _mm_sha256rnds2_epu32(cdgh[i], abef[i], sum);
        abef[i] = _mm_sha256rnds2_epu32(abef[i], cdgh[i], _mm_shuffle_epi32(sum, 0x0E));
      }
    }
#pragma GCC unroll 4
    for (std::size_t i = 0; i < kMessages; ++i) {
      abef[i] = _mm_add_epi32(abef[i], abef_before[i]);
      cdgh[i] = _mm_add_epi32(cdgh[i], cdgh_before[i]);
      at[i] += kBlockBytes;
    }
  }
#pragma GCC unroll 4
  for (std::size_t i = 0; i < kMessages; ++i) {
    const __m128i feba = _mm_shuffle_epi32(abef[i], 0x1B), dchg = _mm_shuffle_epi32(cdgh[i], 0xB1);
    store(states[i]->data(), _mm_blend_epi16(feba, dchg, 0xF0));
    store(states[i]->data() + 4, _mm_alignr_epi8(dchg, feba, 8));
  }
}

void compress(std::size_t messages, State* const* states, const std::uint8_t* const* data, std::size_t blocks) {
  switch (messages) {
    case 1: return compress<1>(states, data, blocks);
    case 2: return compress<2>(states, data, blocks);
    default: return compress<3>(states, data, blocks);
  }
}

#else

bool there_are_instructions() { return false; }
void compress(std::size_t, State* const*, const std::uint8_t* const*, std::size_t) { assert(false && "there are no instructions"); }

#endif

void store_big_endian(std::uint64_t value, MutableByteSpan out) {
  for (std::size_t i = out.size(); i-- > 0; value >>= 8) out[i] = static_cast<std::uint8_t>(value);
}

}  // namespace

struct Sha256Group::Message {
  State state = kStart;
  std::array<std::uint8_t, kBlockBytes> rest{};  // the beginning of a block
  std::uint64_t bytes = 0;                       // of the message so far
  std::size_t in_rest() const { return static_cast<std::size_t>(bytes % kBlockBytes); }

  void compress_rest() {
    State* const mine = &state;
    const std::uint8_t* const data = rest.data();
    compress(1, &mine, &data, 1);
  }
  // Fills a block that has begun; what follows of `piece` begins one.
  ByteSpan complete_rest(ByteSpan piece) {
    if (in_rest() == 0) return piece;
    const std::size_t count = std::min(piece.size(), kBlockBytes - in_rest());
    std::copy_n(piece.begin(), count, rest.begin() + static_cast<std::ptrdiff_t>(in_rest()));
    bytes += count;
    if (in_rest() == 0) compress_rest();
    return piece.subspan(count);
  }
  // Less than a block, where one begins.
  void keep(ByteSpan piece) {
    std::copy(piece.begin(), piece.end(), rest.begin());
    bytes += piece.size();
  }
  Digest finish() {
    const std::uint64_t bits = bytes * 8;
    std::size_t at = in_rest();
    rest[at++] = 0x80;
    if (at > kBlockBytes - 8) {
      std::fill(rest.begin() + static_cast<std::ptrdiff_t>(at), rest.end(), std::uint8_t{0});
      compress_rest();
      at = 0;
    }
    std::fill(rest.begin() + static_cast<std::ptrdiff_t>(at), rest.end(), std::uint8_t{0});
    store_big_endian(bits, MutableByteSpan(rest).last(8));
    compress_rest();
    Digest digest;
    for (std::size_t i = 0; i < state.size(); ++i) store_big_endian(state[i], MutableByteSpan(digest).subspan(4 * i, 4));
    *this = Message();
    return digest;
  }
};

Sha256Group::Sha256Group(std::size_t messages) {
  assert(messages >= 1 && messages <= kMost);
  if (there_are_instructions()) by_instructions_.resize(messages);
  else by_library_.resize(messages);
}
Sha256Group::~Sha256Group() = default;
Sha256Group::Sha256Group(Sha256Group&&) noexcept = default;
Sha256Group& Sha256Group::operator=(Sha256Group&&) noexcept = default;

void Sha256Group::update(std::span<const ByteSpan> pieces) {
  assert(pieces.size() == by_instructions_.size() + by_library_.size());
  for (std::size_t i = 0; i < by_library_.size(); ++i) by_library_[i].update(pieces[i]);
  if (by_instructions_.empty()) return;
  std::array<ByteSpan, kMost> left;
  for (std::size_t i = 0; i < pieces.size(); ++i) left[i] = by_instructions_[i].complete_rest(pieces[i]);
  for (;;) {
    // Those that have whole blocks go on together, as far as the shortest of them.
    std::array<State*, kMost> states{};
    std::array<const std::uint8_t*, kMost> data{};
    std::size_t count = 0, blocks = ~std::size_t{0};
    for (std::size_t i = 0; i < pieces.size(); ++i) {
      if (left[i].size() < kBlockBytes) continue;
      states[count] = &by_instructions_[i].state;
      data[count++] = left[i].data();
      blocks = std::min(blocks, left[i].size() / kBlockBytes);
    }
    if (count == 0) break;
    compress(count, states.data(), data.data(), blocks);
    for (std::size_t i = 0; i < pieces.size(); ++i) {
      if (left[i].size() < kBlockBytes) continue;
      by_instructions_[i].bytes += blocks * kBlockBytes;
      left[i] = left[i].subspan(blocks * kBlockBytes);
    }
  }
  for (std::size_t i = 0; i < pieces.size(); ++i)
    if (!left[i].empty()) by_instructions_[i].keep(left[i]);
}

Digest Sha256Group::finish(std::size_t i) { return by_library_.empty() ? by_instructions_[i].finish() : by_library_[i].finish(); }

void Sha256Group::of_each(std::span<const ByteSpan> messages, std::span<Digest> digests) {
  assert(messages.size() == digests.size());
  for (std::size_t at = 0; at < messages.size();) {
    const std::size_t count = together(messages.size() - at);
    if (count == 1) {
      digests[at] = Sha256::of(messages[at]);
    } else {
      Sha256Group group(count);
      group.update(messages.subspan(at, count));
      for (std::size_t i = 0; i < count; ++i) digests[at + i] = group.finish(i);
    }
    at += count;
  }
}

}  // namespace steadycell
