#pragma once
#include <gtest/gtest.h>
#include <poll.h>
#include <sys/socket.h>
#include <sys/un.h>
#include <unistd.h>

#include <cstddef>
#include <cstdlib>
#include <string>
#include <vector>

namespace steadycell::daemon::testing {

// What sd_notify(3) of systemd 252 says a manager is: a datagram socket, here in the abstract name space.
class Manager {
 public:
  Manager() : name_("@steadycell-" + std::to_string(::getpid())), fd_(::socket(AF_UNIX, SOCK_DGRAM | SOCK_NONBLOCK | SOCK_CLOEXEC, 0)) {
    sockaddr_un address{};
    address.sun_family = AF_UNIX;
    name_.copy(address.sun_path, name_.size());
    address.sun_path[0] = '\0';
    EXPECT_EQ(
        ::bind(fd_, reinterpret_cast<const sockaddr*>(&address), static_cast<socklen_t>(offsetof(sockaddr_un, sun_path) + name_.size())),
        0);
    setenv("NOTIFY_SOCKET", name_.c_str(), 1);
  }
  ~Manager() { ::close(fd_); }
  Manager(const Manager&) = delete;
  Manager& operator=(const Manager&) = delete;

  // What was said since the last call, one text a datagram.
  std::vector<std::string> heard() {
    std::vector<std::string> all;
    char buffer[256];
    for (ssize_t got = 0; (got = ::recv(fd_, buffer, sizeof buffer, 0)) >= 0;) all.emplace_back(buffer, static_cast<std::size_t>(got));
    return all;
  }
  // Something was said within this time, or is waiting to be heard.
  bool hears_within(int milliseconds) {
    pollfd ready{.fd = fd_, .events = POLLIN, .revents = 0};
    return ::poll(&ready, 1, milliseconds) > 0;
  }

 private:
  std::string name_;
  int fd_;
};

}  // namespace steadycell::daemon::testing
