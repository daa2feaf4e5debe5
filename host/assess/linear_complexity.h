#pragma once
#include <cstdint>
#include <optional>
#include <string>
#include <vector>

#include "base/bytes.h"

// How short a linear feedback shift register can make a bit sequence (Massey 1969). Random bits need half as many
// stages as there are bits; a whitening register needs its own few, whatever its seed.
namespace steadycell::assess {

enum class BitOrder : std::uint8_t { msb_first, lsb_first };
std::string_view name_of(BitOrder order);
std::optional<BitOrder> parse_bit_order(std::string_view name);

// Characteristic polynomial of a recurrence, bit k for x^k: with x^L + .. + c_L, s[n] = c_1 s[n-1] + .. + c_L
// s[n-L]. 0x11: s[n] = s[n-4]. Degree 1 to 63.
struct Feedback {
  std::uint64_t polynomial = 0;
  unsigned length() const;  // L
  friend auto operator<=>(const Feedback&, const Feedback&) = default;
};

struct Complexity {
  unsigned length = 0;               // stages of the shortest register; 0 for bits that are all zero
  std::optional<Feedback> feedback;  // when it has 1 to 63 stages, and the last one feeds back
};

// Of the bits of `bytes`, at most kMostBits of them.
Complexity linear_complexity(ByteSpan bytes, BitOrder order);
inline constexpr std::size_t kMostBits = 4096;
// The same of bits, one an element (for sequences that are not whole bytes).
Complexity linear_complexity(const std::vector<bool>& bits);

// Rabin's test (1980).
bool is_irreducible(std::uint64_t polynomial);

}  // namespace steadycell::assess
