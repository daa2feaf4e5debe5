#include "daemon/server.h"

#include <sys/socket.h>
#include <sys/stat.h>
#include <unistd.h>

#include <boost/asio/co_spawn.hpp>
#include <boost/asio/detached.hpp>
#include <boost/asio/redirect_error.hpp>
#include <boost/asio/use_awaitable.hpp>
#include <csignal>

#include "base/text.h"
#include "files/atomic.h"
#include "passes/clock.h"
#include "service/runtime.h"

namespace steadycell::daemon {
namespace {

namespace asio = boost::asio;
namespace stream = asio::local;
using boost::system::error_code;
using namespace std::chrono_literals;

constexpr auto kAcceptPause = 250ms;  // while the system has no descriptor or memory for another client
constexpr auto kLastWords = 2s;       // for clients to take their last answers
constexpr auto kHurry = 1s;           // a board that hears nothing for 500 ms cuts its rails by itself
constexpr std::size_t kMaxProgram = 64, kMaxFolder = 4096;
constexpr std::uint64_t kMaxPlaceFile = 4096;

Result<void> write_text(const std::string& path, const std::string& text) {
  auto file = files::posix().open_write(path);
  if (!file) return failure(file.error());
  if (auto emptied = (*file)->truncate(0); !emptied) return emptied;
  return (*file)->write_at(0, as_bytes(text));
}

}  // namespace

Server::Server(asio::io_context& loop, service::DaemonConfig config, std::string config_path, Supervisor supervisor)
    : loop_(loop),
      config_(config),
      config_path_(std::move(config_path)),
      supervisor_(std::move(supervisor)),
      since_(passes::system_clock().wall_time()),
      acceptor_(loop),
      signals_(loop, SIGTERM, SIGINT, SIGHUP),
      accept_pause_(loop),
      ending_(loop),
      jobs_(loop, {.on_event =
                       [this](const Jobs::Job& job, const Event& event) {
                         const auto owner = job.owner.lock();
                         // A copy: telling may end a session that does not read.
                         for (const auto& session : std::set(sessions_))
                           if (session->watching || session == owner) session->tell(event);
                       },
                   .on_end =
                       [this](const Jobs::Job& job, Result<json::Object> result) {
                         const auto owner = job.owner.lock();
                         try {
                           if (owner)
                             owner->send(result ? api::answer_line(job.request, std::move(*result))
                                                : api::error_line(job.request, result.error()));
                           supervisor_.status(fmt::format("jobs: {}", jobs_.running()));
                         } catch (const std::exception&) {  // no memory for the answer: better hung up on than waiting for ever
                           if (owner) owner->close();
                         }
                         if (stopping_since_) end_when_done();
                       }}) {}

Result<void> Server::listen() {
  const auto runtime = service::runtime_folder();
  if (!runtime) return failure(runtime.error());
  const std::string place = *runtime + "/daemon.lock";
  auto lock = files::posix().lock(place);
  const auto before = files::read_text(files::posix(), place, kMaxPlaceFile);
  const std::string who = before ? *before : std::string();
  if (!lock && lock.error().code() == ErrorCode::in_use)
    return failure(ErrorCode::daemon_running, "another daemon of this user runs{}{}", who.empty() ? "" : ": ", who);
  if (!lock) return failure(lock.error());
  if (!who.empty())
    log_.tell("", fmt::format("the daemon before this one ({}) was ended hard or hung; its captures go on with the same commands", who));
  place_ = std::move(*lock);
  place_path_ = place;
  if (auto named = write_text(place, fmt::format("process {} since {}", ::getpid(), since_)); !named) return named;

  const auto handed = supervisor_.listening_socket();
  if (!handed) return failure(handed.error());
  error_code code;
  if (*handed) {
    acceptor_.assign(stream::stream_protocol(), **handed, code);
  } else {
    const std::string path = service::socket_path(*runtime);
    if (path.size() >= 108) return failure(ErrorCode::bad_name, "the path {} is longer than a socket's may be", printable(path));
    // Whoever listened there is gone: the place is ours.
    ::unlink(path.c_str());
    const mode_t mask = ::umask(0177);
    acceptor_.open(stream::stream_protocol(), code);
    if (!code) acceptor_.bind(stream::stream_protocol::endpoint(path), code);
    ::umask(mask);
    if (!code) own_socket_ = path;
    if (!code) acceptor_.listen(128, code);
  }
  if (code) return failure(ErrorCode::storage_failed, "listening: {}", code.message());
  return {};
}

void Server::run() {
  std::signal(SIGPIPE, SIG_IGN);
  std::signal(SIGXFSZ, SIG_IGN);  // a file at its size limit is an error of the job, not the daemon's end
  await_signal();
  asio::co_spawn(loop_, accept(), asio::detached);
  supervisor_.ready();
  supervisor_.keep_alive(loop_);
  for (;;) {
    try {
      loop_.run();
      break;
    } catch (const std::exception& fault) {  // no memory, for one: what was under way is lost, the daemon is not
      log_.tell("fault", fmt::format("e601 internal fault: {}", fault.what()));
    }
  }
  leave_place();
}

asio::awaitable<void> Server::accept() {
  while (acceptor_.is_open()) {
    error_code code;
    bool pause = false;
    try {
      Session::Socket socket(loop_);
      co_await acceptor_.async_accept(socket, asio::redirect_error(asio::use_awaitable, code));
      pause = code && acceptor_.is_open();
      if (!code) admit(std::move(socket));
      if (pause) log_.tell("accept", fmt::format("no further client now: {}", code.message()));
    } catch (const std::exception&) {  // no memory, for one: this client is let go, the next ones are not
      pause = true;
    }
    if (!pause) continue;
    accept_pause_.expires_after(kAcceptPause);
    co_await accept_pause_.async_wait(asio::redirect_error(asio::use_awaitable, code));
  }
}

void Server::admit(Session::Socket socket) {
  ucred peer{};
  socklen_t size = sizeof peer;
  error_code ignored;
  if (::getsockopt(socket.native_handle(), SOL_SOCKET, SO_PEERCRED, &peer, &size) != 0 || peer.uid != ::geteuid()) {
    log_.tell("stranger", fmt::format("refused a client of user {}", peer.uid));
    return;
  }
  if (sessions_.size() >= config_.max_clients) {
    log_.tell("crowd", fmt::format("turned a client away: {} are here", sessions_.size()));
    socket.non_blocking(true, ignored);
    const std::string line =
        api::error_line(nullptr, Error(ErrorCode::daemon_busy, fmt::format("{} clients are here already", sessions_.size())));
    socket.write_some(asio::buffer(line), ignored);
    return;
  }
  Session::Handlers handlers;
  handlers.on_line = [this](Session& session, const api::LineReader::Line& line) { on_line(session, line); };
  handlers.on_end = [this](Session& session, bool did_not_read) {
    if (did_not_read) log_.tell("deaf", fmt::format("let {} (process {}) go: it does not read", session.program, session.process));
    jobs_.owner_gone(session);
    sessions_.erase(session.shared_from_this());
  };
  const auto session = std::make_shared<Session>(std::move(socket), std::move(handlers));
  session->process = peer.pid;
  sessions_.insert(session);
  session->start();
}

void Server::on_line(Session& session, const api::LineReader::Line& line) {
  if (line.too_long) {
    session.send(
        api::error_line(nullptr, Error(ErrorCode::bad_message, fmt::format("a message has more than {} bytes", api::kMaxRequestBytes))));
    return;
  }
  const auto received = api::parse_request(line.text);
  if (!received.request) {
    session.send(api::error_line(received.id, received.request.error()));
    return;
  }
  if (service::needs_board(received.request->method)) {
    Result<void> started;
    if (stopping_since_)
      started = failure(ErrorCode::daemon_busy, "the daemon is about to end");
    else if (jobs_.running() >= config_.max_jobs)
      started = failure(ErrorCode::daemon_busy, "{} jobs are running already", jobs_.running());
    else
      started = jobs_.start(session, received.id, received.request->method, received.request->params);
    if (!started) session.send(api::error_line(received.id, started.error()));
    supervisor_.status(fmt::format("jobs: {}", jobs_.running()));
    return;
  }
  auto result = answer(session, received.request->method, received.request->params);
  session.send(result ? api::answer_line(received.id, std::move(*result)) : api::error_line(received.id, result.error()));
}

// What is answered at once.
Result<json::Object> Server::answer(Session& session, const std::string& method, const json::Value& params) {
  json::Reader reader(params, "");
  if (method == "daemon.hello") return greet(session, reader);
  if (method == "job.cancel") return cancel(session, reader);
  if (method == "daemon.status" || method == "daemon.watch") {
    if (const auto done = reader.finish(); !done) return failure(done.error());
    if (method == "daemon.watch") session.watching = true;
    return status();
  }
  if (method == "board.list") return service::Service().call(method, params, {});
  return failure(Error(ErrorCode::wrong_usage, fmt::format("the daemon has no method \"{}\"", printable(method)))
                     .advising("what needs no board runs in the command itself"));
}

Result<json::Object> Server::greet(Session& session, json::Reader& params) {
  const auto messages = params.number("messages", 0, ~std::uint64_t{0});
  const auto program = params.text_or("program", session.program), folder = params.text_or("folder", session.folder);
  const auto attached = params.boolean_or("attached", session.attached);
  if (!messages) return failure(messages.error());
  for (const auto* text : {&program, &folder})
    if (!*text) return failure(text->error());
  if (!attached) return failure(attached.error());
  if (const auto done = params.finish(); !done) return failure(done.error());
  if (*messages != api::kMessageVersion)
    return failure(Error(ErrorCode::version_unknown,
                         fmt::format("the daemon is steadycell {} and speaks messages of version {}, the client of version {}",
                                     STEADYCELL_VERSION, api::kMessageVersion, *messages))
                       .advising("end the older of the two; a new daemon takes its place"));
  if (program->size() > kMaxProgram) return failure(ErrorCode::bad_message, "\"program\" has more than {} bytes", kMaxProgram);
  if (folder->empty() || folder->front() != '/' || folder->size() > kMaxFolder || folder->find('\0') != std::string::npos)
    return failure(ErrorCode::bad_message, "\"folder\" should be the path of a folder, from the root on");
  session.program = printable(*program);
  session.folder = *folder;
  session.attached = *attached;
  return json::Object{{"version", STEADYCELL_VERSION}, {"messages", api::kMessageVersion}, {"process", ::getpid()}};
}

Result<json::Object> Server::cancel(Session& session, json::Reader& params) {
  const auto job = params.number_or("job", 1, ~std::uint64_t{0}, 0);
  const auto request = params.number_or("request", 0, ~std::uint64_t{0}, 0);
  if (!job) return failure(job.error());
  if (!request) return failure(request.error());
  if (const auto done = params.finish(); !done) return failure(done.error());
  const bool found = *job != 0 ? jobs_.cancel(*job) : jobs_.cancel_request(session, *request);
  return json::Object{{"stopping", found}};
}

json::Object Server::status() const {
  return {{"version", STEADYCELL_VERSION}, {"messages", api::kMessageVersion}, {"process", ::getpid()}, {"since", since_},
          {"clients", sessions_.size()}, {"jobs", jobs_.running_json()}, {"finished", jobs_.finished_json()}};
}

void Server::await_signal() {
  signals_.async_wait([this](const error_code& code, int signal) {
    if (code) return;
    await_signal();
    if (signal == SIGHUP)
      read_config_again();
    else
      stop(signal);
  });
}

void Server::read_config_again() {
  const auto config = service::load_daemon_config(config_path_);
  if (!config) return log_.tell("", "kept the configuration as it was: " + config.error().text());
  config_ = *config;
  log_.tell("", "read the configuration again");
}

void Server::stop(int signal) {
  if (!stopping_since_) {
    stopping_since_ = std::chrono::steady_clock::now();
    log_.tell("", fmt::format("ending; jobs to stop at their next unit: {}", jobs_.running()));
    supervisor_.stopping();
    error_code ignored;
    acceptor_.close(ignored);
    accept_pause_.cancel();
    if (!own_socket_.empty()) ::unlink(own_socket_.c_str());
    own_socket_.clear();
    jobs_.cancel_all();
  } else if (!hurried_) {
    hurried_ = true;
    // The jobs were told to stop before; their rails are going down. What else they do is not waited for.
    ending_.expires_after(kHurry);
    ending_.async_wait([signal](const error_code& cancelled) {
      if (!cancelled) ::_exit(128 + signal);
    });
  }
  end_when_done();
}

void Server::end_when_done() {
  if (jobs_.running() > 0) return;
  bool told = true;
  for (const auto& session : sessions_) told = told && session->idle();
  if (told || hurried_ || std::chrono::steady_clock::now() - *stopping_since_ > kLastWords) {
    loop_.stop();
    return;
  }
  ending_.expires_after(10ms);
  ending_.async_wait([this](const error_code& cancelled) {
    if (!cancelled) end_when_done();
  });
}

void Server::leave_place() {
  supervisor_.end_keep_alive();
  signals_.cancel();
  ending_.cancel();
  for (const auto& session : std::set(sessions_)) session->close();
  loop_.restart();
  loop_.poll();  // all of them end
  // Left behind, the text would tell the next daemon that this one was ended hard.
  if (place_) static_cast<void>(write_text(place_path_, ""));
}

}  // namespace steadycell::daemon
