#pragma once
#include <optional>
#include <span>
#include <vector>

#include "assess/linear_complexity.h"

// Whitening by a feedback shift register: found by its recurrence, wherever contents are constant for a few bytes,
// and followed from there through the page. This needs no two pages with the same sequence, so it also works where
// each page has its own seed.
namespace steadycell::assess {

struct Register {
  Feedback feedback;
  BitOrder order = BitOrder::msb_first;
  std::uint32_t restart_bytes =
      0;  // seeded anew at each multiple of this in the data bytes; the page's data bytes at most
  friend bool operator==(const Register&, const Register&) = default;
};

// Follows the register through `piece`, which holds its output XOR some content, into `sequence` (as long). It is
// caught at the longest run of content that is all 00 or all FF, else at the longest run of bytes with one bit the
// same, as the highest of text is; false when no such run is kLeastRun bits longer than the register, and
// `sequence` is all zero then. Where the piece is not whitened, the sequence is zero.
bool follow(const Register& whitening, ByteSpan piece, MutableByteSpan sequence);
inline constexpr std::size_t kLeastRun =
    64;  // so a random piece is followed wrongly with a chance of about 2^-60 x its bytes

// follow() for each piece of the page's data between restarts. Number of bytes in pieces that were followed.
std::size_t follow_page(const Register& whitening, ByteSpan data, MutableByteSpan sequence);

// The feedback polynomial that most of the pages show: irreducible, 5 to 63 stages, on at least four pages.
// `pages` hold data bytes. Periodic and counting contents have short registers, too, but not irreducible ones of
// that length.
std::optional<Register> find_register(std::span<const Bytes> pages);

}  // namespace steadycell::assess
