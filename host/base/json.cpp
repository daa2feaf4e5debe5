#include "base/json.h"

#include <boost/json/basic_parser_impl.hpp>
#include <boost/json/parse.hpp>
#include <boost/json/serialize.hpp>

#include <algorithm>
#include <charconv>

namespace steadycell::json {
namespace {

constexpr std::size_t kMaxDepth = 32;

// Boost.JSON keeps the last of two equal keys in silence; a file with two is refused instead. And version 1.81 may miss the
// nearest double by a unit in the last place, so that a number would change on its way through a message; the text of each
// is turned into its nearest double here. This handler sees every key and number, builds nothing, and so runs once before
// the real parse.
struct FirstLook {
  static constexpr std::size_t max_object_size = std::size_t(-1);
  static constexpr std::size_t max_array_size = std::size_t(-1);
  static constexpr std::size_t max_key_size = std::size_t(-1);
  static constexpr std::size_t max_string_size = std::size_t(-1);

  std::vector<std::vector<std::string>> open;
  std::string part;
  std::string duplicate;
  std::vector<double> reals;  // in the order of the document

  using Code = boost::system::error_code;
  bool on_document_begin(Code&) { return true; }
  bool on_document_end(Code&) { return true; }
  bool on_object_begin(Code&) { open.emplace_back(); return true; }
  bool on_object_end(std::size_t, Code&) { open.pop_back(); return true; }
  bool on_array_begin(Code&) { return true; }
  bool on_array_end(std::size_t, Code&) { return true; }
  bool on_key_part(boost::json::string_view s, std::size_t, Code&) { part.append(s.data(), s.size()); return true; }
  bool on_key(boost::json::string_view s, std::size_t, Code& code) {
    part.append(s.data(), s.size());
    auto& keys = open.back();
    if (std::find(keys.begin(), keys.end(), part) != keys.end()) {
      duplicate = part;
      code = boost::json::error::exception;
      return false;
    }
    keys.push_back(std::move(part));
    part.clear();
    return true;
  }
  bool on_string_part(boost::json::string_view, std::size_t, Code&) { return true; }
  bool on_string(boost::json::string_view, std::size_t, Code&) { return true; }
  bool on_number_part(boost::json::string_view, Code&) { return true; }
  bool on_int64(std::int64_t, boost::json::string_view, Code&) { return true; }
  bool on_uint64(std::uint64_t, boost::json::string_view, Code&) { return true; }
  bool on_double(double rough, boost::json::string_view text, Code&) {
    double exact = rough;
    const auto read = std::from_chars(text.data(), text.data() + text.size(), exact);
    reals.push_back(read.ec == std::errc() && read.ptr == text.data() + text.size() ? exact : rough);
    return true;
  }
  bool on_bool(bool, Code&) { return true; }
  bool on_null(Code&) { return true; }
  bool on_comment_part(boost::json::string_view, Code&) { return true; }
  bool on_comment(boost::json::string_view, Code&) { return true; }
};

// Puts the reals of the first look in place of those of the parse, in the order of the document.
void set_reals(Value& value, std::vector<double>::const_iterator& next) {
  if (double* real = value.if_double())
    *real = *next++;
  else if (Array* array = value.if_array())
    for (Value& element : *array) set_reals(element, next);
  else if (Object* object = value.if_object())
    for (auto& member : *object) set_reals(member.value(), next);
}

void print_pretty(const Value& value, std::string& out, int indent) {
  const auto pad = [&](int extra) { out.append(2 * static_cast<std::size_t>(indent + extra), ' '); };
  if (const Object* object = value.if_object(); object && !object->empty()) {
    out += "{\n";
    bool first = true;
    for (const auto& member : *object) {
      if (!first) out += ",\n";
      first = false;
      pad(1);
      out += boost::json::serialize(member.key()) + ": ";
      print_pretty(member.value(), out, indent + 1);
    }
    out += '\n';
    pad(0);
    out += '}';
  } else if (const Array* array = value.if_array();
             array && std::any_of(array->begin(), array->end(), [](const Value& v) { return v.is_object(); })) {
    out += "[\n";
    bool first = true;
    for (const Value& element : *array) {
      if (!first) out += ",\n";
      first = false;
      pad(1);
      print_pretty(element, out, indent + 1);
    }
    out += '\n';
    pad(0);
    out += ']';
  } else {
    out += boost::json::serialize(value);
  }
}

}  // namespace

Result<Value> parse(std::string_view text) {
  boost::json::parse_options options;
  options.max_depth = kMaxDepth;
  boost::system::error_code code;
  boost::json::basic_parser<FirstLook> checker(options);
  const std::size_t used = checker.write_some(false, text.data(), text.size(), code);
  if (!checker.handler().duplicate.empty())
    return failure(ErrorCode::bad_input_file, "JSON: key \"{}\" stands twice, near byte {}", checker.handler().duplicate, used);
  if (code == boost::json::error::incomplete)
    return failure(ErrorCode::bad_input_file, "JSON: the text ends at byte {}, {}", used,
                   used == 0 ? "before it begins" : "in the middle: it was cut off");
  if (code) return failure(ErrorCode::bad_input_file, "JSON: {} at byte {}", code.message(), used);
  for (std::size_t i = used; i < text.size(); ++i)
    if (std::string_view(" \t\r\n").find(text[i]) == std::string_view::npos)
      return failure(ErrorCode::bad_input_file, "JSON: text behind the document at byte {}", i);
  Value value = boost::json::parse(text, code, {}, options);
  if (code) return failure(ErrorCode::bad_input_file, "JSON: {}", code.message());
  auto real = checker.handler().reals.cbegin();
  set_reals(value, real);
  return value;
}

std::string text_of(const Value& value) { return boost::json::serialize(value); }

std::string pretty(const Value& value) {
  std::string out;
  print_pretty(value, out, 0);
  return out + '\n';
}

Reader::Reader(const Value& value, std::string path) : value_(&value), path_(std::move(path)) {}

std::string Reader::path_of(std::string_view key) const {
  return path_.empty() ? std::string(key) : path_ + "." + std::string(key);
}

Result<const Value*> Reader::find(std::string_view key) {
  const Object* object = value_->if_object();
  if (!object)
    return failure(ErrorCode::bad_input_file, "\"{}\" should be an object", path_.empty() ? "document" : path_);
  known_.emplace_back(key);
  return object->if_contains(key);
}

namespace {
tl::unexpected<Error> missing(const std::string& path) {
  return failure(ErrorCode::bad_input_file, "key \"{}\" is missing", path);
}
tl::unexpected<Error> wrong_type(const std::string& path, std::string_view wanted) {
  return failure(ErrorCode::bad_input_file, "key \"{}\" should be {}", path, wanted);
}
}  // namespace

Result<std::uint64_t> Reader::number(std::string_view key, std::uint64_t low, std::uint64_t high) {
  const auto found = find(key);
  if (!found) return failure(found.error());
  if (!*found) return missing(path_of(key));
  boost::system::error_code code;
  const auto number = (*found)->to_number<std::uint64_t>(code);
  if (code || number < low || number > high)
    return wrong_type(path_of(key), fmt::format("a whole number from {} to {}", low, high));
  return number;
}

Result<std::uint64_t> Reader::number_or(std::string_view key, std::uint64_t low, std::uint64_t high,
                                        std::uint64_t otherwise) {
  const auto found = find(key);
  if (!found) return failure(found.error());
  return *found ? number(key, low, high) : Result<std::uint64_t>(otherwise);
}

Result<double> Reader::real(std::string_view key, double low, double high) {
  const auto found = find(key);
  if (!found) return failure(found.error());
  if (!*found) return missing(path_of(key));
  boost::system::error_code code;
  const auto number = (*found)->to_number<double>(code);
  if (code || !(number >= low && number <= high))
    return wrong_type(path_of(key), fmt::format("a number from {} to {}", low, high));
  return number;
}

Result<double> Reader::real_or(std::string_view key, double low, double high, double otherwise) {
  const auto found = find(key);
  if (!found) return failure(found.error());
  return *found ? real(key, low, high) : Result<double>(otherwise);
}

Result<std::string> Reader::text(std::string_view key) {
  const auto found = find(key);
  if (!found) return failure(found.error());
  if (!*found) return missing(path_of(key));
  if (const auto* text = (*found)->if_string()) return std::string(text->data(), text->size());
  return wrong_type(path_of(key), "a text");
}

Result<std::string> Reader::text_or(std::string_view key, std::string otherwise) {
  const auto found = find(key);
  if (!found) return failure(found.error());
  return *found ? text(key) : Result<std::string>(std::move(otherwise));
}

Result<bool> Reader::boolean_or(std::string_view key, bool otherwise) {
  const auto found = find(key);
  if (!found) return failure(found.error());
  if (!*found) return otherwise;
  if (const bool* flag = (*found)->if_bool()) return *flag;
  return wrong_type(path_of(key), "true or false");
}

Result<const Array*> Reader::array(std::string_view key) {
  auto found = array_or_null(key);
  if (found && !*found) return missing(path_of(key));
  return found;
}

Result<const Array*> Reader::array_or_null(std::string_view key) {
  const auto found = find(key);
  if (!found) return failure(found.error());
  if (!*found || (*found)->is_null()) return nullptr;
  if (const Array* array = (*found)->if_array()) return array;
  return wrong_type(path_of(key), "a list");
}

Result<const Value*> Reader::object(std::string_view key) {
  auto found = object_or_null(key);
  if (found && !*found) return missing(path_of(key));
  return found;
}

Result<const Value*> Reader::object_or_null(std::string_view key) {
  const auto found = find(key);
  if (!found) return failure(found.error());
  if (!*found || (*found)->is_null()) return nullptr;
  if ((*found)->is_object()) return *found;
  return wrong_type(path_of(key), "an object");
}

Result<void> Reader::finish() const {
  const Object* object = value_->if_object();
  if (!object)
    return failure(ErrorCode::bad_input_file, "\"{}\" should be an object", path_.empty() ? "document" : path_);
  for (const auto& member : *object)
    if (std::find(known_.begin(), known_.end(), std::string_view(member.key().data(), member.key().size())) == known_.end())
      return failure(ErrorCode::bad_input_file, "key \"{}\" is not known",
                     path_of(std::string_view(member.key().data(), member.key().size())));
  return {};
}

}  // namespace steadycell::json
