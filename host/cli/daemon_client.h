#pragma once
#include <chrono>
#include <memory>
#include <optional>
#include <string>
#include <string_view>

#include "api/message.h"
#include "base/json.h"
#include "base/result.h"
#include "service/service.h"

namespace steadycell::cli {

// One connection to the daemon of this user; calls block. What a call needs from its folder it finds in the one where this
// process works, and its job stops when this process ends.
class DaemonClient {
 public:
  // For what the daemon answers at once; a job may take days.
  static constexpr std::chrono::seconds kAnswerLimit{20};
  // nullptr when nobody listens at the socket. daemon_unreachable or bad_message when somebody does and does not answer as a
  // daemon: the error names the process and what ends it.
  static Result<std::unique_ptr<DaemonClient>> connect(const std::string& socket, std::chrono::seconds limit = kAnswerLimit);
  ~DaemonClient();
  DaemonClient(const DaemonClient&) = delete;
  DaemonClient& operator=(const DaemonClient&) = delete;

  // As Service::call. Once `hooks.stop` is set the job is asked to stop, and its answer awaited.
  Result<json::Object> call(std::string_view method, const json::Value& params, const service::JobHooks& hooks);
  const std::string& version() const { return version_; }
  int process() const { return process_; }

 private:
  static Result<std::unique_ptr<DaemonClient>> reach(const std::string& socket, std::chrono::seconds limit);
  DaemonClient(int fd, std::chrono::seconds limit) : fd_(fd), limit_(limit) {}
  Result<json::Object> greet();
  // daemon_unreachable; names the process once the daemon has told it.
  Error silent(std::string what) const;
  Result<void> send(const std::string& line);
  // The answer to request `id`; events go to the hooks on the way. No answer within the limit is daemon_unreachable.
  Result<json::Object> answer(std::uint64_t id, std::string_view method, const service::JobHooks& hooks, bool limited,
                              const std::string& advice);
  Result<void> take(std::string_view line, std::uint64_t id, const service::JobHooks& hooks, std::optional<Result<json::Object>>& result);

  int fd_;
  std::chrono::seconds limit_;
  std::uint64_t last_id_ = 0;
  std::string version_;
  int process_ = 0;
  api::LineReader lines_{api::kMaxAnswerBytes};
};

}  // namespace steadycell::cli
