#include "base/result.h"

#include <array>
#include <cassert>

namespace steadycell {
namespace {
constexpr std::array kFacts = {
#define STEADYCELL_ERROR(number, name, exit_code, meaning, next) \
  ErrorCodeFacts{ErrorCode::name, #name, exit_code, meaning, next},
#include "base/error_codes.def"
#undef STEADYCELL_ERROR
};
}  // namespace

std::span<const ErrorCodeFacts> all_error_codes() { return kFacts; }

const ErrorCodeFacts& facts_of(ErrorCode code) {
  for (const ErrorCodeFacts& facts : kFacts)
    if (facts.code == code) return facts;
  assert(false && "an ErrorCode always comes from the table");
  return kFacts.back();
}

std::string Error::text() const {
  std::string text = fmt::format("e{} {}", static_cast<unsigned>(code_), what_);
  if (!where_.empty()) text += fmt::format(" [{}]", where_);
  if (!kept_.empty()) text += fmt::format(" ({})", kept_);
  return text + ": " + next();
}

}  // namespace steadycell
