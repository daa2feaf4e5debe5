#include "link/hid.h"

#include <gtest/gtest.h>

#include <boost/asio/io_context.hpp>
#include <filesystem>
#include <functional>

#include "link/fake_hid.h"

namespace steadycell::link {
namespace {

using testing::FakeHid;
using testing::kSerial;
using testing::kUuid;
using namespace std::chrono_literals;
using Kind = LinkNews::Kind;

constexpr HidPatience kQuick{.appear = 20ms, .retry = 5ms, .silence = 50ms};

// A half of the board kUuid at 1-2.3, and what it told.
struct Bench {
  explicit Bench(HidPatience patience = kQuick) : patience_(patience) {
    hid.set_uuid(*parse_hex(kSerial));
    hid.set_nodes({{"/dev/hidraw3", kSerial, "1-2.3"}});
  }
  void start() {
    half.emplace(hid, io.get_executor(), kUuid, "1-2.3", [this](const LinkNews& news) {
      if (news.kind == Kind::meter)
        newest = news.meter;
      else
        told.push_back(news);
    }, patience_);
  }
  // Lets news come until it is so; false when it does not become so.
  bool until(const std::function<bool()>& so, std::chrono::milliseconds longest = 5s) {
    const auto end = std::chrono::steady_clock::now() + longest;
    while (!so()) {
      if (std::chrono::steady_clock::now() > end) return false;
      io.restart();
      io.run_for(1ms);
      std::this_thread::sleep_for(100us);
    }
    return true;
  }
  bool told_of(std::size_t count) {
    return until([&] { return told.size() >= count; });
  }

  asio::io_context io{1};
  FakeHid hid;
  std::vector<LinkNews> told;
  std::optional<scu_meter> newest;
  std::optional<HidHalf> half;  // ends first

 private:
  HidPatience patience_;
};

TEST(Hid, IsFoundByTheUuidWithoutAWordAndItsReadingsCome) {
  Bench bench;
  bench.start();
  ASSERT_TRUE(bench.told_of(1));
  EXPECT_EQ(bench.told[0].kind, Kind::side_found);
  EXPECT_EQ(bench.told[0].text, "");
  EXPECT_TRUE(bench.until([&] { return bench.newest.has_value(); }));
}

TEST(Hid, OneHeartbeatLeavesForOneCallAndNoneWithout) {
  Bench bench;
  bench.start();
  ASSERT_TRUE(bench.told_of(1));
  EXPECT_FALSE(bench.until([&] { return bench.hid.meter().heartbeat_token != 0; }, 60ms)) << "nobody asked for one";
  bench.half->heartbeat();
  ASSERT_TRUE(bench.until([&] { return bench.hid.meter().heartbeat_token != 0; }));
  const auto first = bench.hid.meter().heartbeat_token;
  EXPECT_FALSE(bench.until([&] { return bench.hid.meter().heartbeat_token != first; }, 60ms)) << "a caller that hangs must fall silent";
  bench.half->heartbeat();
  EXPECT_TRUE(bench.until([&] { return bench.hid.meter().heartbeat_token == first + 1; }));
}

TEST(Hid, RailsOffIsAcknowledgedByItsToken) {
  Bench bench;
  bench.start();
  ASSERT_TRUE(bench.told_of(1));
  const auto token = bench.half->cut_rails();
  ASSERT_NE(token, 0u);
  EXPECT_TRUE(bench.until([&] { return bench.newest && bench.newest->rails_off_token == token; }));
}

TEST(Hid, LostItIsSaidOncePlainlyAndTakenUpAgainWhenItReturns) {
  Bench bench;
  bench.start();
  ASSERT_TRUE(bench.told_of(1));
  bench.hid.present = false;
  ASSERT_TRUE(bench.told_of(2));
  EXPECT_EQ(bench.told[1].kind, Kind::side_lost);
  EXPECT_NE(bench.told[1].text.find("reading goes on"), std::string::npos) << bench.told[1].text;
  EXPECT_EQ(bench.half->cut_rails(), 0u) << "there is nobody to hear it";
  const int looks = bench.hid.looks;
  EXPECT_TRUE(bench.until([&] { return bench.hid.looks > looks + 10; }));
  EXPECT_EQ(bench.told.size(), 2u) << "R-15: one line for each change";
  bench.hid.present = true;
  ASSERT_TRUE(bench.told_of(3));
  EXPECT_EQ(bench.told[2].kind, Kind::side_found);
  EXPECT_NE(bench.told[2].text.find("again"), std::string::npos);
}

TEST(Hid, ARailsOffThatWasNeverSentIsNotSentToABoardThatReturns) {
  Bench bench;
  bench.start();
  ASSERT_TRUE(bench.told_of(1));
  bench.hid.deaf = true;  // the report does not leave
  EXPECT_NE(bench.half->cut_rails(), 0u);
  ASSERT_TRUE(bench.told_of(2));
  bench.hid.deaf = false;
  ASSERT_TRUE(bench.told_of(3));
  bench.half->heartbeat();
  ASSERT_TRUE(bench.until([&] { return bench.hid.meter().heartbeat_token != 0; }));
  EXPECT_EQ(bench.hid.meter().rails_off_token, 0u);
}

TEST(Hid, WithoutPermissionItIsSaidWithTheNodesName) {
  Bench bench;
  bench.hid.refused = true;
  bench.start();
  ASSERT_TRUE(bench.told_of(1));
  EXPECT_EQ(bench.told[0].kind, Kind::side_lost);
  EXPECT_NE(bench.told[0].text.find("/dev/hidraw3: Permission denied"), std::string::npos) << bench.told[0].text;
}

TEST(Hid, R10ADeviceThatFallsSilentIsLostThoughNoCallFails) {
  Bench bench;
  bench.start();
  ASSERT_TRUE(bench.told_of(1));
  bench.hid.mute = true;
  ASSERT_TRUE(bench.told_of(2));
  EXPECT_NE(bench.told[1].text.find("no reports"), std::string::npos) << bench.told[1].text;
}

TEST(Hid, R19OfSeveralWithOneUuidTheOneAtTheStreamsPlaceIsTaken) {
  Bench bench;
  bench.hid.set_nodes({{"/dev/hidraw1", kSerial, "2-1"},
                       {"/dev/hidraw2", "ff112233445566778899aabbccddeeff", "1-2.3"},
                       {"/dev/hidraw3", kSerial, "1-2.3"}});
  bench.start();
  ASSERT_TRUE(bench.told_of(1));
  EXPECT_EQ(bench.hid.paths(), std::vector<std::string>{"/dev/hidraw3"});
}

TEST(Hid, R19OfSeveralElsewhereNoneIsGuessed) {
  Bench bench;
  bench.hid.set_nodes({{"/dev/hidraw1", kSerial, "2-1"}, {"/dev/hidraw2", kSerial, "2-2"}});
  bench.start();
  ASSERT_TRUE(bench.told_of(1));
  EXPECT_EQ(bench.told[0].kind, Kind::side_lost);
  EXPECT_EQ(bench.hid.opened, 0);
}

TEST(Hid, ReportsOfAnotherBoardAreNeverBelieved) {
  Bench bench;
  bench.hid.set_uuid(Bytes(16, 0x55));
  bench.start();
  ASSERT_TRUE(bench.told_of(1));
  EXPECT_EQ(bench.told[0].kind, Kind::side_lost);
  EXPECT_NE(bench.told[0].text.find("another board's UUID"), std::string::npos);
  EXPECT_FALSE(bench.newest);
  EXPECT_EQ(bench.half->cut_rails(), 0u) << "another's rails are not ours to cut";
}

TEST(Hid, R18EndsAtAnyMomentAndLeavesNothing) {
  for (int i = 0; i < 300; ++i) {
    Bench bench;
    bench.start();
    std::this_thread::sleep_for(std::chrono::microseconds(37 * (i % 60)));
    bench.half->heartbeat();
    if (i % 2 == 0) bench.hid.present = false;
    bench.half.reset();
    EXPECT_EQ(bench.hid.open_now, 0);
  }
}

}  // namespace
}  // namespace steadycell::link
