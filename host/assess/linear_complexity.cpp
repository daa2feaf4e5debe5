#include "assess/linear_complexity.h"

#include <algorithm>
#include <bit>

namespace steadycell::assess {
namespace {

constexpr unsigned kMostStages = 63;
constexpr std::size_t kWords = kMostBits / 64 + 1;

// A connection polynomial 1 + c_1 x + .., bit i for x^i; only the first `words` of it are in use.
using Connection = std::array<std::uint64_t, kWords>;

// a += b x^shift
void add_shifted(Connection& a, const Connection& b, std::size_t shift, std::size_t words) {
  const std::size_t whole = shift / 64, part = shift % 64;
  for (std::size_t i = words; i-- > whole;) {
    std::uint64_t moved = b[i - whole] << part;
    if (part > 0 && i > whole) moved |= b[i - whole - 1] >> (64 - part);
    a[i] ^= moved;
  }
}

Complexity massey(const std::vector<bool>& bits) {
  const std::size_t count = std::min(bits.size(), kMostBits), words = count / 64 + 1;
  Connection current{1}, before{1}, recent{};  // recent: the bits so far, bit i for the one i places back
  std::size_t length = 0, since = 1;
  for (std::size_t n = 0; n < count; ++n, ++since) {
    for (std::size_t i = words; i-- > 1;) recent[i] = recent[i] << 1 | recent[i - 1] >> 63;
    recent[0] = recent[0] << 1 | (bits[n] ? 1u : 0u);
    std::uint64_t discrepancy = 0;
    for (std::size_t i = 0; i <= length / 64; ++i) discrepancy ^= current[i] & recent[i];
    if (std::popcount(discrepancy) % 2 == 0) continue;
    if (2 * length > n) {
      add_shifted(current, before, since, words);
      continue;
    }
    const Connection saved = current;
    add_shifted(current, before, since, words);
    before = saved;
    length = n + 1 - length;
    since = 0;
  }
  Complexity out{.length = static_cast<unsigned>(length), .feedback = std::nullopt};
  if (length == 0 || length > kMostStages || (current[0] >> length & 1) == 0) return out;
  std::uint64_t reversed = 0;
  for (unsigned i = 0; i <= length; ++i) reversed |= (current[0] >> i & 1) << (length - i);
  out.feedback = Feedback{reversed};
  return out;
}

std::uint64_t times_mod(std::uint64_t a, std::uint64_t b, std::uint64_t modulus, unsigned degree) {
  std::uint64_t product = 0;
  for (; b != 0; b >>= 1) {
    if (b & 1) product ^= a;
    a <<= 1;
    if (a >> degree & 1) a ^= modulus;
  }
  return product;
}

unsigned degree_of(std::uint64_t polynomial) {
  return static_cast<unsigned>(std::bit_width(polynomial)) - 1;
}

std::uint64_t greatest_common_divisor(std::uint64_t a, std::uint64_t b) {
  while (b != 0) {
    while (a != 0 && std::bit_width(a) >= std::bit_width(b)) a ^= b << (std::bit_width(a) - std::bit_width(b));
    std::swap(a, b);
  }
  return a;
}

}  // namespace

std::string_view name_of(BitOrder order) {
  return order == BitOrder::msb_first ? "msb_first" : "lsb_first";
}

std::optional<BitOrder> parse_bit_order(std::string_view name) {
  for (const BitOrder order : {BitOrder::msb_first, BitOrder::lsb_first})
    if (name == name_of(order)) return order;
  return std::nullopt;
}

unsigned Feedback::length() const {
  return polynomial == 0 ? 0 : degree_of(polynomial);
}

Complexity linear_complexity(ByteSpan bytes, BitOrder order) {
  std::vector<bool> bits;
  bits.reserve(bytes.size() * 8);
  for (const std::uint8_t byte : bytes.first(std::min(bytes.size(), kMostBits / 8)))
    for (unsigned bit = 0; bit < 8; ++bit)
      bits.push_back((byte >> (order == BitOrder::msb_first ? 7 - bit : bit) & 1) != 0);
  return massey(bits);
}

Complexity linear_complexity(const std::vector<bool>& bits) {
  return massey(bits);
}

// x^(2^n) = x, and x^(2^(n/p)) - x has nothing in common with the polynomial for each prime p of its degree n.
bool is_irreducible(std::uint64_t polynomial) {
  if (polynomial < 2) return false;
  const unsigned degree = degree_of(polynomial);
  if (degree == 1) return true;
  const auto frobenius = [&](unsigned times) {
    std::uint64_t power = 2;
    for (unsigned i = 0; i < times; ++i) power = times_mod(power, power, polynomial, degree);
    return power;
  };
  if (frobenius(degree) != 2) return false;
  for (unsigned prime = 2, rest = degree; rest > 1; ++prime) {
    if (rest % prime != 0) continue;
    while (rest % prime == 0) rest /= prime;
    if (greatest_common_divisor(polynomial, frobenius(degree / prime) ^ 2) != 1) return false;
  }
  return true;
}

}  // namespace steadycell::assess
