#include "daemon/jobs.h"

#include <sched.h>
#include <unistd.h>

#include <boost/asio/post.hpp>
#include <cerrno>
#include <chrono>
#include <cstring>
#include <exception>

#include "api/failure.h"
#include "base/text.h"
#include "passes/clock.h"

namespace steadycell::daemon {
namespace {

using namespace std::chrono_literals;

constexpr auto kProgressPause = 100ms;  // clients draw at most five a second
constexpr std::size_t kFinishedKept = 16;

// Paths in a job are used as given, so its thread works in the client's folder. Threads made by it share that folder.
Result<void> enter(const std::string& folder) {
  if (::unshare(CLONE_FS) != 0)
    return failure(
        Error(ErrorCode::internal, fmt::format("this system gives no thread a working folder of its own: {}", std::strerror(errno)))
            .advising("run the commands without a daemon"));
  if (::chdir(folder.c_str()) != 0)
    return failure(ErrorCode::not_found, "the client's folder {} cannot be entered: {}", printable(folder), std::strerror(errno));
  return {};
}

// Lets through the first of a stage, the last of it, and one each kProgressPause between.
class ProgressGate {
 public:
  bool passes(const api::Progress& progress) {
    const auto now = std::chrono::steady_clock::now();
    const bool first = progress.stage != stage_, last = progress.done == progress.total;
    if (!first && !last && now - told_ < kProgressPause) return false;
    stage_ = progress.stage;
    told_ = now;
    return true;
  }

 private:
  std::string stage_;
  std::chrono::steady_clock::time_point told_{};
};

Event event_of(const char* name, const Jobs::Job& job) {
  Event event;
  event.name = name;
  event.rest["job"] = job.number;
  return event;
}

}  // namespace

Result<void> Jobs::check_threads() {
  Result<void> result;
  std::thread([&] { result = enter("/"); }).join();
  return result;
}

Result<void> Jobs::start(Session& owner, const json::Value& request, const std::string& method, json::Value params) {
  const auto job = std::make_shared<Job>();
  job->number = ++last_number_;
  job->method = method;
  const json::Value* board = params.get_object().if_contains("board");
  job->board = board != nullptr && board->is_string() ? std::string(board->get_string()) : std::string();
  job->program = owner.program;
  job->process = owner.process;
  job->since = passes::system_clock().wall_time();
  job->owner = owner.weak_from_this();
  job->request = request;
  job->attached = owner.attached;
  jobs_.emplace(job->number, job);
  try {
    job->thread = std::thread([this, job, folder = owner.folder, params = std::move(params)] { run(job, folder, params); });
  } catch (const std::exception& fault) {
    jobs_.erase(job->number);
    return failure(ErrorCode::daemon_busy, "no thread for {}: {}", method, fault.what());
  }
  Event event = event_of("started", *job);
  event.rest["method"] = job->method;
  event.rest["board"] = job->board;
  event.rest["program"] = job->program;
  event.rest["process"] = job->process;
  handlers_.on_event(*job, event);
  return {};
}

// On the job's own thread.
void Jobs::run(const std::shared_ptr<Job>& job, const std::string& folder, const json::Value& params) {
  ProgressGate gate;
  service::JobHooks hooks;
  hooks.stop = &job->stop;
  hooks.program = job->program;
  hooks.process = job->process;
  hooks.progress = [&](const api::Progress& progress) {
    if (!gate.passes(progress)) return;
    Event event = event_of("progress", *job);
    json::Value told = api::to_json(progress);
    for (const auto& member : told.get_object())
      if (member.key() != "event") event.rest.insert(member);
    if (progress.done != progress.total) event.replaceable = fmt::format("{} {}", job->number, progress.stage);
    boost::asio::post(loop_, [this, job, event = std::move(event)] {
      job->progress = event.rest;
      job->progress.erase("job");
      handlers_.on_event(*job, event);
    });
  };
  hooks.note = [&](std::string_view text) {
    Event event = event_of("note", *job);
    event.rest["text"] = text;
    boost::asio::post(loop_, [this, job, event = std::move(event)] { handlers_.on_event(*job, event); });
  };
  try {
    if (const auto entered = enter(folder); !entered)
      job->result = failure(entered.error());
    else
      job->result = service::Service().call(job->method, params, hooks);
  } catch (const std::exception& fault) {
    job->result = failure(ErrorCode::internal, "{}: {}", job->method, fault.what());
  }
  boost::asio::post(loop_, [this, job] { end(job); });
}

void Jobs::end(const std::shared_ptr<Job>& job) {
  job->thread.join();
  jobs_.erase(job->number);
  try {
    tell_end(*job);
  } catch (const std::exception&) {  // no memory, for one: the answer is what counts
  }
  handlers_.on_end(*job, std::move(job->result));
}

void Jobs::tell_end(const Job& job) {
  const json::Value error = job.result ? json::Value(nullptr) : api::to_json(job.result.error()).at("error");
  json::Object finished{{"job", job.number}, {"method", job.method}, {"board", job.board}, {"since", job.since},
                        {"until", passes::system_clock().wall_time()}, {"error", error}};
  finished_.push_back(std::move(finished));
  if (finished_.size() > kFinishedKept) finished_.pop_front();
  Event event = event_of("finished", job);
  event.rest["error"] = error;
  handlers_.on_event(job, event);
}

bool Jobs::cancel(std::uint64_t number) {
  const auto found = jobs_.find(number);
  if (found == jobs_.end()) return false;
  found->second->stop = true;
  return true;
}

bool Jobs::cancel_request(const Session& owner, const json::Value& request) {
  for (const auto& [number, job] : jobs_)
    if (job->owner.lock().get() == &owner && job->request == request) {
      job->stop = true;
      return true;
    }
  return false;
}

void Jobs::cancel_all() {
  for (const auto& [number, job] : jobs_) job->stop = true;
}

void Jobs::owner_gone(const Session& owner) {
  for (const auto& [number, job] : jobs_)
    if (job->attached && job->owner.lock().get() == &owner) job->stop = true;
}

json::Array Jobs::running_json() const {
  json::Array array;
  for (const auto& [number, job] : jobs_)
    array.push_back(json::Object{{"job", number},
                                 {"method", job->method},
                                 {"board", job->board},
                                 {"program", job->program},
                                 {"process", job->process},
                                 {"since", job->since},
                                 {"stopping", job->stop.load()},
                                 {"progress", job->progress.empty() ? json::Value(nullptr) : json::Value(job->progress)}});
  return array;
}

json::Array Jobs::finished_json() const {
  json::Array array;
  for (const json::Object& job : finished_) array.push_back(job);
  return array;
}

}  // namespace steadycell::daemon
