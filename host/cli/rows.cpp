#include "cli/rows.h"

#include <fmt/format.h>

#include <boost/json/value_to.hpp>

#include "base/text.h"

namespace steadycell::cli {

std::string word(const json::Value& value) {
  if (value.is_null()) return "-";
  if (const auto* text = value.if_string()) return printable(std::string_view(text->data(), text->size()));
  return json::text_of(value);
}

std::string word(const json::Object& object, std::string_view key) {
  const json::Value* value = object.if_contains(key);
  return value ? word(*value) : "-";
}

std::uint64_t count(const json::Object& object, std::string_view key) {
  const json::Value* value = object.if_contains(key);
  boost::system::error_code code;
  const std::uint64_t number = value ? value->to_number<std::uint64_t>(code) : 0;
  return code ? 0 : number;
}

double real(const json::Object& object, std::string_view key) {
  const json::Value* value = object.if_contains(key);
  boost::system::error_code code;
  const double number = value ? value->to_number<double>(code) : 0;
  return code ? 0 : number;
}

bool flag(const json::Object& object, std::string_view key) {
  const json::Value* value = object.if_contains(key);
  return value && value->is_bool() && value->get_bool();
}

const json::Object* part(const json::Object& object, std::string_view key) {
  const json::Value* value = object.if_contains(key);
  return value ? value->if_object() : nullptr;
}

const json::Array& list(const json::Object& object, std::string_view key) {
  static const json::Array kNone;
  const json::Value* value = object.if_contains(key);
  const json::Array* array = value ? value->if_array() : nullptr;
  return array ? *array : kNone;
}

std::string row(std::string_view name, std::string_view value) { return fmt::format("{:<16} {}\n", name, value); }

std::string notes(const json::Object& result) {
  std::string out;
  for (const json::Value& note : list(result, "notes"))
    out += row("note", word(note));
  return out;
}

std::string run_text(std::string_view thing, std::uint64_t first, std::uint64_t count) {
  return count == 1 ? fmt::format("{} {}", thing, first) : fmt::format("{}s {}-{}", thing, first, first + count - 1);
}

std::string place_text(const json::Object& run) {
  const std::uint64_t target = count(run, "target"), lun = count(run, "lun");
  return target || lun ? fmt::format(" of target {}, LUN {}", target, lun) : "";
}

// Where the time went, when it was asked for.
std::string timing_rows(const json::Object& result) {
  std::string out;
  for (const json::Value& value : list(result, "timings")) {
    const json::Object& stage = value.get_object();
    out += fmt::format("  {:>9.3f} s  {}\n", real(stage, "seconds"), word(stage, "stage"));
  }
  return out.empty() ? out : row("time", "") + out;
}

}  // namespace steadycell::cli
