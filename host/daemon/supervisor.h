#pragma once
#include <boost/asio/io_context.hpp>
#include <boost/asio/steady_timer.hpp>
#include <chrono>
#include <optional>
#include <string>

#include "base/result.h"

// What a service manager and its daemon say to each other: the datagrams of sd_notify(3) and the sockets of
// sd_listen_fds(3), as those pages of systemd describe them. Without a manager all of it does nothing.
namespace steadycell::daemon {

class Supervisor {
 public:
  // Takes the variables out of the environment, so that no program started from here believes they are for it.
  static Supervisor from_environment();

  // The one listening socket that was handed over; nothing when there is none. bad_configuration when it is not one
  // Unix stream socket.
  Result<std::optional<int>> listening_socket();

  void ready();     // READY=1
  void stopping();  // STOPPING=1
  // One line for `systemctl status`.
  void status(const std::string& text);
  // WATCHDOG=1 at half the interval that the manager asks for, from the loop itself: a loop that hangs sends none.
  void keep_alive(boost::asio::io_context& loop);
  void end_keep_alive();
  std::optional<std::chrono::microseconds> ping_interval() const { return ping_interval_; }

 private:
  void send(const std::string& message) const;
  void ping();

  std::string notify_socket_;
  int sockets_ = 0;
  std::optional<std::chrono::microseconds> ping_interval_;
  std::optional<boost::asio::steady_timer> timer_;
};

}  // namespace steadycell::daemon
