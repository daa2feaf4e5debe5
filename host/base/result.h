#pragma once
#include <fmt/format.h>

#include <cstdint>
#include <span>
#include <string>
#include <string_view>
#include <tl/expected.hpp>
#include <utility>

namespace steadycell {

// What went wrong, by who can mend it; the numbers, exit codes and next steps stand in error_codes.def.
enum class ErrorCode : std::uint16_t {
#define STEADYCELL_ERROR(number, name, exit_code, meaning, next) name = number,
#include "base/error_codes.def"
#undef STEADYCELL_ERROR
};

struct ErrorCodeFacts {
  ErrorCode code;
  std::string_view name;
  int exit_code;
  std::string_view meaning;
  std::string_view next;
};
// The row of a code; every enumerator has one.
const ErrorCodeFacts& facts_of(ErrorCode code);
std::span<const ErrorCodeFacts> all_error_codes();

// One failure as the person at the bench reads it. `what` names the operation, the object, what was seen and what
// was expected; `where` a file, page or byte; `kept` what is safe; `next` the next step (from the table unless set).
class Error {
 public:
  Error(ErrorCode code, std::string what) : code_(code), what_(std::move(what)) {}

  ErrorCode code() const { return code_; }
  int exit_code() const { return facts_of(code_).exit_code; }
  const std::string& what() const { return what_; }
  const std::string& where() const { return where_; }
  const std::string& kept() const { return kept_; }
  std::string next() const { return next_.empty() ? std::string(facts_of(code_).next) : next_; }

  Error&& at(std::string where) && { where_ = std::move(where); return std::move(*this); }
  Error&& keeping(std::string kept) && { kept_ = std::move(kept); return std::move(*this); }
  Error&& advising(std::string next) && { next_ = std::move(next); return std::move(*this); }
  // Puts the operation that was under way in front: "reading page 4711: ...".
  template <typename... Args>
  Error&& during(fmt::format_string<Args...> format, Args&&... args) && {
    what_ = fmt::format(format, std::forward<Args>(args)...) + ": " + what_;
    return std::move(*this);
  }

  // "e203 reading page 4711: frame checksum 0x1f2e, expected 0x9ab0 [where] (kept): next"
  std::string text() const;

 private:
  ErrorCode code_;
  std::string what_, where_, kept_, next_;
};

template <typename T = void>
using Result = tl::expected<T, Error>;

inline tl::unexpected<Error> failure(Error error) { return tl::unexpected<Error>(std::move(error)); }
template <typename... Args>
tl::unexpected<Error> failure(ErrorCode code, fmt::format_string<Args...> format, Args&&... args) {
  return tl::unexpected<Error>(Error(code, fmt::format(format, std::forward<Args>(args)...)));
}

}  // namespace steadycell
