#include <gtest/gtest.h>

#include "firmware_protocol/bench.h"

using frames::Bytes;
using frames::Writer;

namespace {

const Bytes kId{0xEC, 0xDC, 0x10, 0x95, 0x54};

unsigned mv_of(const Bench::Answer& a) { return a.rest.size() == 2 ? scp_get_u16(a.rest.data()) : 99999; }

void read_id(Bench& b) {
  ASSERT_EQ(b.ask(SCP_PROGRAM_LOAD, Bench::load(0, Program().command(0xFF).wait().command(0x90).address(0).read(5))).status, SCP_OK);
  ASSERT_EQ(b.ask(SCP_PROGRAM_RUN, Bench::run(0)).status, SCP_OK);
  b.run_for(kMs);
}

// A host that beats every 100 ms.
void beat_for(Bench& b, std::uint64_t ns) {
  for (std::uint64_t t = 0; t < ns; t += 100 * kMs) {
    b.send(SCP_HEARTBEAT);
    b.run_for(100 * kMs);
  }
}

}  // namespace

TEST(SocketRail, IsDrivenOffAtStart) {
  Bench b;
  EXPECT_EQ(b.hal.socket_set, 0);
  EXPECT_EQ(b.hal.port_set, 0);
  EXPECT_EQ(b.hal.selected, -1);
}

TEST(SocketRail, TakesOnly1800ForAProbe) {
  Bench b;
  b.hello();
  EXPECT_EQ(b.ask(SCP_SOCKET_ON, Bench::socket_on(3300, SCP_GROUND_PROBE)).status, SCP_REFUSED_RAIL);
  EXPECT_EQ(b.hal.socket_set, 0);
  const auto answer = b.ask(SCP_SOCKET_ON, Bench::socket_on(1800, SCP_GROUND_PROBE));
  EXPECT_EQ(answer.status, SCP_OK);
  EXPECT_EQ(mv_of(answer), 1800u);
  EXPECT_TRUE(b.event(SCP_EVENT_SOCKET_ON));
}

TEST(SocketRail, Gives3300OnlyForTheAnswerThatTheBoardItselfSawAt1800) {
  Bench b;
  b.hello();
  EXPECT_EQ(b.ask(SCP_SOCKET_ON, Bench::socket_on(3300, SCP_GROUND_CHIP_ANSWER, kId)).status, SCP_REFUSED_RAIL);
  b.power_1v8();
  read_id(b);
  ASSERT_EQ(b.ask(SCP_SOCKET_OFF).status, SCP_OK);
  EXPECT_EQ(b.ask(SCP_SOCKET_ON, Bench::socket_on(3300, SCP_GROUND_CHIP_ANSWER, {0xEC, 0xDA})).status, SCP_REFUSED_RAIL);
  EXPECT_EQ(b.ask(SCP_SOCKET_ON, Bench::socket_on(3300, SCP_GROUND_CHIP_ANSWER, {0xEC})).status, SCP_REFUSED_RAIL);
  EXPECT_EQ(b.ask(SCP_SOCKET_ON, Bench::socket_on(3300, SCP_GROUND_CHIP_ANSWER)).status, SCP_REFUSED_RAIL);
  EXPECT_EQ(b.hal.socket_set, 0);
  EXPECT_EQ(b.ask(SCP_SOCKET_ON, Bench::socket_on(3300, SCP_GROUND_CHIP_ANSWER, kId)).status, SCP_OK);
  EXPECT_EQ(b.hal.socket_set, 3300);
}

TEST(SocketRail, TakesNoSilentBusForAnAnswer) {
  for (const std::uint8_t level : Bytes{0xFF, 0x00}) {
    Bench b;
    b.hello();
    b.hal.id = Bytes(5, level);
    b.power_1v8();
    read_id(b);
    ASSERT_EQ(b.ask(SCP_SOCKET_OFF).status, SCP_OK);
    EXPECT_EQ(b.ask(SCP_SOCKET_ON, Bench::socket_on(3300, SCP_GROUND_CHIP_ANSWER, Bytes(5, level))).status, SCP_REFUSED_RAIL);
  }
}

TEST(SocketRail, ForgetsTheAnswerWithTheNextHelloAndWithTheLid) {
  for (const bool by_lid : {false, true}) {
    Bench b;
    b.hello();
    b.power_1v8();
    read_id(b);
    ASSERT_EQ(b.ask(SCP_SOCKET_OFF).status, SCP_OK);
    if (by_lid) {
      b.hal.lid_open = true;
      b.run_for(10 * kMs);
      b.hal.lid_open = false;
    } else {
      b.hello();
    }
    EXPECT_EQ(b.ask(SCP_SOCKET_ON, Bench::socket_on(3300, SCP_GROUND_CHIP_ANSWER, kId)).status, SCP_REFUSED_RAIL);
  }
}

TEST(SocketRail, CountsTheUsersWords) {
  Bench b;
  b.hello();
  b.power_3v3();
  ASSERT_EQ(b.ask(SCP_SOCKET_OFF).status, SCP_OK);
  b.power_3v3();
  const auto answer = b.ask(SCP_BOARD_STATE);
  scp_board_state state{};
  ASSERT_EQ(answer.rest.size(), std::size_t{SCP_BOARD_STATE_BYTES});
  scp_get_board_state(answer.rest.data(), &state);
  EXPECT_EQ(state.consents, 2u);
  EXPECT_EQ(state.socket_on, 1);
  EXPECT_EQ(state.socket_mv, 3300);
}

TEST(SocketRail, RefusesWhatItCannotMean) {
  Bench b;
  b.hello();
  const auto refused = [&](const Bytes& payload, unsigned at) {
    const auto answer = b.ask(SCP_SOCKET_ON, payload);
    EXPECT_EQ(answer.status, SCP_BAD_REQUEST);
    EXPECT_EQ(answer.detail, at);
    EXPECT_EQ(b.hal.socket_set, 0);
  };
  refused(Bench::socket_on(2500, SCP_GROUND_USER_WORD), 0);
  refused(Bench::socket_on(5000, SCP_GROUND_USER_WORD), 0);
  refused(Bench::socket_on(1800, SCP_GROUND_PROBE, {}, 0), 2);
  refused(Bench::socket_on(1800, SCP_GROUND_PROBE, {}, 501), 2);
  refused(Writer().u16(1800).u16(50).u8(3).u8(0).u8(0).bytes, 4);
  refused(Writer().u16(1800).u16(50).u8(0).u8(0).u8(4).u8(1).bytes, 6);
  refused(Writer().u16(1800).bytes, 2);
}

TEST(SocketRail, At1800RunsOnlyIdentificationUntilTrusted) {
  Bench b;
  b.hello();
  b.power_1v8();
  const auto runs = [&](const Bytes& program) {
    EXPECT_EQ(b.ask(SCP_PROGRAM_LOAD, Bench::load(1, program)).status, SCP_OK);
    return b.ask(SCP_PROGRAM_RUN, Bench::run(1)).status;
  };
  EXPECT_EQ(runs(Program().page().read(16)), SCP_REFUSED_RAIL);
  EXPECT_EQ(runs(Program().command(0xED).address(0).wait().read(16)), SCP_REFUSED_RAIL);
  EXPECT_EQ(runs(Program().command(0xEE).address(1).wait().read(4)), SCP_REFUSED_RAIL);
  EXPECT_EQ(runs(Program().command(0x78).row().read(1)), SCP_REFUSED_RAIL);
  EXPECT_EQ(b.hal.cycles, 0u);
  EXPECT_EQ(runs(Program().command(0xFF).wait()), SCP_OK);
  EXPECT_EQ(runs(Program().command(0xEC).address(0).wait().read(256)), SCP_OK);
  EXPECT_EQ(runs(Program().command(0x70).read(1)), SCP_OK);
  EXPECT_EQ(b.ask(SCP_SOCKET_TRUST, Writer().u8(5).raw(kId).bytes).status, SCP_REFUSED_RAIL);  // no ID seen yet
  read_id(b);
  EXPECT_EQ(b.ask(SCP_SOCKET_TRUST, Writer().u8(2).u8(0xEC).u8(0xDD).bytes).status, SCP_REFUSED_RAIL);
  EXPECT_EQ(b.ask(SCP_SOCKET_TRUST, Writer().u8(5).raw(kId).bytes).status, SCP_OK);
  EXPECT_EQ(runs(Program().page().read(16)), SCP_OK);
  // Trust ends with the power-up.
  ASSERT_EQ(b.ask(SCP_SOCKET_OFF).status, SCP_OK);
  b.power_1v8();
  EXPECT_EQ(runs(Program().page().read(16)), SCP_REFUSED_RAIL);
}

TEST(SocketRail, RunsNothingWhileOff) {
  Bench b;
  b.hello();
  ASSERT_EQ(b.ask(SCP_PROGRAM_LOAD, Bench::load(0, Program().command(0xFF))).status, SCP_OK);
  EXPECT_EQ(b.ask(SCP_PROGRAM_RUN, Bench::run(0)).status, SCP_REFUSED_RAIL);
  EXPECT_EQ(b.hal.cycles, 0u);
}

TEST(SocketRail, StaysOffWhileTheLidIsOpenAndIsCutWhenItOpens) {
  Bench b;
  b.hello();
  b.hal.lid_open = true;
  EXPECT_EQ(b.ask(SCP_SOCKET_ON, Bench::socket_on(1800, SCP_GROUND_PROBE)).status, SCP_LID_OPEN);
  EXPECT_EQ(b.hal.socket_set, 0);
  b.hal.lid_open = false;
  b.power_1v8();
  b.hal.lid_open = true;
  b.run_for(2 * kMs);
  EXPECT_EQ(b.hal.socket_set, 0);
  EXPECT_TRUE(b.event(SCP_EVENT_LID_OPENED));
  EXPECT_TRUE(b.event(SCP_EVENT_SOCKET_OFF));
  EXPECT_FALSE(b.hal.socket_ever_on_with_lid_open);
}

TEST(SocketRail, IsCutWhenTheLidOpensWhileItRises) {
  Bench b;
  b.hello();
  const auto id = b.send(SCP_SOCKET_ON, Bench::socket_on(1800, SCP_GROUND_PROBE));
  b.hal.socket_mv_override = 900;
  b.run_for(2 * kMs);
  b.hal.lid_open = true;
  b.hal.socket_mv_override = -1;
  b.run_for(2 * kMs);
  EXPECT_EQ(b.hal.socket_set, 0);
  EXPECT_EQ(b.read(id).status, SCP_LID_OPEN);
}

TEST(SocketRail, FailsWhenItDoesNotRiseOrRisesTooFar) {
  for (const int seen : {1500, 2100}) {
    Bench b;
    b.hello();
    const auto id = b.send(SCP_SOCKET_ON, Bench::socket_on(1800, SCP_GROUND_PROBE));
    b.hal.socket_mv_override = seen;
    b.run_for(25 * kMs);
    EXPECT_EQ(b.read(id).status, SCP_RAIL_FAILED);
    EXPECT_EQ(b.read(id).detail, static_cast<unsigned>(seen));
    EXPECT_EQ(b.hal.socket_set, 0);
  }
}

TEST(SocketRail, TellsAnOverload) {
  Bench b;
  b.hello();
  const auto id = b.send(SCP_SOCKET_ON, Bench::socket_on(1800, SCP_GROUND_PROBE, {}, 60));
  b.hal.socket_mv_override = 40;
  b.hal.socket_ma = 61;
  b.run_for(25 * kMs);
  EXPECT_EQ(b.read(id).status, SCP_CURRENT_LIMIT);
  EXPECT_EQ(b.read(id).detail, 61u);
  EXPECT_EQ(b.hal.socket_set, 0);
  EXPECT_TRUE(b.event(SCP_EVENT_SOCKET_TRIP));
}

TEST(SocketRail, IsCutAndToldWhenItCollapsesLater) {
  Bench b;
  b.hello();
  b.power_3v3();
  b.hal.socket_mv_override = 1000;
  b.run_for(2 * kMs);
  EXPECT_EQ(b.hal.socket_set, 0);
  EXPECT_TRUE(b.event(SCP_EVENT_SOCKET_TRIP));
}

TEST(SocketRail, WaitsForTheBleedAndSaysWhenItFails) {
  Bench b;
  b.hello();
  b.power_3v3();
  b.hal.socket_rest_mv = 300;
  const auto slow = b.send(SCP_SOCKET_OFF);
  b.run_for(1000 * kMs);
  EXPECT_EQ(b.hal.socket_set, 0);  // off at once, only the answer waits
  EXPECT_EQ(b.answer_to(slow), nullptr);
  b.hal.socket_rest_mv = 99;
  b.run_for(2 * kMs);
  EXPECT_EQ(b.read(slow).status, SCP_OK);
  EXPECT_EQ(mv_of(b.read(slow)), 99u);

  b.power_3v3();
  b.hal.socket_rest_mv = 100;
  const auto stuck = b.send(SCP_SOCKET_OFF);
  b.run_for(1990 * kMs);
  EXPECT_EQ(b.answer_to(stuck), nullptr);
  b.run_for(20 * kMs);
  EXPECT_EQ(b.read(stuck).status, SCP_BLEED_FAILED);
  EXPECT_EQ(b.read(stuck).detail, 100u);
  // Not bled: no power, no contact measurement.
  EXPECT_EQ(b.ask(SCP_SOCKET_ON, Bench::socket_on(1800, SCP_GROUND_PROBE)).status, SCP_REFUSED_RAIL);
  EXPECT_EQ(b.ask(SCP_CONTACT_MEASURE, {1, 1}).status, SCP_REFUSED_RAIL);
}

TEST(SocketRail, SwitchesOffWhileItRises) {
  Bench b;
  b.hello();
  const auto on = b.send(SCP_SOCKET_ON, Bench::socket_on(1800, SCP_GROUND_PROBE));
  b.hal.socket_mv_override = 900;
  b.run_for(2 * kMs);
  b.hal.socket_mv_override = -1;
  EXPECT_EQ(b.ask(SCP_SOCKET_OFF).status, SCP_OK);
  EXPECT_EQ(b.hal.socket_set, 0);
  EXPECT_EQ(b.read(on).status, SCP_ABORTED);
}

TEST(Heartbeat, CutsTheSocketAfter500MsOfSilenceAndNotBefore) {
  Bench b;
  b.hello();
  b.power_3v3();
  b.send(SCP_HEARTBEAT);
  b.run_for(499 * kMs);
  EXPECT_EQ(b.hal.socket_set, 3300);
  b.run_for(2 * kMs);
  EXPECT_EQ(b.hal.socket_set, 0);
  EXPECT_TRUE(b.event(SCP_EVENT_HEARTBEAT_CUT));
}

TEST(Heartbeat, AnyGoodFrameCountsAndNoBadOne) {
  Bench b;
  b.hello();
  b.power_3v3();
  b.ask(SCP_BOARD_STATE);
  b.run_for(400 * kMs);
  b.ask(SCP_BOARD_STATE);
  b.run_for(400 * kMs);
  EXPECT_EQ(b.hal.socket_set, 3300);
  Bytes damaged = frames::encode(SCP_CHANNEL_COMMAND, SCP_HEARTBEAT, 1000, 1000, {});
  damaged.back() ^= 1;
  b.receive(damaged);
  b.run_for(101 * kMs);
  EXPECT_EQ(b.hal.socket_set, 0);
}

TEST(Heartbeat, CutsThePortUnlessItIsToBeKept) {
  for (const bool keep : {false, true}) {
    Bench b;
    b.hello();
    ASSERT_EQ(b.ask(SCP_PORT_ON, port_on(keep ? 2 : 0)).status, SCP_OK);
    b.run_for(600 * kMs);
    EXPECT_EQ(b.hal.port_set, keep ? 5000 : 0);
    EXPECT_EQ(b.event(SCP_EVENT_HEARTBEAT_CUT), !keep);
  }
}

TEST(Heartbeat, EndsTheRunThatLostItsRail) {
  Bench b(kSmallArena);
  b.hello();
  b.power_3v3();
  ASSERT_EQ(b.ask(SCP_PROGRAM_LOAD, Bench::load(0, Program().page().read(2112))).status, SCP_OK);
  b.hal.pipe_room = 0;  // the host hangs
  b.send(SCP_PROGRAM_RUN, Bench::run(0, 1000));
  b.run_for(510 * kMs);
  EXPECT_EQ(b.hal.socket_set, 0);
  b.hal.pipe_room = SIZE_MAX;
  b.run_for(10 * kMs);
  const auto ends = b.of(SCP_RUN_END);
  ASSERT_EQ(ends.size(), 1u);
  EXPECT_EQ(scp_get_u16(ends[0].payload.data()), SCP_RAIL_LOST);
  EXPECT_LT(scp_get_u32(ends[0].payload.data() + 4), 1000u);
}

TEST(PortRail, AnswersAtTheEndOfItsRampWithDataLinesOpen) {
  Bench b;
  b.hello();
  const auto id = b.send(SCP_PORT_ON, port_on());
  b.run_for(9 * kMs);
  EXPECT_EQ(b.answer_to(id), nullptr);
  b.run_for(5 * kMs);
  EXPECT_EQ(b.read(id).status, SCP_OK);
  EXPECT_EQ(mv_of(b.read(id)), 5000u);
  EXPECT_FALSE(b.hal.data_lines);
  EXPECT_EQ(b.hal.port_limit, 500);
}

TEST(PortRail, TellsATripInTheRampAndOneLater) {
  Bench b;
  b.hello();
  const auto id = b.send(SCP_PORT_ON, port_on());
  b.hal.port_mv_override = 0;
  b.hal.port_ua = 512'000;
  b.run_for(15 * kMs);
  EXPECT_EQ(b.read(id).status, SCP_CURRENT_LIMIT);
  EXPECT_EQ(b.read(id).detail, 512u);
  EXPECT_EQ(b.hal.port_set, 0);

  b.hal.port_mv_override = -1;
  ASSERT_EQ(b.ask(SCP_PORT_ON, port_on()).status, SCP_OK);
  b.host.found.clear();
  b.hal.port_mv_override = 300;
  b.run_for(2 * kMs);
  EXPECT_TRUE(b.event(SCP_EVENT_PORT_TRIP));
  EXPECT_EQ(b.hal.port_set, 0);
}

TEST(PortRail, IsNotLeftBelow4400ForMoreThan5Ms) {
  Bench b;
  b.hello();
  ASSERT_EQ(b.ask(SCP_PORT_ON, port_on()).status, SCP_OK);
  b.hal.port_mv_override = 4399;
  b.run_for(4 * kMs);
  EXPECT_EQ(b.hal.port_set, 5000);
  b.hal.port_mv_override = 4400;  // recovers in time
  b.run_for(10 * kMs);
  EXPECT_EQ(b.hal.port_set, 5000);
  b.hal.port_mv_override = 4399;
  b.run_for(7 * kMs);
  EXPECT_EQ(b.hal.port_set, 0);
  EXPECT_TRUE(b.event(SCP_EVENT_PORT_TRIP));
}

TEST(PortRail, RefusesWhatItCannotMean) {
  Bench b;
  b.hello();
  EXPECT_EQ(b.ask(SCP_PORT_ON, Writer().u16(9000).u16(500).u16(10).u8(0).u8(0).bytes).status, SCP_BAD_REQUEST);
  EXPECT_EQ(b.ask(SCP_PORT_ON, port_on(0, 901)).detail, 2u);
  EXPECT_EQ(b.ask(SCP_PORT_ON, port_on(4)).detail, 6u);
  EXPECT_EQ(b.hal.port_set, 0);
  ASSERT_EQ(b.ask(SCP_PORT_ON, port_on()).status, SCP_OK);
  EXPECT_EQ(b.ask(SCP_PORT_ON, port_on()).status, SCP_REFUSED_RAIL);
}

std::uint64_t net_of(std::initializer_list<unsigned> positions) {
  std::uint64_t out = 0;
  for (const unsigned p : positions) out |= 1ull << (p - 1);
  return out;
}

// What each position is told to be tied to, by position.
std::array<unsigned, 49> ties_of(Bench& b) {
  std::array<unsigned, 49> out{};
  const auto answer = b.ask(SCP_CONTACT_MEASURE, {1, 48});
  EXPECT_EQ(answer.rest.size(), 2u + 48 * 5);
  for (unsigned p = 1; p <= 48; ++p) out[p] = answer.rest.data()[2 + (p - 1) * 5 + 4];
  return out;
}

// Kautz's counting sequence finds any tie of any two, neighbours or not, in ceil(log2(46 + 2)) = 6 patterns; one more for
// each position that does not read back its number names the others.
TEST(Contact, EveryTieOfTwoPositionsIsFoundAndNothingElse) {
  for (unsigned a = 1; a <= 48; ++a)
    for (unsigned c = a + 1; c <= 48; ++c) {
      const bool a_supply = a == 12 || a == 13 || a == 36 || a == 37, c_supply = c == 12 || c == 13 || c == 36 || c == 37;
      if (a_supply && c_supply) continue;
      Bench b;
      b.hello();
      // The chip ties its own supply pins together: that is no finding.
      b.hal.nets = {net_of({12, 37}), net_of({13, 36}), net_of({a, c})};
      for (std::uint64_t& net : b.hal.nets)
        if (&net != &b.hal.nets[2] && (net & b.hal.nets[2]) != 0) b.hal.nets[2] |= net, net = 0;
      const auto ties = ties_of(b);
      const auto other = [](unsigned supply) { return supply == 12 ? 37u : supply == 37 ? 12u : supply == 13 ? 36u : 13u; };
      for (unsigned p = 1; p <= 48; ++p) {
        const unsigned told = ties[p];
        if (p == a && !a_supply)
          EXPECT_TRUE(told == c || (c_supply && told == other(c))) << a << "-" << c << ": " << told;
        else if (p == c && !c_supply)
          EXPECT_TRUE(told == a || (a_supply && told == other(a))) << a << "-" << c << ": " << told;
        else if (p == a && (c == a + 1))
          EXPECT_EQ(told, c) << "the pin of a supply that lies beside";
        else if (p == c && (c == a + 1))
          EXPECT_EQ(told, a) << "the pin of a supply that lies beside";
        else if ((a_supply && (p == a || p == other(a))) || (c_supply && (p == c || p == other(c))))
          EXPECT_TRUE(told == 0 || told == a || told == c);
        else
          EXPECT_EQ(told, 0u) << a << "-" << c << " at " << p;
      }
      EXPECT_LE(b.hal.patterns, 6u + 2u);
    }
}

TEST(Contact, NetsOfSeveralAreTiedInARingAndBothSuppliesAreAllFourPins) {
  Bench b;
  b.hello();
  b.hal.nets = {net_of({1, 3, 31, 48}), net_of({2, 46}), net_of({12, 13, 36, 37})};
  const auto ties = ties_of(b);
  std::array<unsigned, 49> expected{};
  expected[1] = 3, expected[3] = 31, expected[31] = 48, expected[48] = 1;
  expected[2] = 46, expected[46] = 2;
  expected[12] = 13, expected[13] = 36, expected[36] = 37, expected[37] = 12;
  EXPECT_EQ(ties, expected);
  EXPECT_LE(b.hal.patterns, 6u + 6u);
}

TEST(Contact, WithoutTiesSixPatternsAreAllItTakes) {
  Bench b;
  b.hello();
  for (const unsigned told : ties_of(b)) EXPECT_EQ(told, 0u);
  EXPECT_EQ(b.hal.patterns, 6u);
}

TEST(Contact, MeasuresWithBothRailsOffAndBled) {
  Bench b;
  b.hello();
  b.hal.nets = {net_of({29, 30})};
  const auto answer = b.ask(SCP_CONTACT_MEASURE, {1, 49});
  ASSERT_EQ(answer.status, SCP_OK);
  ASSERT_EQ(answer.rest.size(), 2u + 49 * 5);
  const auto at = [&](unsigned position) { return answer.rest.data() + 2 + (position - 1) * 5; };
  EXPECT_EQ(static_cast<std::int16_t>(scp_get_u16(at(48))), 548);
  EXPECT_EQ(static_cast<std::int16_t>(scp_get_u16(at(48) + 2)), -548);
  EXPECT_EQ(at(29)[4], 30);
  EXPECT_EQ(at(30)[4], 29);
  EXPECT_EQ(at(31)[4], 0);

  b.power_1v8();
  EXPECT_EQ(b.ask(SCP_CONTACT_MEASURE, {1, 1}).status, SCP_REFUSED_RAIL);
  ASSERT_EQ(b.ask(SCP_SOCKET_OFF).status, SCP_OK);
  ASSERT_EQ(b.ask(SCP_PORT_ON, port_on()).status, SCP_OK);
  EXPECT_EQ(b.ask(SCP_CONTACT_MEASURE, {1, 1}).status, SCP_REFUSED_RAIL);
  EXPECT_FALSE(b.hal.contact_with_rail_on);
}

TEST(Contact, HoldsPowerOffWhileItRunsAndRefusesWrongPositions) {
  Bench b;
  b.hello();
  b.send(SCP_CONTACT_MEASURE, {1, 49});
  const auto on = b.send(SCP_SOCKET_ON, Bench::socket_on(1800, SCP_GROUND_PROBE));
  const auto port = b.send(SCP_PORT_ON, port_on());
  b.run_for(kMs);
  EXPECT_EQ(b.read(on).status, SCP_BUSY);
  EXPECT_EQ(b.read(port).status, SCP_BUSY);
  EXPECT_FALSE(b.hal.contact_with_rail_on);
  for (const Bytes& wrong : {Bytes{0, 1}, Bytes{50, 1}, Bytes{49, 2}, Bytes{1, 0}, Bytes{1, 50}})
    EXPECT_EQ(b.ask(SCP_CONTACT_MEASURE, wrong).status, SCP_BAD_REQUEST);
}

TEST(WriteProtect, HighRefusesPagesButNotIdentification) {
  Bench b;
  b.hello();
  b.power_3v3();
  b.hal.wp_high = true;
  ASSERT_EQ(b.ask(SCP_PROGRAM_LOAD, Bench::load(0, Program().page().read(16))).status, SCP_OK);
  EXPECT_EQ(b.ask(SCP_PROGRAM_RUN, Bench::run(0)).status, SCP_WP_HIGH);
  read_id(b);
  const auto pages = b.of(SCP_PAGE_DATA);
  ASSERT_EQ(pages.size(), 1u);
  EXPECT_EQ(pages[0].payload[2], 1);
  EXPECT_FALSE(b.hal.commands_seen[0x30]);
}

TEST(WriteProtect, RisingDuringARunEndsIt) {
  Bench b(kSmallArena);
  b.hello();
  b.power_3v3();
  ASSERT_EQ(b.ask(SCP_PROGRAM_LOAD, Bench::load(0, Program().page().read(2112))).status, SCP_OK);
  b.hal.pipe_room = 100;
  b.send(SCP_PROGRAM_RUN, Bench::run(0, 1000));
  b.run_for(kMs);
  b.hal.wp_high = true;
  b.hal.pipe_room = SIZE_MAX;
  b.run_for(5 * kMs);
  const auto ends = b.of(SCP_RUN_END);
  ASSERT_EQ(ends.size(), 1u);
  EXPECT_EQ(scp_get_u16(ends[0].payload.data()), SCP_WP_HIGH);
}

TEST(Rails, KeepWorkingForAHostThatBeats) {
  Bench b;
  b.hello();
  b.power_3v3();
  ASSERT_EQ(b.ask(SCP_PORT_ON, port_on()).status, SCP_OK);
  beat_for(b, 3000 * kMs);
  EXPECT_EQ(b.hal.socket_set, 3300);
  EXPECT_EQ(b.hal.port_set, 5000);
}
