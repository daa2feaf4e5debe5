#pragma once
#include <string>
#include <string_view>
#include <variant>
#include <vector>

#include "assess/cancellation.h"
#include "assess/register.h"
#include "base/address.h"
#include "base/result.h"

// A whitening key file, steadycell-whitening/1 (docs/image.md): what to XOR on the bytes of a page to get the
// contents.
namespace steadycell::assess {

// Bytes [offset, offset + length) of page + spare.
struct Range {
  std::uint32_t offset = 0, length = 0;
  friend bool operator==(const Range&, const Range&) = default;
};
std::vector<Range> ranges_of(const std::vector<bool>& covered);

struct SequenceTable {
  Period period;
  std::vector<Bytes>
      sequences;  // one for each of period.sequences(), as long as the covered bytes; empty: not known
  friend bool operator==(const SequenceTable&, const SequenceTable&) = default;
};

struct WhiteningKey {
  std::uint32_t page_bytes = 0, spare_bytes = 0, pages_per_block = 0;
  std::vector<Range> bytes;  // that are whitened; ascending, apart, at least one
  std::variant<SequenceTable, Register> whitening;
  std::uint32_t covered_bytes() const;
  friend bool operator==(const WhiteningKey&, const WhiteningKey&) = default;
};

inline constexpr std::uint64_t kMostSequenceBytes = std::uint64_t{64} << 20;  // of a table
inline constexpr std::uint64_t kMostKeyText = 3 * kMostSequenceBytes;

// Strict, as parse_scheme(): bad_input_file with the path of the key, version_unknown for a later schema.
Result<WhiteningKey> parse_key(std::string_view text);
std::string to_text(const WhiteningKey& key);

// Whether the key is made for such pages (bad_input_file).
Result<void> check_fits(const WhiteningKey& key, const Geometry& geometry);

// What became of one page.
enum class Unwhitened : std::uint8_t {
  proven,            // taken off; the page itself shows that this was right
  partly,            // of a register: where it was caught; the other pieces of the page stand as they are
  assumed,           // taken off by the key's sequence, which other pages prove; this one looks random with and without it
  erased,            // unchanged, like all below
  plainer,           // plainer as it stands
  unknown_sequence,  // the key has none for it
  not_caught         // of a register: nowhere constant for long enough
};
inline constexpr std::size_t kUnwhitened = 7;
std::string_view name_of(Unwhitened what);
constexpr bool taken_off(Unwhitened what) { return what <= Unwhitened::assumed; }

class Unwhitener {
 public:
  explicit Unwhitener(const WhiteningKey& key);  // which must outlive it
  // Takes the whitening off page and spare area; `block` and `page_in_block` are those of its LUN. Where that is not
  // taken_off(), nothing is changed.
  Unwhitened apply(MutableByteSpan raw_page, std::uint64_t block, std::uint32_t page_in_block);

 private:
  const WhiteningKey* key_;
  Bytes covered_, sequence_;
};

}  // namespace steadycell::assess
