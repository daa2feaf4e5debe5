#include "cli/daemon_client.h"

#include <gtest/gtest.h>
#include <sys/socket.h>
#include <sys/un.h>
#include <unistd.h>

#include <array>
#include <atomic>
#include <chrono>
#include <filesystem>
#include <functional>
#include <thread>

namespace steadycell::cli {
namespace {

using std::chrono::seconds;
constexpr seconds kLong{1000};  // whoever waited for this would outlast the test

std::string answer_to(const json::Value& id) {
  return json::text_of(json::Object{
             {"id", id}, {"result", json::Object{{"version", "0.1.0"}, {"messages", 1}, {"process", 4711}}}}) +
         "\n";
}

// A peer at a socket of its own that answers each request as it is told to. As given it greets as a daemon would,
// as process 4711, and then reads and answers nothing.
class PeerAtTheSocket : public ::testing::Test {
 protected:
  using Answers = std::function<std::string(const json::Value& id, std::string_view method)>;

  void SetUp() override {
    std::string pattern = (std::filesystem::temp_directory_path() / "steadycell-silent-XXXXXX").string();
    ASSERT_NE(mkdtemp(pattern.data()), nullptr);
    folder_ = pattern;
    path().copy(address_.sun_path, sizeof address_.sun_path - 1);
    listening_ = ::socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0);
    ASSERT_EQ(::bind(listening_, reinterpret_cast<const sockaddr*>(&address_), sizeof address_), 0);
    ASSERT_EQ(::listen(listening_, 0), 0);
  }
  void TearDown() override {
    ::shutdown(listening_, SHUT_RDWR);
    if (peer_.joinable()) peer_.join();
    ::close(listening_);
    std::filesystem::remove_all(folder_);
  }
  void serve(Answers answers = [](const json::Value& id, std::string_view method) {
    return method == "daemon.hello" ? answer_to(id) : std::string();
  }) {
    peer_ = std::thread([this, answers = std::move(answers)] { serve_one(answers); });
  }
  std::unique_ptr<DaemonClient> connected(seconds limit) {
    auto client = DaemonClient::connect(path(), nullptr, limit);
    EXPECT_TRUE(client.has_value()) << client.error().text();
    return client ? std::move(*client) : nullptr;
  }
  // The answer to a call that the user stopped.
  Result<json::Object> stopped(std::string_view method) {
    const std::atomic<bool> stop{true};
    service::JobHooks hooks;
    hooks.stop = &stop;
    return connected(kLong)->call(method, json::Object(), hooks);
  }
  std::string path() const { return folder_ + "/socket"; }

  sockaddr_un address_{.sun_family = AF_UNIX, .sun_path = {}};

 private:
  void serve_one(const Answers& answers) const {
    const int client = ::accept(listening_, nullptr, nullptr);
    if (client < 0) return;
    std::array<char, 4096> heard{};
    api::LineReader lines(api::kMaxRequestBytes);
    for (ssize_t got = 0; (got = ::recv(client, heard.data(), heard.size(), 0)) > 0;)
      lines.feed({heard.data(), static_cast<std::size_t>(got)}, [&](const api::LineReader::Line& line) {
        const auto asked = json::parse(line.text);
        const std::string said =
            answers(asked->get_object().at("id"), std::string_view(asked->get_object().at("method").get_string()));
        if (!said.empty()) ::send(client, said.data(), said.size(), MSG_NOSIGNAL);
        return true;
      });
    ::close(client);
  }

  std::string folder_;
  int listening_ = -1;
  std::thread peer_;
};

using DaemonThatFallsSilent = PeerAtTheSocket;

TEST_F(DaemonThatFallsSilent, IsNamedWithWhatEndsIt) {
  serve();
  auto client = connected(seconds(1));
  const auto answer = client->call("daemon.status", json::Object(), {});
  ASSERT_FALSE(answer.has_value());
  EXPECT_EQ(answer.error().code(), ErrorCode::daemon_unreachable);
  EXPECT_EQ(answer.error().what(), "process 4711 (steadycelld) hangs: the daemon has not answered daemon.status for 1 s");
  EXPECT_NE(answer.error().next().find("kill -KILL 4711"), std::string::npos);
  EXPECT_NE(answer.error().next().find("goes on where it stopped"), std::string::npos);
}

TEST_F(DaemonThatFallsSilent, IsToldOfDuringAJobAndGivenUpLater) {
  serve();
  auto client = connected(seconds(1));
  std::vector<std::string> notes;
  service::JobHooks hooks;
  hooks.note = [&](std::string_view text) { notes.emplace_back(text); };
  const auto answer = client->call("board.check", json::Object(), hooks);
  ASSERT_EQ(notes.size(), 1u);
  EXPECT_NE(notes[0].find("process 4711 (steadycelld) has not answered for 1 s"), std::string::npos) << notes[0];
  EXPECT_NE(notes[0].find("kill -KILL 4711"), std::string::npos) << notes[0];
  ASSERT_FALSE(answer.has_value());
  EXPECT_EQ(answer.error().code(), ErrorCode::daemon_unreachable);
  EXPECT_NE(answer.error().what().find("process 4711"), std::string::npos);
  EXPECT_NE(answer.error().next().find("begins anew"), std::string::npos) << answer.error().next();
}

TEST_F(DaemonThatFallsSilent, IsNotWaitedForByAJobThatWasStopped) {
  serve();
  const auto answer = stopped("board.check");
  ASSERT_FALSE(answer.has_value());
  EXPECT_EQ(answer.error().code(), ErrorCode::interrupted);
  EXPECT_NE(answer.error().what().find("process 4711 (steadycelld) hangs"), std::string::npos)
      << answer.error().what();
  EXPECT_NE(answer.error().next().find("kill -KILL 4711"), std::string::npos);
}

TEST_F(DaemonThatFallsSilent, IsNotWaitedForByAQuestionThatWasStopped) {
  serve();
  const auto answer = stopped("daemon.status");
  ASSERT_FALSE(answer.has_value());
  EXPECT_EQ(answer.error().code(), ErrorCode::interrupted);
}

TEST_F(PeerAtTheSocket, WhichDoesNotGreetIsLeftAtAStop) {
  const std::atomic<bool> stop{true};
  const auto client = DaemonClient::connect(path(), &stop, kLong);  // the kernel lets it in, nobody takes it
  ASSERT_FALSE(client.has_value());
  EXPECT_EQ(client.error().code(), ErrorCode::interrupted);
}

TEST_F(PeerAtTheSocket, WhoseQueueIsFullIsLeftAtAStop) {
  // With a backlog of 0 one waits in the queue.
  const int first = ::socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC, 0);
  const int second = ::socket(AF_UNIX, SOCK_STREAM | SOCK_CLOEXEC | SOCK_NONBLOCK, 0);
  ASSERT_EQ(::connect(first, reinterpret_cast<const sockaddr*>(&address_), sizeof address_), 0);
  ASSERT_EQ(::connect(second, reinterpret_cast<const sockaddr*>(&address_), sizeof address_), -1)
      << "the queue is full";
  std::atomic<bool> stop{false};
  std::thread stopper([&] {
    std::this_thread::sleep_for(std::chrono::milliseconds(300));
    stop = true;
  });
  const auto client = DaemonClient::connect(path(), &stop, kLong);
  stopper.join();
  ASSERT_FALSE(client.has_value());
  EXPECT_EQ(client.error().code(), ErrorCode::interrupted);
  ::close(first);
  ::close(second);
}

// Longer silent than a stop waits for a daemon that hangs, but alive: it says so when asked.
TEST_F(PeerAtTheSocket, WhichTakesLongToStopIsNotCalledHung) {
  json::Value job;
  std::chrono::steady_clock::time_point cancelled;
  serve([&](const json::Value& id, std::string_view method) {
    if (method == "board.check") {
      job = id;
      return std::string();
    }
    if (method == "job.cancel") cancelled = std::chrono::steady_clock::now();
    const bool ended = method == "daemon.status" && std::chrono::steady_clock::now() - cancelled > seconds(3);
    return ended ? api::error_line(job, Error(ErrorCode::interrupted, "stopped on request")) : answer_to(id);
  });
  auto client = connected(kLong);
  const std::atomic<bool> stop{true};
  service::JobHooks hooks;
  hooks.stop = &stop;
  const auto answer = client->call("board.check", json::Object(), hooks);
  ASSERT_FALSE(answer.has_value());
  EXPECT_EQ(answer.error().what(), "stopped on request");
}

// Silent for longer than the limit, then back: no more than a word is lost on it.
TEST_F(PeerAtTheSocket, WhichComesBackIsWaitedFor) {
  json::Value job;
  serve([&](const json::Value& id, std::string_view method) {
    if (method == "daemon.hello") return answer_to(id);
    if (method == "board.check") {
      job = id;
      return std::string();
    }
    std::this_thread::sleep_for(std::chrono::milliseconds(2500));
    return answer_to(id) + answer_to(job);
  });
  auto client = connected(seconds(1));
  std::vector<std::string> notes;
  service::JobHooks hooks;
  hooks.note = [&](std::string_view text) { notes.emplace_back(text); };
  const auto answer = client->call("board.check", json::Object(), hooks);
  EXPECT_TRUE(answer.has_value()) << answer.error().text();
  ASSERT_EQ(notes.size(), 2u);
  EXPECT_EQ(notes[1], "the daemon answers again");
}

}  // namespace
}  // namespace steadycell::cli
