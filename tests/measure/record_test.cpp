#include "measure/record.h"

#include <unistd.h>
#include <zlib.h>

#include <algorithm>
#include <filesystem>
#include <fstream>
#include <sstream>

#include "board/bench.h"
#include "files/atomic.h"
#include "supply/diagnosis.h"

namespace steadycell::measure {
namespace {

using namespace std::chrono_literals;
using board::testing::with_board;
using simbench::SimSession;

class RecordSupply : public ::testing::Test {
 protected:
  void SetUp() override {
    folder_ = ::testing::TempDir() + "record_" + std::to_string(::getpid());
    std::filesystem::remove_all(folder_);
    std::filesystem::create_directories(folder_);
  }
  void TearDown() override { std::filesystem::remove_all(folder_); }

  Result<Recorded> record(SimSession& session, RecordOptions options, const std::function<void()>& meanwhile = {},
                          std::chrono::milliseconds after = 0ms) {
    Result<Recorded> result = failure(ErrorCode::internal, "not run");
    with_board(
        session,
        [&](board::BoardClient& board) -> asio::awaitable<void> {
          if (meanwhile)
            asio::co_spawn(
                co_await asio::this_coro::executor,
                [&]() -> asio::awaitable<void> {
                  co_await board::testing::sleep(after);
                  meanwhile();
                },
                [](const std::exception_ptr&) {});
          result = co_await record_supply(board, files::posix(), options);
          const auto state = co_await board.state();
          if (state) {
            EXPECT_EQ(state->port_on, 0) << "powered down in every case";
          }
        },
        options.stop);
    return result;
  }
  RecordOptions options(const std::string& name, std::chrono::milliseconds length = 300ms) const {
    RecordOptions made;
    made.path = folder_ + "/" + name;
    made.length = length;
    made.tool = "test";
    return made;
  }
  std::string text_of(const std::string& name) const {
    std::ifstream file(folder_ + "/" + name, std::ios::binary);
    std::ostringstream text;
    text << file.rdbuf();
    return text.str();
  }
  bool exists(const std::string& name) const { return std::filesystem::exists(folder_ + "/" + name); }
  std::vector<supply::Sample> samples_of(const std::string& text, supply::TraceHeader& header) const {
    std::vector<supply::Sample> samples;
    supply::TraceParser parser;
    const auto take = [&](const supply::Sample& sample) { samples.push_back(sample); };
    EXPECT_TRUE(parser.feed(text, take));
    EXPECT_TRUE(parser.finish(take));
    header = parser.header();
    return samples;
  }

  std::string folder_;
};

simbench::Fixture load_of(double ohm) {
  simbench::Fixture fixture;
  fixture.board.port_load_ohm = ohm;
  return fixture;
}

// Ohm's law: 5 V over 100 ohm are 50 mA.
TEST_F(RecordSupply, KnownLoadReadsAsOhmsLawSays) {
  SimSession session(load_of(100));
  const auto recorded = record(session, options("load.csv"));
  ASSERT_TRUE(recorded) << recorded.error().text();
  EXPECT_FALSE(recorded->tripped);
  EXPECT_EQ(recorded->gaps, 0u);
  EXPECT_EQ(recorded->lost_samples, 0u);
  EXPECT_FALSE(recorded->boot_loop);
  supply::TraceHeader header;
  const auto samples = samples_of(text_of("load.csv"), header);
  EXPECT_EQ(samples.size(), recorded->samples);
  EXPECT_EQ(header.kind, "averaged");
  EXPECT_EQ(header.rail, supply::Rail::vbus);
  EXPECT_EQ(header.limit_mA, 100);
  ASSERT_TRUE(header.t_on_s);
  EXPECT_GE(*header.t_on_s, 0.015) << "behind 20 ms of baseline";
  unsigned before = 0, after = 0;
  for (const supply::Sample& sample : samples) {
    if (sample.time_s < *header.t_on_s - 0.001) {
      ++before;
      EXPECT_NEAR(sample.mA, 0, 0.5) << sample.time_s;
    } else if (sample.time_s > *header.t_on_s + 0.005 && sample.time_s < *header.t_on_s + 0.290) {
      ++after;
      EXPECT_NEAR(sample.mA, 50, 1) << sample.time_s;
      EXPECT_NEAR(sample.volts, 5, 0.05) << sample.time_s;
    }
  }
  EXPECT_GT(before, 50u);
  EXPECT_GT(after, 2500u) << "10 kS/s";
}

TEST_F(RecordSupply, TheFileSaysWhichBoardMeasured) {
  SimSession session(load_of(200));
  ASSERT_TRUE(record(session, options("load.csv", 50ms)));
  EXPECT_NE(text_of("load.csv").find("# board: "), std::string::npos);
  EXPECT_NE(text_of("load.csv").find("time_s,current_mA,vbus_V\n"), std::string::npos);
}

TEST_F(RecordSupply, CompressedTraceReadsBackTheSame) {
  SimSession session(load_of(100));
  const auto recorded = record(session, options("load.csv.gz"));
  ASSERT_TRUE(recorded) << recorded.error().text();
  const auto loaded = load_trace(files::posix(), folder_ + "/load.csv.gz", {});
  ASSERT_TRUE(loaded) << loaded.error().text();
  EXPECT_EQ(loaded->samples, recorded->samples);
  // zlib's own reader is the outside check of the container (RFC 1952).
  gzFile file = ::gzopen((folder_ + "/load.csv.gz").c_str(), "rb");
  ASSERT_NE(file, nullptr);
  char line[64] = {};
  EXPECT_NE(::gzgets(file, line, sizeof line), nullptr);
  EXPECT_EQ(std::string(line).substr(0, 7), "# tool:");
  while (::gzgets(file, line, sizeof line) != nullptr) {
  }
  EXPECT_EQ(::gzclose(file), Z_OK) << "whole to its checksum";
}

TEST_F(RecordSupply, BurstShowsTheSwitchOnAtItsOwnRate) {
  SimSession session(load_of(100));
  RecordOptions wanted = options("load.csv");
  wanted.burst_path = folder_ + "/load.burst.csv";
  ASSERT_TRUE(record(session, wanted));
  supply::TraceHeader header;
  const auto samples = samples_of(text_of("load.burst.csv"), header);
  ASSERT_GT(samples.size(), 5000u);
  ASSERT_TRUE(header.t_on_s);
  EXPECT_LT(samples.front().time_s, *header.t_on_s + 0.001);
  EXPECT_NEAR(samples[1].time_s - samples[0].time_s, 5e-6, 1.1e-6);
}

// F-16: the trace up to the trip is the finding.
TEST_F(RecordSupply, F16_ShortAtPowerUpKeepsTheTraceAndIsATrip) {
  SimSession session(load_of(100));
  session.board().faults().port_over_current = true;
  const auto recorded = record(session, options("short.csv"));
  ASSERT_TRUE(recorded) << recorded.error().text();
  EXPECT_TRUE(recorded->tripped);
  supply::TraceHeader header;
  const auto samples = samples_of(text_of("short.csv"), header);
  EXPECT_GT(samples.size(), 100u);
  EXPECT_EQ(session.board().port_mv(), 0u);
  EXPECT_TRUE(std::any_of(header.events.begin(), header.events.end(),
                          [](const supply::TraceEvent& e) { return e.text == "trip"; }));
}

TEST_F(RecordSupply, F16_OverCurrentLaterEndsTheRecordingEarlyAndKeepsIt) {
  SimSession session(load_of(100));
  const auto recorded = record(
      session, options("later.csv", 10s), [&] { session.board().faults().port_over_current = true; }, 200ms);
  ASSERT_TRUE(recorded) << recorded.error().text();
  EXPECT_TRUE(recorded->tripped);
  supply::TraceHeader header;
  const auto samples = samples_of(text_of("later.csv"), header);
  EXPECT_GT(samples.size(), 1500u);
  EXPECT_LT(samples.back().time_s, 9.0) << "the board's own time: it ended early";
}

// samples lost stay lost, and time shows where.
TEST_F(RecordSupply, R28_DroppedSamplesAreAGapInTimeAndAComment) {
  SimSession session(load_of(100));
  const auto recorded = record(
      session, options("gap.csv"), [&] { session.board().faults().drop_samples = 100; }, 150ms);
  ASSERT_TRUE(recorded) << recorded.error().text();
  // A machine that was too busy may lose more than the fault took: time, comments and counts must agree all the same.
  EXPECT_GE(recorded->gaps, 1u);
  EXPECT_GE(recorded->lost_samples, 100u);
  EXPECT_NE(text_of("gap.csv").find("# gap: "), std::string::npos);
  supply::TraceHeader header;
  const auto samples = samples_of(text_of("gap.csv"), header);
  unsigned jumps = 0;
  double missing = 0, longest = 0;
  for (std::size_t i = 1; i < samples.size(); ++i) {
    const double step = samples[i].time_s - samples[i - 1].time_s;
    if (step > 150e-6) ++jumps, missing += step / 1e-4 - 1, longest = std::max(longest, step);
  }
  EXPECT_EQ(jumps, recorded->gaps);
  EXPECT_NEAR(missing, static_cast<double>(recorded->lost_samples), 0.05);
  EXPECT_GT(longest, 100e-4);
}

simbench::Fixture circuit_of(simbench::CircuitFixture::Boot boot, double restart_ms) {
  simbench::Fixture fixture;
  simbench::CircuitFixture circuit;
  circuit.boot = boot;
  circuit.restart_ms = restart_ms;
  fixture.patient.emplace();
  fixture.patient->circuit = circuit;
  return fixture;
}

// Rule 1 of the design: each start of a looping stick reads its memory, so its power ends at the second period.
TEST_F(RecordSupply, BootLoopEndsTheRecordingAtItsSecondPeriod) {
  for (const double restart_ms : {150.0, 400.0}) {
    SimSession session(circuit_of(simbench::CircuitFixture::Boot::restarts, restart_ms));
    const std::string name = fmt::format("loop{}.csv", restart_ms);
    const auto recorded = record(session, options(name, 20s));
    ASSERT_TRUE(recorded) << recorded.error().text();
    EXPECT_TRUE(recorded->boot_loop);
    supply::TraceHeader header;
    const auto samples = samples_of(text_of(name), header);
    EXPECT_GT(samples.back().time_s, 2 * restart_ms * 1e-3) << "two periods are there to see";
    EXPECT_LT(samples.back().time_s, 10) << "of 20 s";
    EXPECT_TRUE(std::any_of(header.events.begin(), header.events.end(),
                            [](const supply::TraceEvent& e) { return e.text.starts_with("ended: boot loop"); }));
    const auto loaded = load_trace(files::posix(), folder_ + "/" + name, {});
    ASSERT_TRUE(loaded);
    EXPECT_EQ(supply::diagnose(loaded->features, loaded->header, {}, nullptr, nullptr).front().fault, supply::Fault::boot_loop);
  }
}

TEST_F(RecordSupply, BootLoopIsRecordedOnWhenAskedFor) {
  SimSession session(circuit_of(simbench::CircuitFixture::Boot::restarts, 150));
  RecordOptions wanted = options("whole.csv", 2s);
  wanted.end_at_boot_loop = false;
  const auto recorded = record(session, wanted);
  ASSERT_TRUE(recorded) << recorded.error().text();
  EXPECT_FALSE(recorded->boot_loop);
  supply::TraceHeader header;
  EXPECT_GT(samples_of(text_of("whole.csv"), header).back().time_s, 1.5);
}

TEST_F(RecordSupply, HealthyStickIsRecordedToTheEnd) {
  SimSession session(circuit_of(simbench::CircuitFixture::Boot::whole, 250));
  const auto recorded = record(session, options("whole.csv", 2s));
  ASSERT_TRUE(recorded) << recorded.error().text();
  EXPECT_FALSE(recorded->boot_loop);
  for (const supply::TraceEvent& event : recorded->events) EXPECT_NE(event.text, "enumeration") << "its data lines are open";
}

// A trace of tests/data/current with a host on the data lines: the chirp of high speed is told as an event.
TEST_F(RecordSupply, EnumerationIsAnEvent) {
  const auto loaded = load_trace(files::posix(), std::string(STEADYCELL_TEST_DATA) + "/current/s031.csv.gz", {});
  ASSERT_TRUE(loaded && loaded->features.chirp_s);
  simbench::Fixture fixture;
  fixture.patient.emplace();
  auto trace = simbench::read_trace(std::string(STEADYCELL_TEST_DATA) + "/current/s031.csv.gz");
  ASSERT_TRUE(trace) << trace.error().text();
  fixture.patient->trace = std::move(*trace);
  SimSession session(std::move(fixture));
  RecordOptions wanted = options("host.csv", 1s);
  wanted.limit_mA = 500;
  const auto recorded = record(session, wanted);
  ASSERT_TRUE(recorded) << recorded.error().text();
  supply::TraceHeader header;
  (void)samples_of(text_of("host.csv"), header);
  ASSERT_TRUE(header.t_on_s);
  const auto found =
      std::find_if(header.events.begin(), header.events.end(), [](const supply::TraceEvent& e) { return e.text == "enumeration"; });
  ASSERT_NE(found, header.events.end());
  EXPECT_NEAR(found->time_s - *header.t_on_s, *loaded->features.chirp_s, 5e-3);
}

TEST_F(RecordSupply, StopKeepsTheTraceAndPowersDown) {
  SimSession session(load_of(100));
  std::atomic<bool> stop{false};
  RecordOptions wanted = options("stopped.csv.gz", 20s);
  wanted.stop = &stop;
  const auto recorded = record(
      session, wanted, [&] { stop = true; }, 300ms);
  ASSERT_FALSE(recorded);
  EXPECT_EQ(recorded.error().code(), ErrorCode::interrupted);
  EXPECT_FALSE(recorded.error().kept().empty());
  const auto loaded = load_trace(files::posix(), wanted.path, {});
  ASSERT_TRUE(loaded) << loaded.error().text();
  EXPECT_GT(loaded->samples, 1000u);
  EXPECT_LT(loaded->samples, 150'000u) << "of 200 000: it ended early";
  EXPECT_FALSE(loaded->header.broke_off_s) << "it was ended, not broken off";
  EXPECT_TRUE(std::any_of(loaded->header.events.begin(), loaded->header.events.end(),
                          [](const supply::TraceEvent& event) { return event.text == "ended: stopped by the user"; }));
  EXPECT_EQ(session.board().port_mv(), 0u);
}

TEST_F(RecordSupply, BoardGoneKeepsWhatCame) {
  SimSession session(load_of(100));
  const auto recorded = record(
      session, options("gone.csv.gz", 20s), [&] { session.board().faults().close_link = true; }, 300ms);
  ASSERT_FALSE(recorded);
  EXPECT_EQ(recorded.error().code(), ErrorCode::link_lost);
  const auto loaded = load_trace(files::posix(), folder_ + "/gone.csv.gz", {});
  ASSERT_TRUE(loaded) << loaded.error().text();
  EXPECT_GT(loaded->samples, 1000u);
}

TEST_F(RecordSupply, ExistingFileIsNeverTouchedAndNothingIsPowered) {
  std::ofstream(folder_ + "/there.csv") << "mine";
  SimSession session(load_of(100));
  const auto recorded = record(session, options("there.csv"));
  ASSERT_FALSE(recorded);
  EXPECT_EQ(recorded.error().code(), ErrorCode::already_exists);
  EXPECT_EQ(text_of("there.csv"), "mine");
  RecordOptions second = options("new.csv");
  second.burst_path = folder_ + "/there.csv";
  session.reconnect();
  ASSERT_FALSE(record(session, second));
  EXPECT_FALSE(exists("new.csv"));
  EXPECT_EQ(text_of("there.csv"), "mine");
}

TEST_F(RecordSupply, NothingPoweredLeavesNoFile) {
  SimSession session(load_of(100));
  std::atomic<bool> stop{false};
  RecordOptions wanted = options("none.csv");
  wanted.stop = &stop;
  wanted.before = 300ms;
  const auto recorded = record(
      session, wanted, [&] { stop = true; }, 100ms);
  ASSERT_FALSE(recorded);
  EXPECT_FALSE(exists("none.csv")) << "the same command may be given again";
}

}  // namespace
}  // namespace steadycell::measure
