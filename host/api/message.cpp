#include "api/message.h"

#include "api/failure.h"
#include "base/text.h"

namespace steadycell::api {
namespace {

constexpr std::uint64_t kMaxId = std::uint64_t{1} << 53;  // beyond, some JSON readers round

Error bad(const Error& error) { return Error(ErrorCode::bad_message, error.what()); }

std::string line_of(json::Object message) { return json::text_of(std::move(message)) + "\n"; }

}  // namespace

Received parse_request(std::string_view line) {
  const auto value = json::parse(line);
  if (!value) return {nullptr, failure(bad(value.error()))};
  json::Reader reader(*value, "");
  const auto id = reader.number("id", 0, kMaxId);
  if (!id) return {nullptr, failure(bad(id.error()))};
  auto method = reader.text("method");
  if (!method) return {*id, failure(bad(method.error()))};
  const auto params = reader.object_or_null("params");
  if (!params) return {*id, failure(bad(params.error()))};
  if (const auto done = reader.finish(); !done) return {*id, failure(bad(done.error()))};
  Request request;
  request.method = std::move(*method);
  request.params = *params ? **params : json::Value(json::Object());
  return {*id, std::move(request)};
}

std::string answer_line(const json::Value& id, json::Object result) {
  std::string line = line_of({{"id", id}, {"result", std::move(result)}});
  if (line.size() <= kMaxAnswerBytes) return line;
  return error_line(id,
                    Error(ErrorCode::internal, fmt::format("the result has {} bytes, a message at most {}", line.size(), kMaxAnswerBytes)));
}

std::string error_line(const json::Value& id, const Error& error) {
  json::Object message{{"id", id}};
  message["error"] = to_json(error).at("error");
  return line_of(std::move(message));
}

std::string request_line(std::uint64_t id, std::string_view method, const json::Value& params) {
  return line_of({{"id", id}, {"method", method}, {"params", params}});
}

Result<Error> error_of(const json::Value& error) {
  json::Reader reader(error, "error");
  const auto code = reader.text("code"), what = reader.text("what");
  for (const auto* text : {&code, &what})
    if (!*text) return failure(bad(text->error()));
  const auto place = [&](std::string_view key) {
    const json::Value* value = error.get_object().if_contains(key);
    return value && value->is_string() ? std::string(value->get_string()) : std::string();
  };
  const auto number = code->starts_with('e') ? parse_number(std::string_view(*code).substr(1)) : std::nullopt;
  for (const ErrorCodeFacts& facts : all_error_codes())
    if (number && *number == static_cast<std::uint64_t>(facts.code))
      return Error(facts.code, *what).at(place("where")).keeping(place("kept")).advising(place("next"));
  return Error(ErrorCode::internal, fmt::format("the daemon's error {} is not known here: {}", printable(*code), *what)).at(place("where"));
}

Result<Progress> progress_of(const json::Object& event) {
  const json::Value value(event);
  json::Reader reader(value, "");
  constexpr std::uint64_t kAny = ~std::uint64_t{0};
  auto stage = reader.text("stage"), unit = reader.text("unit");
  const auto done = reader.number("done", 0, kAny), total = reader.number("total", 0, kAny), bytes = reader.number("bytes", 0, kAny);
  for (const auto* text : {&stage, &unit})
    if (!*text) return failure(bad(text->error()));
  for (const auto* number : {&done, &total, &bytes})
    if (!*number) return failure(bad(number->error()));
  const auto real_or = [&](std::string_view key, double otherwise) {
    const json::Value* number = event.if_contains(key);
    return number && number->is_number() ? number->to_number<double>() : otherwise;
  };
  Progress progress;
  progress.stage = std::move(*stage);
  progress.unit = std::move(*unit);
  progress.done = *done;
  progress.total = *total;
  progress.bytes = *bytes;
  progress.bytes_per_second = real_or("bytes_per_second", 0);
  progress.seconds_left = real_or("seconds_left", -1);
  return progress;
}

void LineReader::feed(std::string_view bytes, const std::function<bool(const Line&)>& line) {
  while (!bytes.empty()) {
    const std::size_t end = bytes.find('\n');
    const std::string_view part = bytes.substr(0, end);
    if (!skipping_ && kept_.size() + part.size() > limit_) {
      skipping_ = true;
      kept_.clear();
      if (!line({.text = {}, .too_long = true})) return;
    }
    if (!skipping_) kept_ += part;
    if (end == std::string_view::npos) return;
    if (!skipping_ && !line({.text = kept_})) return;
    kept_.clear();
    skipping_ = false;
    bytes.remove_prefix(end + 1);
  }
}

}  // namespace steadycell::api
