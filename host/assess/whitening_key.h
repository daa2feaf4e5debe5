#pragma once
#include <array>
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
  proven,   // taken off; the page itself shows that this was right
  partly,   // of a register: where it was caught; the other pieces of the page stand as they are
  assumed,  // taken off by the key's sequence, for which pages of the same image speak; this one looks random with
            // and without it
  erased,   // unchanged, like all below
  plainer,  // plainer as it stands
  unknown_sequence,  // the key has none for it
  not_caught,        // of a register: nowhere constant for long enough
  unproven           // looks random with and without the key's sequence, and no page of the image speaks for that
};
inline constexpr std::size_t kUnwhitened = 8;
std::string_view name_of(Unwhitened what);
constexpr bool taken_off(Unwhitened what) { return what <= Unwhitened::assumed; }

// A key may be that of another chip, so the pages of an image are asked first: learn() from all of them, then
// apply().
class Unwhitener {
 public:
  explicit Unwhitener(const WhiteningKey& key);  // which must outlive it
  // What this page says of the key; `block` and `page_in_block` are those of its LUN.
  void learn(ByteSpan raw_page, std::uint64_t block, std::uint32_t page_in_block);
  // Written pages learnt from by what each says for itself; one of a table that looks random either way is counted
  // as unproven.
  const std::array<std::uint64_t, kUnwhitened>& learnt() const { return learnt_; }
  bool fits() const { return learnt_[0] + learnt_[1] > 0; }  // at least one page shows the key to be right
  bool settled() const;                                      // further pages would hardly change what apply() does
  // Takes the whitening off page and spare area. Where that is not taken_off(), nothing is changed.
  Unwhitened apply(MutableByteSpan raw_page, std::uint64_t block, std::uint32_t page_in_block);

 private:
  // Pages under one sequence of a table.
  struct Votes {
    std::uint64_t proven = 0, unproven = 0, plainer = 0;
    std::uint64_t pages() const { return proven + unproven + plainer; }
    bool speak_for() const { return proven > plainer; }
    bool settled() const { return proven >= 8 && proven > 2 * plainer; }
  };
  // By the page alone; leaves its contents in covered_.
  Unwhitened judge(ByteSpan raw_page, std::uint64_t block, std::uint32_t page_in_block);
  bool supported(const Votes& votes) const;

  const WhiteningKey* key_;
  Bytes covered_, sequence_;
  std::array<std::uint64_t, kUnwhitened> learnt_{};
  std::vector<Votes> votes_;                                        // of each sequence
  std::size_t known_ = 0, met_ = 0, spoken_for_ = 0, settled_ = 0;  // sequences
};

}  // namespace steadycell::assess
