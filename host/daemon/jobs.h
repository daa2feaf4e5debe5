#pragma once
#include <atomic>
#include <boost/asio/io_context.hpp>
#include <deque>
#include <functional>
#include <map>
#include <memory>
#include <string>
#include <thread>

#include "daemon/session.h"
#include "service/service.h"

namespace steadycell::daemon {

// The jobs that run: each is one call of the service on a thread of its own, with a working folder of its own. All of
// this is called on the loop; threads only post to it.
class Jobs {
 public:
  struct Job {
    std::uint64_t number = 0;
    std::string method, board;  // board as asked for
    std::string program;        // who asked, and its process
    int process = 0;
    std::string since;          // UTC, ISO 8601
    std::weak_ptr<Session> owner;
    json::Value request;        // the id its answer carries
    bool attached = false;
    std::atomic<bool> stop{false};
    json::Object progress;      // the last one told; empty before
    Result<json::Object> result;  // of the thread, for the loop once it has ended
    std::thread thread;
  };
  struct Handlers {
    std::function<void(const Job&, const Event&)> on_event;
    std::function<void(const Job&, Result<json::Object>)> on_end;  // no longer among running()
  };

  Jobs(boost::asio::io_context& loop, Handlers handlers) : loop_(loop), handlers_(std::move(handlers)) {}
  // All jobs must have ended.
  ~Jobs() = default;
  Jobs(const Jobs&) = delete;
  Jobs& operator=(const Jobs&) = delete;

  // daemon_busy when the system gives no further thread.
  Result<void> start(Session& owner, const json::Value& request, const std::string& method, json::Value params);
  // False when there is no such job (any more).
  bool cancel(std::uint64_t number);
  bool cancel_request(const Session& owner, const json::Value& request);
  void cancel_all();
  // Stops the attached jobs of a client that is gone.
  void owner_gone(const Session& owner);

  std::size_t running() const { return jobs_.size(); }
  // {"job", "method", "board", "program", "process", "since", "stopping", "progress"}
  json::Array running_json() const;
  // The last 16, newest last: {"job", "method", "board", "since", "until", "error"}.
  json::Array finished_json() const;

  // Whether this system lets a thread have a working folder of its own.
  static Result<void> check_threads();

 private:
  void run(const std::shared_ptr<Job>& job, const std::string& folder, const json::Value& params);
  void end(const std::shared_ptr<Job>& job);
  void tell_end(const Job& job);

  boost::asio::io_context& loop_;
  Handlers handlers_;
  std::map<std::uint64_t, std::shared_ptr<Job>> jobs_;
  std::deque<json::Object> finished_;
  std::uint64_t last_number_ = 0;
};

}  // namespace steadycell::daemon
