#pragma once
#include <cstdint>
#include <functional>
#include <string>
#include <string_view>

#include "api/progress.h"
#include "base/json.h"
#include "base/result.h"

// The messages between a client and the daemon: one JSON object a line each way. A client sends requests
// {"id", "method", "params"}; the daemon answers {"id", "result"} or {"id", "error"}, and tells {"event", "seq", ...}.
// JSON Schemas stand in host/api/schema.
namespace steadycell::api {

inline constexpr std::uint64_t kMessageVersion = 1;
inline constexpr std::size_t kMaxRequestBytes = 64 << 10;  // of one line to the daemon, without its end
inline constexpr std::size_t kMaxAnswerBytes = 256 << 10;  // of one line from it

struct Request {
  std::string method;
  json::Value params;
};
// What a line said. The id is null when the line does not show one; an answer can then not name what it answers.
struct Received {
  json::Value id;
  Result<Request> request;  // bad_message, with the byte where the line is no JSON
};
Received parse_request(std::string_view line);

// Lines with their ends. A result beyond kMaxAnswerBytes becomes an error.
std::string answer_line(const json::Value& id, json::Object result);
std::string error_line(const json::Value& id, const Error& error);
std::string request_line(std::uint64_t id, std::string_view method, const json::Value& params);

// The reverse of to_json(Error) and to_json(Progress); bad_message when it is neither. A code that this program does
// not know becomes `internal` with the code in its words.
Result<Error> error_of(const json::Value& error);  // the inside: {"code", "what", ...}
Result<Progress> progress_of(const json::Object& event);

// Cuts a byte stream into lines of at most `limit` bytes. A longer one is told once and skipped up to its end.
class LineReader {
 public:
  explicit LineReader(std::size_t limit) : limit_(limit) {}
  struct Line {
    std::string_view text;  // valid during the call only
    bool too_long = false;  // then without text
  };
  // Calls `line` for every line that ends in `bytes`. False from it stops, and what follows is dropped.
  void feed(std::string_view bytes, const std::function<bool(const Line&)>& line);

 private:
  std::size_t limit_;
  std::string kept_;  // the line that has not ended yet
  bool skipping_ = false;
};

}  // namespace steadycell::api
