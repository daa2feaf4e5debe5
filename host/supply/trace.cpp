#include "supply/trace.h"

#include <fmt/format.h>

#include <algorithm>
#include <cctype>
#include <charconv>
#include <cmath>
#include <iterator>

#include "base/text.h"

namespace steadycell::supply {
namespace {

constexpr std::size_t kMaxLine = 1024;
constexpr std::size_t kMaxEvents = 1000;
constexpr double kMostVolts = 100, kMostMilliamps = 1e6, kMostSeconds = 1e9;
constexpr std::array<std::string_view, 5> kColumns{"time_s", "current_mA", "vbus_V", "probe1_V", "probe2_V"};
constexpr std::size_t kCurrent = 1;
constexpr std::array<std::pair<std::string_view, double>, 2> kOtherUnits{{{"current_A", 1e3}, {"current_uA", 1e-3}}};

std::string_view trimmed(std::string_view text) {
  const auto first = text.find_first_not_of(" \t\r");
  if (first == std::string_view::npos) return {};
  return text.substr(first, text.find_last_not_of(" \t\r") - first + 1);
}

// A plain decimal number whatever the locale; finite.
std::optional<double> parse_real(std::string_view text) {
  text = trimmed(text);
  if (text.starts_with('+')) text.remove_prefix(1);
  double value = 0;
  const auto [end, code] = std::from_chars(text.data(), text.data() + text.size(), value);
  if (code != std::errc() || end != text.data() + text.size() || !std::isfinite(value)) return std::nullopt;
  return value;
}

void append_fixed(double value, int decimals, std::string& out) {
  std::array<char, 400> text;  // the largest double has 309 digits in front of the point
  out.append(text.data(), std::to_chars(text.data(), text.data() + text.size(), value, std::chars_format::fixed, decimals).ptr);
}

// How many programs write that a sample was lost: refused, since it also stands for a sum that failed.
bool not_a_number(std::string_view text) {
  return text.size() == 3 && std::ranges::equal(text, std::string_view("nan"), {}, [](unsigned char c) { return std::tolower(c); });
}

// Spreadsheets of countries with a decimal comma part the fields otherwise.
Error with_separators(Error error, std::string_view line) {
  if (line.find_first_of(";\t") == std::string_view::npos) return error;
  return std::move(error).advising(
      "the fields stand apart by semicolons or tabs; save the table with commas between the fields and a decimal point");
}

std::vector<std::string_view> split(std::string_view text) {
  std::vector<std::string_view> parts;
  for (;;) {
    const std::size_t comma = text.find(',');
    parts.push_back(trimmed(text.substr(0, comma)));
    if (comma == std::string_view::npos) return parts;
    text.remove_prefix(comma + 1);
  }
}

// A file of another kind is named for what it is, by how it begins; nothing for what may be a trace.
std::optional<std::string_view> foreign_kind(std::string_view first_line) {
  if (first_line.starts_with("\x1f\x8b")) return "gzip data; give it a name that ends in .gz";
  if (first_line.starts_with("PK\x03\x04")) return "a zip archive or a spreadsheet; unpack it, or save the table as CSV";
  if (first_line.starts_with("\xFF\xFE") || first_line.starts_with("\xFE\xFF")) return "UTF-16 text; save it as UTF-8";
  if (first_line.find('\0') != std::string_view::npos) return "no text";
  const std::string_view text = trimmed(first_line);
  if (text.starts_with('{') || text.starts_with('[')) return "JSON";
  if (text.starts_with('<')) return "XML or HTML";
  return std::nullopt;
}

Result<void> refuse_foreign(std::string_view first_line) {
  if (const auto kind = foreign_kind(first_line))
    return failure(Error(ErrorCode::bad_input_file, fmt::format("this is {}, not a trace", *kind))
                       .advising("a trace is CSV with the columns time_s,current_mA,vbus_V, plain or gzip"));
  return {};
}

}  // namespace

std::string_view name_of(Rail rail) {
  switch (rail) {
    case Rail::vbus:
      return "vbus";
    case Rail::socket1v8:
      return "socket1v8";
    case Rail::socket3v3:
      return "socket3v3";
  }
  return "";
}

std::optional<Rail> parse_rail(std::string_view name) {
  for (const Rail rail : {Rail::vbus, Rail::socket1v8, Rail::socket3v3})
    if (name == name_of(rail)) return rail;
  return std::nullopt;
}

double nominal_volts(Rail rail) {
  return rail == Rail::vbus ? 5.0 : rail == Rail::socket3v3 ? 3.3 : 1.8;
}

void append_header(const TraceHeader& header, bool probes, std::string& out) {
  const auto to = std::back_inserter(out);
  fmt::format_to(to, "# schema: steadycell-trace/1\n");
  if (header.kind) fmt::format_to(to, "# sample_kind: {}\n", *header.kind);
  if (header.rail) fmt::format_to(to, "# rail: {}\n", name_of(*header.rail));
  if (header.limit_mA) fmt::format_to(to, "# limit_mA: {}\n", *header.limit_mA);
  if (header.t_on_s) fmt::format_to(to, "# t_on_s: {}\n", *header.t_on_s);
  if (header.full_scale_mA) fmt::format_to(to, "# full_scale_mA: {}\n", *header.full_scale_mA);
  for (const TraceEvent& event : header.events)
    fmt::format_to(to, "# event: {} {}\n", event.time_s, printable(event.text));
  const auto put_cold = [&](const char* key, const std::optional<ColdReadings>& readings) {
    if (!readings) return;
    for (const std::string& line : lines_of(*readings)) fmt::format_to(to, "# {}: {}\n", key, line);
  };
  put_cold("cold", header.cold);
  put_cold("cold_twin", header.cold_twin);
  if (header.cold)  // for people: the readings say the same to programs
    for (const std::string& finding : judge_cold(*header.cold, header.cold_twin ? &*header.cold_twin : nullptr).findings)
      fmt::format_to(to, "# cold_finding: {}\n", finding);
  for (std::size_t i = 0; i < (probes ? 5u : 3u); ++i) fmt::format_to(to, "{}{}", i ? "," : "", kColumns[i]);
  out += '\n';
}

// While a recording runs this is done for every sample, on the thread that sends the heartbeat.
void append_sample(const Sample& sample, bool probes, std::string& out) {
  append_fixed(sample.time_s, 6, out);
  for (const double value : {sample.mA, sample.volts}) append_fixed(value, 3, out += ',');
  if (probes)
    for (const double volts : sample.probe_volts) {
      out += ',';
      if (!std::isnan(volts)) append_fixed(volts, 3, out);
    }
  out += '\n';
}

Result<void> TraceParser::feed(std::string_view text, const Sink& sink) {
  while (!text.empty()) {
    const std::size_t end = text.find('\n');
    const std::string_view piece = text.substr(0, end);
    if (lines_ == 0 && rest_.empty())
      if (auto good = refuse_foreign(piece); !good) return good;
    if (rest_.size() + piece.size() > kMaxLine)
      return failure(ErrorCode::bad_input_file, "trace line {}: longer than {} bytes", lines_ + 1, kMaxLine);
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

Result<void> TraceParser::finish(const Sink& sink, bool cut) {
  const bool broke_off = cut || (end_follows_ && trimmed(rest_) != "# end: here");
  if (broke_off) rest_.clear();
  if (broke_off && samples_ == 0)
    return failure(
        Error(ErrorCode::bad_input_file, "the recording breaks off before its first sample: the program was killed, or the power failed")
            .advising("nothing can be read from this file; the bench log tells whether the patient was powered"));
  if (broke_off) header_.broke_off_s = last_time_;
  if (!rest_.empty()) {
    auto taken = line(rest_, sink);
    rest_.clear();
    if (!taken) return taken;
  }
  if (samples_ == 0) return failure(ErrorCode::bad_input_file, "the trace holds no samples");
  return whole_cold();
}

Result<void> TraceParser::line(std::string_view text, const Sink& sink) {
  if (lines_ == 0)
    if (auto good = refuse_foreign(text); !good) return good;
  if (lines_ == 0 && text.starts_with("\xEF\xBB\xBF")) text.remove_prefix(3);  // a byte order mark, as spreadsheets write it before UTF-8
  ++lines_;
  text = trimmed(text);
  if (text.empty()) return {};
  const auto taken = text.starts_with('#')                           ? comment(text.substr(1))
                     : order_.empty() && !parse_real(split(text)[0]) ? columns(text)
                                                                     : row(text, sink);
  if (!taken) return failure(Error(taken.error()).during("trace line {}", lines_));
  return {};
}

// Unknown keys are notes of whoever recorded; known ones must make sense.
Result<void> TraceParser::comment(std::string_view text) {
  const std::size_t colon = text.find(':');
  if (colon == std::string_view::npos) return {};
  const std::string_view key = trimmed(text.substr(0, colon)), value = trimmed(text.substr(colon + 1));
  const auto number = [&](std::optional<double>& out, double low, double high) -> Result<void> {
    out = parse_real(value);
    if (!out || *out < low || *out > high)
      return failure(ErrorCode::bad_input_file, "{} \"{}\", expected a number from {} to {}", key,
                     printable(value), low, high);
    return {};
  };
  if (key == "schema") {
    if (value.starts_with("steadycell-trace/") && value != "steadycell-trace/1")
      return failure(ErrorCode::version_unknown, "schema \"{}\", this program reads \"steadycell-trace/1\"",
                     printable(value));
    schema_seen_ |= value == "steadycell-trace/1";
  } else if (key == "sample_kind") {
    if (value != "averaged" && value != "point")
      return failure(ErrorCode::bad_input_file, "sample_kind \"{}\", expected averaged or point",
                     printable(value));
    header_.kind = std::string(value);
  } else if (key == "rail") {
    header_.rail = parse_rail(value);
    if (!header_.rail)
      return failure(ErrorCode::bad_input_file, "rail \"{}\", expected vbus, socket1v8 or socket3v3",
                     printable(value));
  } else if (key == "limit_mA") {
    return number(header_.limit_mA, 0.1, kMostMilliamps);
  } else if (key == "t_on_s") {
    return number(header_.t_on_s, -kMostSeconds, kMostSeconds);
  } else if (key == "full_scale_mA") {
    return number(header_.full_scale_mA, 0.1, kMostMilliamps);
  } else if (key == "end") {
    end_follows_ = value == "follows";
  } else if (key == "cold") {
    return cold(value, header_.cold, cold_seen_);
  } else if (key == "cold_twin") {
    return cold(value, header_.cold_twin, cold_twin_seen_);
  } else if (key == "event") {
    const std::size_t space = value.find(' ');
    const auto time = parse_real(value.substr(0, space));
    if (!time)
      return failure(ErrorCode::bad_input_file, "event \"{}\", expected a time and a word", printable(value));
    const std::string_view word =
        space == std::string_view::npos ? std::string_view() : trimmed(value.substr(space));
    if (header_.events.size() < kMaxEvents) header_.events.push_back({*time, std::string(word)});
  }
  return {};
}

// "supply_forward 0.001 0.2 ...": a reading of the check before power.
Result<void> TraceParser::cold(std::string_view text, std::optional<ColdReadings>& into, unsigned& seen) {
  const auto wrong = [&] {
    return failure(ErrorCode::bad_input_file, "cold \"{}\", expected the name of a reading and {} numbers", printable(text), kColdNumbers);
  };
  const std::size_t space = text.find(' ');
  const std::string_view name = text.substr(0, space);
  std::string_view rest = space == std::string_view::npos ? std::string_view() : trimmed(text.substr(space));
  std::array<double, kColdNumbers> numbers{};
  for (double& number : numbers) {
    const std::size_t end = rest.find(' ');
    const auto value = parse_real(rest.substr(0, end));
    if (!value || std::abs(*value) > kMostMilliamps) return wrong();
    number = *value;
    rest = end == std::string_view::npos ? std::string_view() : trimmed(rest.substr(end));
  }
  if (!into) into.emplace();
  const auto which = take_line(name, numbers, *into);
  if (!which || !rest.empty()) return wrong();
  seen |= 1u << *which;
  return {};
}

// Half a check would be judged as lines that conduct nothing.
Result<void> TraceParser::whole_cold() const {
  for (const auto& [readings, seen] : {std::pair{&header_.cold, cold_seen_}, {&header_.cold_twin, cold_twin_seen_}})
    if (*readings && seen != (1u << kColdLines) - 1)
      return failure(Error(ErrorCode::bad_input_file,
                           fmt::format("the check before power in its header is not whole: {} readings are needed", kColdLines))
                         .advising("take the lines that begin with \"# cold\" out of a copy of the file: the trace alone is read then"));
  return {};
}

Result<void> TraceParser::columns(std::string_view text) {
  for (const std::string_view name : split(text)) {
    auto known = std::find(kColumns.begin(), kColumns.end(), name);
    for (const auto& [other, to_mA] : kOtherUnits) {
      if (name != other) continue;
      known = kColumns.begin() + kCurrent;
      to_mA_ = to_mA;
    }
    if (known == kColumns.end())
      return failure(with_separators(
          Error(ErrorCode::bad_input_file,
                fmt::format("column \"{}\" is not one of time_s, current_mA (or current_A, current_uA), vbus_V, probe1_V, probe2_V",
                            printable(name.substr(0, 40)))),
          text));
    const auto which = static_cast<std::size_t>(known - kColumns.begin());
    if (std::find(order_.begin(), order_.end(), which) != order_.end())
      return failure(ErrorCode::bad_input_file, "column \"{}\" stands twice", name);
    order_.push_back(which);
  }
  for (std::size_t i = 0; i < 3; ++i)
    if (std::find(order_.begin(), order_.end(), i) == order_.end())
      return failure(ErrorCode::bad_input_file, "column \"{}\" is missing", kColumns[i]);
  return {};
}

Result<void> TraceParser::row(std::string_view text, const Sink& sink) {
  const auto parts = split(text);
  if (order_.empty()) {
    if (parts.size() != 3 && parts.size() != 5)
      return failure(
          with_separators(Error(ErrorCode::bad_input_file,
                                fmt::format("{} columns without a column line, expected time, current and voltage", parts.size())),
                          text));
    for (std::size_t i = 0; i < parts.size(); ++i) order_.push_back(i);
    header_.unit_stated = schema_seen_;
  }
  if (parts.size() != order_.size())
    return failure(ErrorCode::bad_input_file, "{} columns, expected {}", parts.size(), order_.size());
  std::array<std::optional<double>, 5> value;
  for (std::size_t i = 0; i < parts.size(); ++i) {
    const std::size_t which = order_[i];
    const double most = which == 0 ? kMostSeconds : which == 1 ? kMostMilliamps : kMostVolts;
    if (parts[i].empty() && which != 0) continue;
    if (not_a_number(parts[i]))
      return failure(Error(ErrorCode::bad_input_file, fmt::format("{} \"{}\", expected a number", kColumns[which], printable(parts[i])))
                         .advising("where a sample was lost leave the field empty: it is read as a gap"));
    value[which] = parse_real(parts[i]);
    if (value[which] && which == kCurrent) *value[which] *= to_mA_;
    if (!value[which] || std::abs(*value[which]) > most)
      return failure(with_separators(
          Error(ErrorCode::bad_input_file,
                fmt::format("{} \"{}\", expected a number within +-{}", kColumns[which], printable(parts[i].substr(0, 40)), most)),
          text));
  }
  if (*value[0] <= last_time_)
    return failure(ErrorCode::bad_input_file, "time {} s does not rise, the sample before stands at {} s",
                   *value[0], last_time_);
  last_time_ = *value[0];
  if (!value[1] || !value[2]) return {};
  Sample sample;
  sample.time_s = *value[0];
  sample.mA = *value[1];
  sample.volts = *value[2];
  for (std::size_t probe = 0; probe < 2; ++probe)
    if (value[3 + probe]) sample.probe_volts[probe] = *value[3 + probe];
  ++samples_;
  sink(sample);
  return {};
}

}  // namespace steadycell::supply
