#include "cli/daemon_client.h"

#include <gtest/gtest.h>
#include <sys/socket.h>
#include <sys/un.h>
#include <unistd.h>

#include <array>
#include <filesystem>
#include <thread>

namespace steadycell::cli {
namespace {

using std::chrono::seconds;

// A peer at a socket of its own that greets as a daemon would, as process 4711, and then reads and answers nothing.
class DaemonThatFallsSilent : public ::testing::Test {
 protected:
  void SetUp() override {
    std::string pattern = (std::filesystem::temp_directory_path() / "steadycell-silent-XXXXXX").string();
    ASSERT_NE(mkdtemp(pattern.data()), nullptr);
    folder_ = pattern;
    sockaddr_un address{};
    address.sun_family = AF_UNIX;
    path().copy(address.sun_path, sizeof address.sun_path - 1);
    listening_ = ::socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0);
    ASSERT_EQ(::bind(listening_, reinterpret_cast<const sockaddr*>(&address), sizeof address), 0);
    ASSERT_EQ(::listen(listening_, 4), 0);
    peer_ = std::thread([this] { serve(); });
  }
  void TearDown() override {
    ::shutdown(listening_, SHUT_RDWR);
    peer_.join();
    ::close(listening_);
    std::filesystem::remove_all(folder_);
  }
  std::string path() const { return folder_ + "/socket"; }

 private:
  void serve() const {
    const int client = ::accept(listening_, nullptr, nullptr);
    if (client < 0) return;
    const std::string greeting = R"({"id": 1, "result": {"version": "0.1.0", "messages": 1, "process": 4711}})" "\n";
    std::array<char, 4096> heard{};
    if (::recv(client, heard.data(), heard.size(), 0) > 0) ::send(client, greeting.data(), greeting.size(), MSG_NOSIGNAL);
    while (::recv(client, heard.data(), heard.size(), 0) > 0) continue;
    ::close(client);
  }

  std::string folder_;
  int listening_ = -1;
  std::thread peer_;
};

TEST_F(DaemonThatFallsSilent, IsNamedWithWhatEndsIt) {
  auto client = DaemonClient::connect(path(), seconds(1));
  ASSERT_TRUE(client.has_value()) << client.error().text();
  ASSERT_NE(*client, nullptr);
  const auto answer = (*client)->call("daemon.status", json::Object(), {});
  ASSERT_FALSE(answer.has_value());
  EXPECT_EQ(answer.error().code(), ErrorCode::daemon_unreachable);
  EXPECT_EQ(answer.error().what(), "process 4711 (steadycelld) hangs: the daemon has not answered daemon.status for 1 s");
  EXPECT_NE(answer.error().next().find("kill -KILL 4711"), std::string::npos);
  EXPECT_NE(answer.error().next().find("go on where they stopped"), std::string::npos);
  client->reset();  // the peer ends
}

}  // namespace
}  // namespace steadycell::cli
