#pragma once
#include <cstdint>
#include <string>
#include <string_view>

#include "base/json.h"

// What the lines for people are made of. Results come from our own service: a key that is asked for here is there, null at worst.
namespace steadycell::cli {

// Made safe for a terminal; "-" for null and for what is not there.
std::string word(const json::Value& value);
std::string word(const json::Object& object, std::string_view key);
// 0, false, null and empty where there is no such thing.
std::uint64_t count(const json::Object& object, std::string_view key);
double real(const json::Object& object, std::string_view key);
bool flag(const json::Object& object, std::string_view key);
const json::Object* part(const json::Object& object, std::string_view key);
const json::Array& list(const json::Object& object, std::string_view key);

std::string row(std::string_view name, std::string_view value);
std::string notes(const json::Object& result);
std::string timing_rows(const json::Object& result);
// "page 7", "blocks 7-9"; `thing` in the singular.
std::string run_text(std::string_view thing, std::uint64_t first, std::uint64_t count);
// " of target 0, LUN 1"; nothing for the first LUN of the first target, the only place of most chips.
std::string place_text(const json::Object& run);

}  // namespace steadycell::cli
