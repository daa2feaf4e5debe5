#pragma once
#include <boost/asio/io_context.hpp>
#include <boost/asio/local/stream_protocol.hpp>
#include <boost/asio/signal_set.hpp>
#include <boost/asio/steady_timer.hpp>
#include <chrono>
#include <memory>
#include <optional>
#include <set>
#include <string>

#include "daemon/jobs.h"
#include "daemon/log.h"
#include "daemon/session.h"
#include "daemon/supervisor.h"
#include "files/file_system.h"
#include "service/daemon_config.h"

namespace steadycell::daemon {

// The daemon: one loop that accepts clients, hands their jobs to threads, and tells what they tell. docs/service.md has
// the messages. SIGTERM ends jobs at the next unit and then the daemon; a second one waits for nothing but rails being
// switched off, and 1 s for that; SIGHUP reads the configuration again.
class Server {
 public:
  Server(boost::asio::io_context& loop, service::DaemonConfig config, std::string config_path, Supervisor supervisor);
  // Takes the place of the one daemon of this user: daemon_running when there is one.
  Result<void> listen();
  // Until the daemon has ended.
  void run();

 private:
  boost::asio::awaitable<void> accept();
  void admit(Session::Socket socket);
  void on_line(Session& session, const api::LineReader::Line& line);
  Result<json::Object> answer(Session& session, const std::string& method, const json::Value& params);
  Result<json::Object> greet(Session& session, json::Reader& params);
  Result<json::Object> cancel(Session& session, json::Reader& params);
  json::Object status() const;

  void await_signal();
  void stop(int signal);
  void read_config_again();
  void end_when_done();
  void leave_place();

  boost::asio::io_context& loop_;
  service::DaemonConfig config_;
  std::string config_path_;
  Supervisor supervisor_;
  Log log_;
  std::string since_;
  std::unique_ptr<files::Lock> place_;
  std::string place_path_, own_socket_;  // empty: nothing to remove
  boost::asio::local::stream_protocol::acceptor acceptor_;
  boost::asio::signal_set signals_;
  boost::asio::steady_timer accept_pause_, ending_;
  std::set<std::shared_ptr<Session>> sessions_;
  Jobs jobs_;
  std::optional<std::chrono::steady_clock::time_point> stopping_since_;
  bool hurried_ = false;
};

}  // namespace steadycell::daemon
