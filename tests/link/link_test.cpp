#include "link/link.h"

#include <dirent.h>
#include <sys/socket.h>
#include <sys/wait.h>
#include <unistd.h>

#include <array>
#include <boost/asio/ip/tcp.hpp>
#include <boost/asio/local/stream_protocol.hpp>
#include <boost/asio/this_coro.hpp>
#include <cstdlib>
#include <filesystem>
#include <fstream>

#include "link/run.h"
#include "steadycell/protocol.h"

namespace steadycell::link {
namespace {

using testing::run;

BoardAddress address(std::string_view text) {
  auto parsed = parse_board_address(text);
  EXPECT_TRUE(parsed) << text;
  return parsed ? *parsed : BoardAddress{};
}

TEST(BoardAddress, KnowsItsFourKinds) {
  EXPECT_EQ(address("sim:dir/a:b.json").path, "dir/a:b.json");
  EXPECT_EQ(address("unix:/run/x").kind, BoardAddress::Kind::unix_socket);
  EXPECT_EQ(address("tcp:bench.local:7000").host, "bench.local");
  EXPECT_EQ(address("tcp:::1:7000").host, "::1");
  EXPECT_EQ(address("tcp:::1:7000").port, "7000");
  EXPECT_EQ(address("usb").kind, BoardAddress::Kind::usb);
  EXPECT_EQ(address("usb:1-4").path, "1-4");
  for (const char* text :
       {"sim:f.json", "tcp:a:1", "unix:p", "usb", "usb:1-4", "usb:12-2.3.14", "usb:3078a2c0-880b-45d5-a4af-ee228abe9d45"})
    EXPECT_EQ(address(text).text(), text);
}

TEST(BoardAddress, RefusesWhatIsNoneAndNamesTheForms) {
  const std::string with_zero("unix:a\0b", 8);
  for (const std::string& text :
       {std::string("usb:"), std::string("usb:ZZZ"), std::string("usb:12"), std::string("usb:1-2.x"), std::string("usb:1-2."),
        std::string("usb:1-"), std::string("usb:3078a2c0-880b-45d5-a4af-ee228abe9d4"), std::string(), std::string("sim"),
        std::string("sim:"), std::string("unix:"), std::string("tcp:host"), std::string("tcp::80"), std::string("tcp:host:0"),
        std::string("tcp:host:65536"), std::string("tcp:host:8a"), std::string("serial:x"), std::string("f.json"), with_zero}) {
    const auto parsed = parse_board_address(text);
    ASSERT_FALSE(parsed) << text;
    EXPECT_EQ(parsed.error().code(), ErrorCode::wrong_usage);
    EXPECT_NE(parsed.error().next().find("sim:FIXTURE.json"), std::string::npos);
  }
}

TEST(Link, NobodyListeningIsAnOpenFailureThatNamesTheAddress) {
  asio::io_context context;
  run(context, []() -> asio::awaitable<void> {
    for (const char* text : {"unix:/nonexistent/socket", "tcp:127.0.0.1:1"}) {
      const auto link = co_await open_link(address(text));
      EXPECT_FALSE(link);
      if (link) continue;
      EXPECT_EQ(link.error().code(), ErrorCode::link_open_failed);
      EXPECT_NE(link.error().what().find(text), std::string::npos);
      EXPECT_EQ(link.error().next().find("cable"), std::string::npos) << link.error().text();
      EXPECT_NE(link.error().next().find(text[0] == 't' ? "port" : "path"), std::string::npos) << link.error().text();
    }
    const auto long_path = co_await open_link(address("unix:/" + std::string(120, 'x')));
    EXPECT_FALSE(long_path);
  }());
}

// Writes go out and come back, and the end of the peer is link_lost.
asio::awaitable<void> check_echo(Link& link, int peer) {
  const Bytes out{1, 2, 3};
  EXPECT_TRUE(co_await link.write(out));
  Bytes in(8);
  EXPECT_EQ(::read(peer, in.data(), in.size()), 3);
  EXPECT_EQ(::write(peer, "abc", 3), 3);
  const auto got = co_await link.read_some(in);
  EXPECT_TRUE(got);
  if (got) {
    EXPECT_EQ(as_text(ByteSpan(in).first(*got)), "abc");
  }
  ::close(peer);
  const auto end = co_await link.read_some(in);
  EXPECT_FALSE(end);
  if (!end) {
    EXPECT_EQ(end.error().code(), ErrorCode::link_lost);
  }
  link.close();
  link.close();
  const auto written = co_await link.write(out);
  EXPECT_FALSE(written);
}

TEST(Link, MovesBytesOverAnAdoptedSocket) {
  std::array<int, 2> ends{};
  ASSERT_EQ(::socketpair(AF_UNIX, SOCK_STREAM, 0, ends.data()), 0);
  asio::io_context context;
  const auto link = adopt_socket(context.get_executor(), ends[0], "fd");
  EXPECT_EQ(link->describe(), "fd");
  run(context, check_echo(*link, ends[1]));
}

TEST(Link, MovesBytesOverUnixSocketAndTcp) {
  const std::string path = ::testing::TempDir() + "link_test_" + std::to_string(::getpid());
  asio::io_context context;
  asio::local::stream_protocol::acceptor unix_acceptor(context, asio::local::stream_protocol::endpoint(path));
  asio::ip::tcp::acceptor tcp_acceptor(context, {asio::ip::address_v4::loopback(), 0});
  const std::string tcp = "tcp:localhost:" + std::to_string(tcp_acceptor.local_endpoint().port());
  run(context,
      [](auto& by_unix, auto& by_tcp, std::string unix_text, std::string tcp_text) -> asio::awaitable<void> {
        auto link = co_await open_link(address(unix_text));
        EXPECT_TRUE(link) << unix_text;
        if (link) co_await check_echo(**link, by_unix.accept().release());
        auto other = co_await open_link(address(tcp_text));
        EXPECT_TRUE(other) << tcp_text;
        if (!other) co_return;
        auto peer = by_tcp.accept();
        peer.non_blocking(false);
        co_await check_echo(**other, peer.release());
      }(unix_acceptor, tcp_acceptor, "unix:" + path, tcp));
  std::filesystem::remove(path);
}

TEST(Link, CloseEndsAReadThatWaits) {
  std::array<int, 2> ends{};
  ASSERT_EQ(::socketpair(AF_UNIX, SOCK_STREAM, 0, ends.data()), 0);
  asio::io_context context;
  const auto link = adopt_socket(context.get_executor(), ends[0], "fd");
  bool ended = false;
  asio::co_spawn(
      context,
      [](Link& waiting, bool& done) -> asio::awaitable<void> {
        Bytes in(8);
        const auto got = co_await waiting.read_some(in);
        EXPECT_FALSE(got);
        done = true;
      }(*link, ended),
      [](const std::exception_ptr&) {});
  run(context, [](Link& closing) -> asio::awaitable<void> {
    closing.close();
    co_return;
  }(*link));
  EXPECT_TRUE(ended);
  ::close(ends[1]);
}

// ---- The simulated board as a process ----

class SimLink : public ::testing::Test {
 protected:
  void SetUp() override {
    const char* before = std::getenv("PATH");
    before_ = before == nullptr ? "" : before;
    ::setenv("PATH", (std::string(STEADYCELL_BIN_DIR) + ":" + before_).c_str(), 1);
    folder_ = ::testing::TempDir() + "sim_link_" + std::to_string(::getpid());
    std::filesystem::create_directories(folder_);
  }
  void TearDown() override {
    ::setenv("PATH", before_.c_str(), 1);
    std::filesystem::remove_all(folder_);
    EXPECT_EQ(::waitpid(-1, nullptr, WNOHANG), -1) << "a child is left";
  }
  std::string fixture(const std::string& text) const {
    std::ofstream(folder_ + "/fixture.json") << text;
    return "sim:" + folder_ + "/fixture.json";
  }

  std::string before_, folder_;
};

std::size_t open_files() {
  std::size_t count = 0;
  for ([[maybe_unused]] const auto& entry : std::filesystem::directory_iterator("/proc/self/fd")) ++count;
  return count;
}

TEST_F(SimLink, StartsABoardThatAnswersAndReapsIt) {
  const std::size_t files_before = open_files();
  asio::io_context context;
  const std::string good = R"({"schema":"steadycell-fixture/1","patient":{"trace_csv":")" +
                           std::string(STEADYCELL_TEST_DATA) + R"(/traces/s002.csv.gz"}})";
  run(context, [](std::string where) -> asio::awaitable<void> {
    auto link = co_await open_link(address(where));
    EXPECT_TRUE(link);
    if (!link) co_return;
    Bytes request(SCP_HEADER_BYTES + 4 + SCP_TRAILER_BYTES);
    const scp_header header{SCP_VERSION, SCP_CHANNEL_COMMAND, SCP_HELLO, 0, 1, 4};
    const Bytes payload{SCP_VERSION_OLDEST, SCP_VERSION, 0, 0};
    scp_put_header(request.data(), &header);
    std::copy(payload.begin(), payload.end(), request.begin() + SCP_HEADER_BYTES);
    scp_put_trailer(request.data() + SCP_HEADER_BYTES + 4, payload.data(), payload.size());
    EXPECT_TRUE(co_await (*link)->write(request));
    Bytes in(200);
    const auto got = co_await (*link)->read_some(in);
    EXPECT_TRUE(got);
    if (got) {
      EXPECT_GE(*got, std::size_t{SCP_HEADER_BYTES});
    }
    (*link)->close();
  }(fixture(good)));
  EXPECT_LE(open_files(), files_before + 4);  // the context's own epoll, event and timer
}

TEST_F(SimLink, RefusedFixtureIsReportedInTheBoardsOwnWords) {
  asio::io_context context;
  run(context, [](std::string where) -> asio::awaitable<void> {
    auto link = co_await open_link(address(where));
    EXPECT_TRUE(link);
    if (!link) co_return;
    Bytes in(200);
    const auto got = co_await (*link)->read_some(in);
    EXPECT_FALSE(got);
    if (got) co_return;
    EXPECT_EQ(got.error().code(), ErrorCode::bad_input_file) << got.error().text();
    EXPECT_NE(got.error().what().find("chp"), std::string::npos) << got.error().text();
  }(fixture(R"({"schema":"steadycell-fixture/1","chp":{}})")));
}

TEST_F(SimLink, MissingFixtureIsNotFound) {
  asio::io_context context;
  run(context, []() -> asio::awaitable<void> {
    const auto link = co_await open_link(address("sim:/nonexistent.json"));
    EXPECT_FALSE(link);
    if (!link) {
      EXPECT_EQ(link.error().code(), ErrorCode::not_found);
    }
  }());
}

TEST_F(SimLink, MissingProgramSaysWhichOne) {
  ::setenv("PATH", "/nonexistent", 1);
  asio::io_context context;
  run(context, [](std::string where) -> asio::awaitable<void> {
    const auto link = co_await open_link(address(where));
    EXPECT_FALSE(link);
    if (link) co_return;
    EXPECT_EQ(link.error().code(), ErrorCode::helper_missing);
    EXPECT_NE(link.error().what().find("steadycell-simboard"), std::string::npos);
  }(fixture("{}")));
}

}  // namespace
}  // namespace steadycell::link
