#pragma once
#include <array>
#include <cstdint>

#include "base/bytes.h"

// How often each byte value occurs, and what follows from that. Figures are those of Shannon (1948) and Pearson
// (1900).
namespace steadycell::assess {

class ByteCounts {
 public:
  void add(ByteSpan bytes);
  void add(const ByteCounts& other);

  std::uint64_t total() const { return total_; }
  std::uint64_t of(std::uint8_t value) const { return counts_[value]; }
  // Bits a byte, 0 to 8; 0 without bytes.
  double entropy() const;
  // Against 256 values equally often; 255 degrees of freedom, so 255 +- 22.6 for random bytes. 0 without bytes.
  double chi_square() const;
  // The commonest value; the least of several.
  std::uint8_t commonest() const;

 private:
  std::array<std::uint64_t, 256> counts_{};
  std::uint64_t total_ = 0;
};

// What the bytes of one page look like by themselves.
enum class Look : std::uint8_t {
  erased,    // never written, or FF: at most 2 % of the bits of page and spare area are zero
  constant,  // at least nine in ten data bytes have one value
  plain,  // the bytes, or their steps from one to the next, have at least one bit less entropy than random ones on
          // such a page
  flat,   // all byte values alike, as far as chi-square tells: compressed, encrypted, whitened or random
  other   // neither
};

bool looks_erased(ByteSpan raw_page);
// Of the data bytes of a page that is not erased.
Look look_of(ByteSpan data);
// Entropy to expect of this many random bytes: 8 less Miller's (1955) correction for a short sample.
double random_entropy(std::uint64_t bytes);

// Whether the bytes, or their steps from one to the next, as of counters and waves, have structure that random
// bytes have not.
bool looks_plain(ByteSpan data);

// Structure beyond one commonest byte: the other values differ in number more than chance explains. A page half 00
// and half random has none; text and tables have.
bool is_varied(const ByteCounts& page);

}  // namespace steadycell::assess
