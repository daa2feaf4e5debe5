#pragma once
#include <boost/json/array.hpp>
#include <boost/json/object.hpp>
#include <boost/json/value.hpp>
#include <boost/json/string.hpp>
#include <initializer_list>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "base/result.h"

namespace steadycell::json {

using Value = boost::json::value;
using Object = boost::json::object;
using Array = boost::json::array;

// Parses one JSON document (RFC 8259). Refuses nesting beyond 32, duplicate keys, and anything behind the document.
// Errors are bad_input_file and name the byte.
Result<Value> parse(std::string_view text);

// Compact text; keys in insertion order, so that files and messages are stable.
std::string text_of(const Value& value);
// Indented by two spaces, one key a line, ending in a newline: for files that people read.
std::string pretty(const Value& value);

// Reads the members of one object by name and type, each failure naming the path of the key ("chip.targets[0].geometry").
// Every key that was asked for counts as known; finish() refuses the others, so that a misspelt key never passes.
class Reader {
 public:
  // `value` must outlive the reader. Fails at the first get when it is not an object.
  Reader(const Value& value, std::string path);

  Result<std::uint64_t> number(std::string_view key, std::uint64_t low, std::uint64_t high);
  Result<std::uint64_t> number_or(std::string_view key, std::uint64_t low, std::uint64_t high, std::uint64_t otherwise);
  Result<double> real(std::string_view key, double low, double high);
  Result<double> real_or(std::string_view key, double low, double high, double otherwise);
  Result<std::string> text(std::string_view key);
  Result<std::string> text_or(std::string_view key, std::string otherwise);
  Result<bool> boolean_or(std::string_view key, bool otherwise);
  Result<const Array*> array(std::string_view key);
  Result<const Array*> array_or_null(std::string_view key);  // nullptr when absent or null
  Result<const Value*> object(std::string_view key);
  Result<const Value*> object_or_null(std::string_view key);  // nullptr when absent or null
  Result<void> finish() const;

  const std::string& path() const { return path_; }
  std::string path_of(std::string_view key) const;

 private:
  Result<const Value*> find(std::string_view key);  // nullptr when absent

  const Value* value_;
  std::string path_;
  std::vector<std::string> known_;
};

}  // namespace steadycell::json
