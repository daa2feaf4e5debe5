#include "image/verdict.h"

#include <fmt/format.h>

#include <charconv>
#include <iterator>
#include <numeric>
#include <span>
#include <tuple>

#include "base/text.h"

namespace steadycell::image {
namespace {

// Far above any line this format can hold; what is longer is not a row, and must not fill memory.
constexpr std::size_t kMaxLine = 256;
// A `confirmed` or `corrected` page has a bound on being false of at most this (docs/design.md, rule 2).
constexpr double kMostFalseOdds = 1e-6;

constexpr std::array<std::string_view, kVerdicts> kVerdictNames{"confirmed", "corrected", "steady", "doubtful",
                                                                "unread"};
constexpr std::array<std::string_view, 3> kByNames{"code", "erased", "vote"};
constexpr std::array<std::string_view, 12> kCauseNames{"none",         "unknown",     "weak_cells", "one_lane",
                                                       "columns",      "charge_loss", "disturb",    "first_bytes",
                                                       "follows_rail", "word_line",   "transfer",   "chip_busy"};

template <typename Enum>
std::optional<Enum> by_name(std::span<const std::string_view> names, std::string_view name) {
  for (std::size_t i = 0; i < names.size(); ++i)
    if (names[i] == name) return static_cast<Enum>(i);
  return std::nullopt;
}

std::optional<double> parse_odds(std::string_view text) {
  double value = 0;
  const auto [end, code] = std::from_chars(text.data(), text.data() + text.size(), value);
  if (code != std::errc() || end != text.data() + text.size() || !(value >= 0 && value <= 1)) return std::nullopt;
  return value;
}

// The columns of one row, or the reason why it is none.
Result<PageVerdict> parse_row(std::string_view text) {
  std::array<std::string_view, 9> column;
  std::size_t columns = 0;
  for (std::string_view rest = text;; ++columns) {
    const std::size_t comma = rest.find(',');
    if (columns < column.size()) column[columns] = rest.substr(0, comma);
    if (comma == std::string_view::npos) break;
    rest.remove_prefix(comma + 1);
  }
  if (++columns != column.size())
    return failure(ErrorCode::bad_input_file, "{} columns, expected {}", columns, column.size());

  const auto number = [&](std::size_t i, std::string_view name, std::uint64_t high) -> Result<std::uint64_t> {
    const auto value = parse_number(column[i]);
    if (!value || *value > high)
      return failure(ErrorCode::bad_input_file, "{} \"{}\", expected a whole number up to {}", name,
                     printable(column[i]), high);
    return *value;
  };
  const auto target = number(0, "target", 0xFF);
  if (!target) return failure(target.error());
  const auto lun = number(1, "lun", 0xFF);
  if (!lun) return failure(lun.error());
  const auto page = number(2, "page", 0xFFFF'FFFF);
  if (!page) return failure(page.error());
  const auto verdict = by_name<Verdict>(kVerdictNames, column[3]);
  if (!verdict) return failure(ErrorCode::bad_input_file, "verdict \"{}\" is not known", printable(column[3]));
  const auto by = by_name<By>(kByNames, column[4]);
  if (!by) return failure(ErrorCode::bad_input_file, "by \"{}\" is not known", printable(column[4]));
  const auto unstable = number(5, "unstable_bits", 0xFFFF'FFFF);
  if (!unstable) return failure(unstable.error());
  const auto corrected = number(6, "corrected_bits", 0xFFFF'FFFF);
  if (!corrected) return failure(corrected.error());
  const auto odds = parse_odds(column[7]);
  if (!odds && !column[7].empty())
    return failure(ErrorCode::bad_input_file, "false_odds \"{}\", expected a number from 0 to 1",
                   printable(column[7]));
  const auto cause = by_name<Cause>(kCauseNames, column[8]);
  if (!cause) return failure(ErrorCode::bad_input_file, "cause \"{}\" is not known", printable(column[8]));

  const bool vouched = *verdict == Verdict::confirmed || *verdict == Verdict::corrected;
  if (vouched && (*by == By::vote || !odds || *odds > kMostFalseOdds))
    return failure(ErrorCode::bad_input_file, "a {} page needs a code and false_odds of at most {}",
                   name_of(*verdict), kMostFalseOdds);
  if (*verdict == Verdict::confirmed && *corrected != 0)
    return failure(ErrorCode::bad_input_file, "a confirmed page has {} corrected bits, expected none", *corrected);

  PageVerdict row;
  row.place = {static_cast<std::uint8_t>(*target), static_cast<std::uint8_t>(*lun)};
  row.page = {static_cast<std::uint32_t>(*page)};
  row.verdict = *verdict;
  row.by = *by;
  row.unstable_bits = static_cast<std::uint32_t>(*unstable);
  row.corrected_bits = static_cast<std::uint32_t>(*corrected);
  row.false_odds = odds;
  row.cause = *cause;
  return row;
}

}  // namespace

std::string_view name_of(Verdict verdict) {
  return kVerdictNames[static_cast<std::size_t>(verdict)];
}
std::string_view name_of(By by) {
  return kByNames[static_cast<std::size_t>(by)];
}
std::string_view name_of(Cause cause) {
  return kCauseNames[static_cast<std::size_t>(cause)];
}

Cause cause_from(vote::Cause cause) {
  return by_name<Cause>(kCauseNames, vote::to_text(cause)).value_or(Cause::unknown);
}

void VerdictCounts::add(const PageVerdict& verdict) {
  ++pages[static_cast<std::size_t>(verdict.verdict)];
  unstable_bits += verdict.unstable_bits;
  corrected_bits += verdict.corrected_bits;
}

std::uint64_t VerdictCounts::total() const {
  return std::accumulate(pages.begin(), pages.end(), std::uint64_t{0});
}

void append_line(const PageVerdict& v, std::string& out) {
  fmt::format_to(std::back_inserter(out), "{},{},{},{},{},{},{},", v.place.target, v.place.lun, v.page.index,
                 name_of(v.verdict), name_of(v.by), v.unstable_bits, v.corrected_bits);
  if (v.false_odds) fmt::format_to(std::back_inserter(out), "{}", *v.false_odds);
  fmt::format_to(std::back_inserter(out), ",{}\n", name_of(v.cause));
}

Result<void> VerdictParser::feed(std::string_view text, const Sink& sink) {
  while (!text.empty()) {
    const std::size_t end = text.find('\n');
    const std::string_view piece = text.substr(0, end);
    if (rest_.size() + piece.size() > kMaxLine)
      return failure(ErrorCode::bad_input_file, "verdicts line {}: longer than {} bytes", lines_ + 1, kMaxLine);
    if (end == std::string_view::npos) {
      rest_ += piece;
      return {};
    }
    text.remove_prefix(end + 1);
    if (rest_.empty()) {
      if (auto taken = line(piece, sink); !taken) return taken;
      continue;
    }
    rest_ += piece;
    auto taken = line(rest_, sink);
    rest_.clear();
    if (!taken) return taken;
  }
  return {};
}

Result<void> VerdictParser::finish(const Sink& sink) {
  if (!rest_.empty()) {
    auto taken = line(rest_, sink);
    rest_.clear();
    if (!taken) return taken;
  }
  if (lines_ == 0)
    return failure(ErrorCode::bad_input_file, "verdicts: the file is empty, expected the header {}",
                   kVerdictHeader);
  return {};
}

Result<void> VerdictParser::line(std::string_view text, const Sink& sink) {
  if (++lines_ == 1) {
    if (text == kVerdictHeader) return {};
    return failure(ErrorCode::bad_input_file, "verdicts line 1: \"{}\", expected the header {}", printable(text),
                   kVerdictHeader);
  }
  const auto row = parse_row(text);
  if (!row) return failure(Error(row.error()).during("verdicts line {}", lines_));
  if (previous_ && std::tie(previous_->place, previous_->page) >= std::tie(row->place, row->page))
    return failure(ErrorCode::bad_input_file,
                   "verdicts line {}: page {} of target {}, LUN {} stands twice or out of order", lines_,
                   row->page.index, row->place.target, row->place.lun);
  previous_ = *row;
  return sink(*row);
}

}  // namespace steadycell::image
