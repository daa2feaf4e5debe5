#include "contact/table.h"

#include <fmt/format.h>

#include <algorithm>
#include <bitset>
#include <charconv>
#include <cmath>
#include <map>
#include <optional>

#include "base/text.h"

namespace steadycell::contact {
namespace {

constexpr unsigned kRail = kPositions + 1;
constexpr std::size_t kMaxCases = 100'000;
constexpr int kMostOffset_mV = 50;  // of a voltage channel; common practice, no source
constexpr int kMostVolts = 5;       // a table whose every number is this small is in volts: no socket ties all its positions to a rail

std::vector<std::string_view> cells_of(std::string_view line) {
  std::vector<std::string_view> cells;
  for (;;) {
    const auto comma = line.find(',');
    std::string_view cell = line.substr(0, comma);
    while (!cell.empty() && cell.front() == ' ') cell.remove_prefix(1);
    while (!cell.empty() && cell.back() == ' ') cell.remove_suffix(1);
    cells.push_back(cell);
    if (comma == std::string_view::npos) return cells;
    line.remove_prefix(comma + 1);
  }
}

std::optional<std::int16_t> millivolts(std::string_view text) {
  double value = 0;
  const auto [end, fault] = std::from_chars(text.data(), text.data() + text.size(), value);
  if (fault != std::errc() || end != text.data() + text.size() || !(std::abs(value) <= 32000)) return std::nullopt;
  return static_cast<std::int16_t>(std::lround(std::clamp(value, -double{kCompliance_mV}, double{kCompliance_mV})));
}

class Table {
 public:
  Result<void> header(std::string_view line) {
    const auto cells = cells_of(line);
    for (std::size_t column = 0; column < std::size(kNames); ++column) {
      const auto found = std::find(cells.begin(), cells.end(), kNames[column]);
      if (found != cells.end()) columns_[column] = static_cast<std::size_t>(found - cells.begin());
      else if (column != kCase && column != kShortTo)
        return failure(
            Error(ErrorCode::bad_input_file, fmt::format("the first line has no column \"{}\"", kNames[column]))
                .advising(
                    cells.size() == 1 && line.find_first_of(";\t") != std::string_view::npos
                        ? "the fields stand apart by semicolons or tabs; save the table with commas between them, and a decimal point"
                        : "the first line names the columns: case,position,v_at_plus100uA_mV,v_at_minus100uA_mV,short_to, as UTF-8 text"));
    }
    width_ = cells.size();
    return {};
  }

  Result<void> row(std::string_view line) {
    const auto cells = cells_of(line);
    if (cells.size() != width_) return failure(ErrorCode::bad_input_file, "{} fields, {} expected", cells.size(), width_);
    const auto cell = [&](std::size_t column) { return columns_[column] ? cells[*columns_[column]] : std::string_view(); };
    const std::string_view place = cell(kPosition);
    const bool rail = place == "RAIL" || place == "rail" || place == "Rail";
    const auto number = rail ? std::optional<std::uint64_t>(kRail) : parse_number(place);
    if (!number || *number < 1 || (*number > kPositions && !rail))
      return failure(ErrorCode::bad_input_file, "position \"{}\", expected 1 to 48 or RAIL", printable(place));
    const auto position = static_cast<unsigned>(*number);
    Gathering* into = gathering(cell(kCase));
    if (!into) return failure(ErrorCode::bad_input_file, "more than {} cases", kMaxCases);
    if (into->seen[position])
      return failure(ErrorCode::bad_input_file, "position {} of case \"{}\" stands twice", printable(place), printable(cell(kCase)));
    into->seen.set(position);

    Reading& reading = position == kRail ? into->measured.readings.rail : into->measured.readings.positions[position - 1];
    const std::string_view plus = cell(kPlus), minus = cell(kMinus), short_to = cell(kShortTo);
    if (is_supply(position) && plus.empty() && minus.empty()) {
      reading = {.plus_mV = 0, .minus_mV = 0, .bridged_with = 0};  // held by the board
    } else {
      const auto up = millivolts(plus), down = millivolts(minus);
      if (!up || !down)
        return failure(Error(ErrorCode::bad_input_file,
                             fmt::format("\"{}\" and \"{}\", expected two voltages in mV", printable(plus), printable(minus)))
                           .advising("where nothing conducts write the source's limit, 1500 and -1500; only supply positions may be blank, "
                                     "when not measured"));
      // A current that is driven in cannot leave the voltage below ground by more than an offset, nor the other way round.
      if (*up < -kMostOffset_mV || *down > kMostOffset_mV)
        return failure(Error(ErrorCode::bad_input_file,
                             fmt::format("{} mV at +100 uA and {} mV at -100 uA: the sign is the wrong way round", *up, *down))
                           .advising("0 and above at +100 uA, 0 and below at -100 uA; look whether columns or probes were exchanged"));
      into->highest_mV = std::max({into->highest_mV, int{*up}, -int{*down}});
      reading.plus_mV = *up;
      reading.minus_mV = *down;
    }
    if (short_to.empty()) return {};
    const auto neighbour = parse_number(short_to);
    if (!neighbour || *neighbour < 1 || *neighbour > kPositions || *neighbour == position)
      return failure(ErrorCode::bad_input_file, "short_to \"{}\", expected another position or nothing", printable(short_to));
    reading.bridged_with = static_cast<std::uint8_t>(*neighbour);
    return {};
  }

  Result<std::vector<Case>> finish() {
    if (cases_.empty()) return failure(ErrorCode::bad_input_file, "no row of readings");
    std::vector<Case> out;
    for (Gathering& gathered : cases_) {
      for (unsigned p = 1; p <= kRail; ++p)
        if (!gathered.seen[p] && !is_supply(p))
          return failure(ErrorCode::bad_input_file, "case \"{}\" has no row for {}", printable(gathered.measured.name),
                         p == kRail ? "RAIL" : fmt::format("position {}", p));
      if (gathered.highest_mV <= kMostVolts)
        return failure(Error(ErrorCode::bad_input_file, fmt::format("no reading of case \"{}\" is above {} mV: these look like volts",
                                                                    printable(gathered.measured.name), kMostVolts))
                           .advising("write all readings in mV: 0.6 V is 600"));
      for (unsigned p = 1; p <= kPositions; ++p)
        if (!gathered.seen[p]) gathered.measured.readings.positions[p - 1] = {.plus_mV = 0, .minus_mV = 0, .bridged_with = 0};
      out.push_back(std::move(gathered.measured));
    }
    return out;
  }

 private:
  struct Gathering {
    Case measured;
    std::bitset<kRail + 1> seen;
    int highest_mV = 0;
  };
  static constexpr std::size_t kCase = 0, kPosition = 1, kPlus = 2, kMinus = 3, kShortTo = 4;
  static constexpr std::string_view kNames[] = {"case", "position", "v_at_plus100uA_mV", "v_at_minus100uA_mV", "short_to"};

  Gathering* gathering(std::string_view name) {
    const auto [found, is_new] = index_.try_emplace(std::string(name), cases_.size());
    if (is_new) {
      if (cases_.size() == kMaxCases) return nullptr;
      cases_.emplace_back().measured.name = name;
    }
    return &cases_[found->second];
  }

  std::array<std::optional<std::size_t>, std::size(kNames)> columns_;
  std::size_t width_ = 0;
  std::vector<Gathering> cases_;
  std::map<std::string, std::size_t> index_;
};

}  // namespace

Result<std::vector<Case>> parse_table(std::string_view csv) {
  Table table;
  std::size_t number = 0;
  bool titled = false;
  while (!csv.empty()) {
    const auto end = csv.find('\n');
    std::string_view line = csv.substr(0, end);
    csv.remove_prefix(end == std::string_view::npos ? csv.size() : end + 1);
    ++number;
    if (number == 1 && line.starts_with("\xEF\xBB\xBF")) line.remove_prefix(3);
    if (line.ends_with('\r')) line.remove_suffix(1);
    if (line.empty() || line.starts_with('#')) continue;
    const auto done = titled ? table.row(line) : table.header(line);
    if (!done) return failure(Error(done.error()).at(fmt::format("line {}", number)));
    titled = true;
  }
  return table.finish();
}

}  // namespace steadycell::contact
