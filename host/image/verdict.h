#pragma once
#include <array>
#include <cstdint>
#include <functional>
#include <optional>
#include <string>
#include <string_view>

#include "base/address.h"
#include "base/bytes.h"
#include "base/result.h"
#include "vote/cause.h"

// verdicts.csv of an image bundle (docs/image.md): what became of each page, and how sure that is.
namespace steadycell::image {

// Never mixed up: `confirmed` and `corrected` rest on a code, with a bound on being false; `steady` says only that
// the passes agree; `doubtful` has bits nobody can vouch for; `unread` bytes in pages.raw are fill, not data.
enum class Verdict : std::uint8_t { confirmed, corrected, steady, doubtful, unread };
inline constexpr std::size_t kVerdicts = 5;

// Who gave the verdict: the code, the recognition of erased codewords, or the vote of the passes alone.
enum class By : std::uint8_t { code, erased, vote };

// Why a page wavers, as far as its pattern tells.
enum class Cause : std::uint8_t {
  none,          // nothing wavers
  unknown,       // wavers, and no pattern stands out
  weak_cells,    // spread over lanes and columns
  one_lane,      // one I/O lane: contact
  columns,       // the same columns in many pages
  charge_loss,   // one direction only, 0 -> 1 on SLC and lower pages
  disturb,       // one direction only, 1 -> 0
  first_bytes,   // the start of the page: timing
  follows_rail,  // changes with the supply
  word_line,     // neighbours on the same word line waver too
  transfer,      // the page did not come over the link whole
  chip_busy,     // the chip did not become ready
};

std::string_view name_of(Verdict verdict);
std::string_view name_of(By by);
std::string_view name_of(Cause cause);
// The pattern the vote found, as verdicts.csv writes it.
Cause cause_from(vote::Cause cause);

struct PageVerdict {
  UnitPlace place;
  PageAddress page;
  Verdict verdict = Verdict::unread;
  By by = By::vote;
  std::uint32_t unstable_bits = 0;   // bits on which the passes disagreed
  std::uint32_t corrected_bits = 0;  // bits of pages.raw that differ from the vote
  // Bound on the probability, 0..1, that a `confirmed` or `corrected` page is wrong. Nothing where no code
  // vouches.
  std::optional<double> false_odds;
  Cause cause = Cause::none;
  friend bool operator==(const PageVerdict&, const PageVerdict&) = default;
};

struct VerdictCounts {
  std::array<std::uint64_t, kVerdicts> pages{};  // by Verdict
  std::uint64_t unstable_bits = 0;
  std::uint64_t corrected_bits = 0;

  void add(const PageVerdict& verdict);
  std::uint64_t of(Verdict verdict) const { return pages[static_cast<std::size_t>(verdict)]; }
  std::uint64_t total() const;
  friend bool operator==(const VerdictCounts&, const VerdictCounts&) = default;
};

inline constexpr std::string_view kVerdictHeader =
    "target,lun,page,verdict,by,unstable_bits,corrected_bits,false_odds,cause";

// Appends one line with its newline. Locale plays no part; false_odds is the shortest text that reads back the
// same.
void append_line(const PageVerdict& verdict, std::string& out);

// Reads verdicts.csv in pieces of any size and memory of one line. A row that is not as written here is refused
// with its line number (bad_input_file): unknown words, numbers out of range, missing columns, odds outside 0..1,
// rows out of order or twice (rows ascend by target, lun, page).
class VerdictParser {
 public:
  using Sink = std::function<Result<void>(const PageVerdict&)>;

  Result<void> feed(std::string_view text, const Sink& sink);
  // The text is over: a last line without newline is taken, a missing header refused.
  Result<void> finish(const Sink& sink);

 private:
  Result<void> line(std::string_view text, const Sink& sink);

  std::string rest_;  // the line not yet whole
  std::uint64_t lines_ = 0;
  std::optional<PageVerdict> previous_;
};

}  // namespace steadycell::image
