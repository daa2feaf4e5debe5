#include "api/failure.h"

namespace steadycell::api {
namespace {
json::Value text_or_null(const std::string& text) { return text.empty() ? json::Value(nullptr) : json::Value(text); }
}  // namespace

json::Value to_json(const Error& error) {
  json::Object inner;
  inner["code"] = fmt::format("e{}", static_cast<unsigned>(error.code()));
  inner["what"] = error.what();
  inner["where"] = text_or_null(error.where());
  inner["kept"] = text_or_null(error.kept());
  inner["next"] = error.next();
  json::Object outer;
  outer["error"] = std::move(inner);
  return outer;
}

}  // namespace steadycell::api
