// The simulated board does its duties; a board with one fault fails the line of that duty. Limits:
// firmware_protocol/PROTOCOL.md.
#include "conform/conform.h"

#include <algorithm>

#include "board/bench.h"

namespace steadycell::conform {
namespace {

using board::testing::numbered_chip;
using board::testing::run;
using simbench::Faults;
using simbench::OutgoingFrame;
using simbench::SimSession;
using Outcome = Finding::Outcome;

simbench::Fixture empty_socket() {
  simbench::Fixture fixture;
  fixture.board.uuid.fill(0x11);
  return fixture;
}
simbench::Fixture awake_chip() {  // answers at 1.8 V
  simbench::Fixture fixture = numbered_chip();
  fixture.board.uuid.fill(0x22);
  fixture.chip->supply_mv = 1800;
  return fixture;
}

Result<Report> tried(SimSession& session, Options options) {
  std::optional<Result<Report>> out;
  run([&]() -> asio::awaitable<void> {
    const auto executor = co_await asio::this_coro::executor;
    out.emplace(co_await conform(link::adopt_socket(executor, session.take_host_fd(), "bench"), options));
  });
  return std::move(*out);
}

// What came of one duty; `prepare` switches the fault on.
Finding outcome(const std::string& duty, simbench::Fixture fixture, const std::function<void(Faults&)>& prepare,
                Options options = {}) {
  SimSession session(std::move(fixture));
  if (prepare) prepare(session.board().faults());
  options.only = duty;
  const auto report = tried(session, options);
  if (!report) {
    ADD_FAILURE() << report.error().text();
    return {};
  }
  for (const Finding& finding : report->findings)
    if (finding.duty == duty) return finding;
  ADD_FAILURE() << duty << " is not in the report";
  return {};
}

// The duty passes on the board as it is and fails with the fault.
void expect_line(const std::string& duty, const simbench::Fixture& fixture,
                 const std::function<void(Faults&)>& fault, const Options& options = {}) {
  const Finding good = outcome(duty, fixture, {}, options);
  EXPECT_EQ(good.outcome, Outcome::passed) << duty << ": " << good.text;
  const Finding bad = outcome(duty, fixture, fault, options);
  EXPECT_EQ(bad.outcome, Outcome::failed) << duty << ": " << bad.text;
  EXPECT_FALSE(bad.asks.empty());
}
void expect_line(const std::string& duty, const simbench::Fixture& fixture,
                 std::function<void(OutgoingFrame&)> change, const Options& options = {}) {
  expect_line(duty, fixture, std::function<void(Faults&)>([&](Faults& faults) { faults.on_frame(change); }),
              options);
}

// Changes bytes of every frame of this type.
std::function<void(OutgoingFrame&)> always(std::uint16_t type, std::size_t offset, Bytes value) {
  return [=](OutgoingFrame& frame) {
    if (frame.header.type != type || frame.header.length < offset + value.size()) return;
    std::copy(value.begin(), value.end(),
              frame.bytes.begin() + static_cast<std::ptrdiff_t>(SCP_HEADER_BYTES + offset));
    scp_put_trailer(frame.bytes.data() + SCP_HEADER_BYTES + frame.header.length,
                    frame.bytes.data() + SCP_HEADER_BYTES, frame.header.length);
  };
}
std::function<void(OutgoingFrame&)> never(std::uint16_t type) {
  return [=](OutgoingFrame& frame) {
    if (frame.header.type == type) frame.bytes.clear();
  };
}

constexpr std::uint16_t answer(scp_type type) {
  return static_cast<std::uint16_t>(type | SCP_ANSWER);
}

TEST(Conform, EveryDutyHasALineAndNoneFailsOnTheSimulatedBoard) {
  SimSession session(awake_chip());
  const auto report = tried(session, {});
  ASSERT_TRUE(report) << report.error().text();
  EXPECT_TRUE(report->chip_answers);
  std::vector<std::string> names;
  for (const Finding& finding : report->findings) {
    names.push_back(finding.duty);
    EXPECT_NE(finding.outcome, Outcome::failed) << finding.duty << ": " << finding.text;
    EXPECT_TRUE(finding.outcome == Outcome::passed || finding.duty == "socket_3v3" || finding.duty == "lid")
        << finding.duty << ": " << finding.text;
  }
  EXPECT_EQ(names, duty_names());
  EXPECT_TRUE(report->passed());
  EXPECT_EQ(session.board().socket_mv(), 0u);
  EXPECT_EQ(session.board().port_mv(), 0u);
  // What was offered and refused never reached the chip; nothing else did harm either.
  EXPECT_TRUE(session.board().violations().empty());
}

TEST(Conform, UnknownDutyIsWrongUsage) {
  SimSession session(empty_socket());
  Options options;
  options.only = "nonsense";
  const auto report = tried(session, options);
  ASSERT_FALSE(report);
  EXPECT_EQ(report.error().code(), ErrorCode::wrong_usage);
}

TEST(Conform, DeafBoardIsAnError) {
  SimSession session(empty_socket());
  session.board().faults().deaf = true;
  const auto report = tried(session, {});
  ASSERT_FALSE(report);
  EXPECT_EQ(report.error().code(), ErrorCode::board_timeout);
}

TEST(Conform, StopLeavesTheRailsOff) {
  SimSession session(empty_socket());
  std::atomic<bool> stop{false};
  Options options;
  options.stop = &stop;
  options.progress = [&](std::string_view duty, std::size_t, std::size_t) { stop = duty == "heartbeat_keeps"; };
  const auto report = tried(session, options);
  ASSERT_FALSE(report);
  EXPECT_EQ(report.error().code(), ErrorCode::interrupted);
}

TEST(ConformFaults, GreetingWithoutUuid) {
  expect_line("greeting", empty_socket(), always(answer(SCP_HELLO), 4 + 4, Bytes(16)));
}
TEST(ConformFaults, OtherVersionAccepted) {
  expect_line("other_versions", empty_socket(), always(answer(SCP_BOARD_STATE), 0, Bytes(2)));
}
TEST(ConformFaults, DamageNotCounted) {
  expect_line("damage", empty_socket(), always(answer(SCP_BOARD_STATE), 4 + 20, Bytes(4)));
}
TEST(ConformFaults, RequestActsTwice) {
  expect_line("repeated_request", empty_socket(), [](OutgoingFrame& frame) {
    if (frame.header.type != answer(SCP_BOARD_STATE)) return;
    const Bytes once = frame.bytes;
    frame.bytes.insert(frame.bytes.end(), once.begin(), once.end());
  });
}
TEST(ConformFaults, UnknownTypeAccepted) {
  expect_line("malformed_requests", empty_socket(), always(0x8777, 0, Bytes(2)));
}
TEST(ConformFaults, AbortWithAnotherNonce) {
  expect_line("abort_nonce", empty_socket(), always(answer(SCP_ABORT), 4, Bytes(8)));
}

// A filter that lets everything pass, as far as a host can see.
TEST(ConformFaults, FilterRefusesNothing) {
  const auto accepts = always(answer(SCP_PROGRAM_LOAD), 0, Bytes(4));
  expect_line("refuses_program_erase", empty_socket(), accepts);
  expect_line("refuses_sequences", empty_socket(), accepts);
  expect_line("refuses_malformed", empty_socket(), accepts);
}
TEST(ConformFaults, RefusalsNotCounted) {
  expect_line("refuses_program_erase", empty_socket(), always(answer(SCP_BOARD_STATE), 4 + 28, Bytes(4)));
}
TEST(ConformFaults, RunWithoutAProgram) {
  expect_line("empty_slots", empty_socket(), always(answer(SCP_PROGRAM_RUN), 0, Bytes(4)));
}

TEST(ConformFaults, WpHigh) {
  expect_line("wp_low", empty_socket(), [](Faults& faults) { faults.wp_high = true; });
}
TEST(ConformFaults, RailTooLow) {
  simbench::Fixture weak = empty_socket();
  weak.board.rail_mv = 1650;
  EXPECT_EQ(outcome("socket_1v8", weak, {}).outcome, Outcome::failed);
}
TEST(ConformFaults, BleedStuck) {
  expect_line("socket_bleeds", empty_socket(), always(answer(SCP_SOCKET_OFF), 4, Bytes{0x90, 0x01}));
}
TEST(ConformFaults, AnyVoltageGiven) {
  expect_line("socket_guards", empty_socket(), always(answer(SCP_SOCKET_ON), 0, Bytes(4)));
}
TEST(ConformFaults, PagesBeforeTrust) {
  expect_line("socket_locked", empty_socket(), always(answer(SCP_PROGRAM_RUN), 0, Bytes(4)));
}
TEST(ConformFaults, WordNotCounted) {
  Options options;
  options.socket_3v3 = true;
  expect_line("socket_3v3", empty_socket(), always(answer(SCP_BOARD_STATE), 4 + 16, Bytes(4)), options);
}
TEST(ConformFaults, SilentHostKeepsTheRail) {
  const auto stands = [](std::size_t flag) {
    const auto on = always(answer(SCP_BOARD_STATE), 4 + flag, Bytes{1});
    return [on](OutgoingFrame& frame) {
      on(frame);
      if (frame.header.type == SCP_EVENT) frame.bytes.clear();
    };
  };
  constexpr std::size_t kSocketOn = 8, kPortOn = 9;
  expect_line("heartbeat_cut", empty_socket(), stands(kSocketOn));
  expect_line("port_heartbeat_cut", empty_socket(), stands(kPortOn));
  expect_line("hung_host", empty_socket(), stands(kSocketOn));
}
TEST(ConformFaults, RailCutWithoutAWord) {
  expect_line("heartbeat_cut", empty_socket(), never(SCP_EVENT));
}
TEST(ConformFaults, CurrentOnALiveRail) {
  expect_line("contacts_guarded", empty_socket(), always(answer(SCP_CONTACT_MEASURE), 0, Bytes(4)));
}

TEST(Conform, LidOpenedWhenToldPassesAndASilentCutFails) {
  for (const bool told : {true, false}) {
    SimSession session(empty_socket());
    Options options;
    options.only = "lid";
    options.lid_seconds = 5;
    options.note = [&](std::string_view) { session.board().faults().lid_open = true; };
    if (!told) session.board().faults().on_frame(never(SCP_EVENT));
    const auto report = tried(session, options);
    ASSERT_TRUE(report) << report.error().text();
    EXPECT_EQ(report->findings.front().outcome, told ? Outcome::passed : Outcome::failed)
        << report->findings.front().text;
  }
}

TEST(ConformFaults, PassNotEchoed) {
  expect_line("page_echo", empty_socket(), always(SCP_PAGE_DATA, 4, Bytes(4)));
}
TEST(ConformFaults, PageLostTwiceOrOvertaken) {
  expect_line("page_order", empty_socket(), simbench::drop_frame(SCP_PAGE_DATA, 40));
  EXPECT_EQ(outcome("page_order", empty_socket(),
                    [](Faults& f) { f.on_frame(simbench::repeat_frame(SCP_PAGE_DATA, 40)); })
                .outcome,
            Outcome::failed);
  EXPECT_EQ(outcome("page_order", empty_socket(),
                    [](Faults& f) { f.on_frame(simbench::swap_frames(SCP_PAGE_DATA, 40)); })
                .outcome,
            Outcome::failed);
}
TEST(ConformFaults, PageLostWithThePipeFull) {
  expect_line("full_pipe", empty_socket(), simbench::drop_frame(SCP_PAGE_DATA, 900));
}
TEST(ConformFaults, EndlessQueue) {
  expect_line("run_queue", empty_socket(), always(answer(SCP_PROGRAM_RUN), 0, Bytes(4)));
}
TEST(ConformFaults, RunGoesOnBehindTheNonce) {
  // An abort that is answered, with the pages of before behind its answer.
  const auto late = std::make_shared<Bytes>();
  const auto keep = [late](OutgoingFrame& frame) {
    if (frame.header.type == SCP_PAGE_DATA) *late = frame.bytes;
    if (frame.header.type == answer(SCP_ABORT)) frame.bytes.insert(frame.bytes.end(), late->begin(), late->end());
  };
  expect_line("abort_open", empty_socket(), keep);
  late->clear();
  expect_line("abort_deaf", empty_socket(), keep);
}
TEST(ConformFaults, LostRailNotTold) {
  expect_line("rail_lost", empty_socket(), always(SCP_RUN_END, 0, Bytes(2)));
}

TEST(ConformFaults, ReadyPinStuck) {
  expect_line("ready_pin", empty_socket(),
              [](Faults& faults) { faults.ready_pin = Faults::ReadyPin::stuck_busy; });
  expect_line("ready_pin", awake_chip(), [](Faults& faults) { faults.ready_pin = Faults::ReadyPin::stuck_ready; });
}
TEST(ConformFaults, StatusNeverReady) {
  expect_line("status_poll", awake_chip(), always(SCP_PAGE_DATA, 1, Bytes{SCP_PAGE_READY_TIMEOUT}));
}
TEST(ConformFaults, IdChanges) {
  expect_line("same_id", awake_chip(), [](Faults& faults) { faults.id_changes = true; });
}

TEST(ConformFaults, PortDoesNotRise) {
  expect_line("port_ramps", empty_socket(), [](Faults& faults) { faults.port_over_current = true; });
}
TEST(ConformFaults, PortAtTheWrongVoltage) {
  expect_line("port_ramps", empty_socket(), always(answer(SCP_PORT_ON), 4, Bytes{0x00, 0x17}));
}
TEST(ConformFaults, PortNotBled) {
  expect_line("port_bleeds", empty_socket(), always(answer(SCP_PORT_OFF), 4, Bytes{0x00, 0x02}));
}
TEST(ConformFaults, PortTakesAnything) {
  expect_line("port_guards", empty_socket(), always(answer(SCP_PORT_ON), 0, Bytes(4)));
}
TEST(ConformFaults, KeptPortCut) {
  expect_line("port_keeps", empty_socket(), always(answer(SCP_BOARD_STATE), 4 + 9, Bytes{0}));
}
TEST(ConformFaults, LinesMeasuredLive) {
  expect_line("port_measures", empty_socket(), always(answer(SCP_PORT_MEASURE), 0, Bytes(4)));
}

TEST(ConformFaults, SamplesLostInSilence) {
  expect_line("sample_rate", empty_socket(), simbench::drop_frame(SCP_SAMPLES, 20));
}
TEST(ConformFaults, BurstMissesTheSwitchOn) {
  expect_line("sample_burst", empty_socket(), [](OutgoingFrame& frame) {
    if (frame.header.type == SCP_SAMPLES && frame.bytes[SCP_HEADER_BYTES + 1] == 1) frame.bytes.clear();
  });
}
TEST(ConformFaults, DropsNotCounted) {
  expect_line("sample_gap", empty_socket(), always(SCP_SAMPLES, 16, Bytes(4)));
}
TEST(ConformFaults, TwoStreams) {
  expect_line("sample_guards", empty_socket(), always(answer(SCP_SUPPLY_START), 0, Bytes(4)));
}

TEST(ConformFaults, FirmwareRestarts) {
  SimSession session(empty_socket());
  Options options;
  options.only = "heartbeat_keeps";
  options.progress = [&](std::string_view, std::size_t, std::size_t) { session.board().faults().reboot = true; };
  const auto report = tried(session, options);
  ASSERT_TRUE(report) << report.error().text();
  EXPECT_EQ(report->findings.back().duty, "steady");
  EXPECT_EQ(report->findings.back().outcome, Outcome::failed) << report->findings.back().text;
}
TEST(ConformFaults, DamagedFrames) {
  SimSession session(empty_socket());
  session.board().faults().on_frame(simbench::flip_bit(answer(SCP_BOARD_STATE), 1, 300));
  Options options;
  options.only = "damage";
  const auto report = tried(session, options);
  ASSERT_TRUE(report) << report.error().text();
  EXPECT_EQ(report->findings.back().outcome, Outcome::failed) << report->findings.back().text;
}

}  // namespace
}  // namespace steadycell::conform
