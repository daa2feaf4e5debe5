#pragma once
#include <atomic>
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
  // For what the daemon answers at once; a job may take days. Its loop never waits for a board or a disk.
  static constexpr std::chrono::seconds kAnswerLimit{5};
  // A job's daemon that has been silent for the limit is told of, and waited for this many times as long: it may
  // come back.
  static constexpr int kPatience = 6;
  // nullptr when nobody listens at the socket. daemon_unreachable or bad_message when somebody does and does not
  // answer as a daemon: the error names the process and what ends it. interrupted once `stop` is set.
  static Result<std::unique_ptr<DaemonClient>> connect(const std::string& socket, const std::atomic<bool>* stop,
                                                       std::chrono::seconds limit = kAnswerLimit);
  ~DaemonClient();
  DaemonClient(const DaemonClient&) = delete;
  DaemonClient& operator=(const DaemonClient&) = delete;

  // As Service::call. Once `hooks.stop` is set a job is asked to stop and its answer awaited, for as long as the
  // daemon shows that it lives; all else ends at once. A daemon that hangs is named as in connect(), after a stop
  // with the code interrupted.
  Result<json::Object> call(std::string_view method, const json::Value& params, const service::JobHooks& hooks);
  const std::string& version() const { return version_; }
  int process() const { return process_; }

 private:
  static Result<std::unique_ptr<DaemonClient>> reach(const std::string& socket, const std::atomic<bool>* stop,
                                                     std::chrono::seconds limit);
  DaemonClient(int fd, std::chrono::seconds limit) : fd_(fd), limit_(limit) {}
  Result<json::Object> greet(const std::atomic<bool>* stop);
  // daemon_unreachable; names the process once the daemon has told it.
  Error silent(std::string what) const;
  Result<void> send(const std::string& line, const std::atomic<bool>* stop);
  // Says something that calls for an answer and never waits: whether it was taken shows in what is heard.
  void ask(std::string_view method, const json::Value& params);
  // The answer to request `id`: of what the daemon answers within the limit, and of a job.
  Result<json::Object> answer_at_once(std::uint64_t id, std::string_view method, const service::JobHooks& hooks);
  Result<json::Object> answer_of_job(std::uint64_t id, std::string_view method, const json::Value& params,
                                     const service::JobHooks& hooks);
  // Waits a moment for what the daemon says, and takes it in: true when it said anything. Events go to the hooks.
  Result<bool> hear(std::uint64_t id, std::string_view method, const service::JobHooks& hooks,
                    std::optional<Result<json::Object>>& result);
  Result<void> take(std::string_view line, std::uint64_t id, const service::JobHooks& hooks, std::optional<Result<json::Object>>& result);

  int fd_;
  std::chrono::seconds limit_;
  std::uint64_t last_id_ = 0;
  std::string version_;
  int process_ = 0;
  api::LineReader lines_{api::kMaxAnswerBytes};
};

}  // namespace steadycell::cli
