#include <gtest/gtest.h>

#include "firmware_protocol/bench.h"

using frames::Bytes;
using frames::Writer;

namespace {

Bytes port_measure(unsigned line, int ua, unsigned mv = 1500, unsigned early_us = 1000, unsigned settle_ms = 20) {
  return Writer().u8(line).u8(0).i16(static_cast<std::int16_t>(ua)).u16(mv).u16(early_us).u16(settle_ms).bytes;
}

TEST(PortMeasure, ReadsTwiceAndAnswersWhenBled) {
  Bench b;
  b.hello();
  const auto id = b.send(SCP_PORT_MEASURE, port_measure(SCP_LINE_D_MINUS, -100));
  b.run_for(19 * kMs);
  EXPECT_EQ(b.answer_to(id), nullptr);
  EXPECT_EQ(b.hal.port_ua_forced, -100);
  b.hal.port_rest_mv = 300;
  b.run_for(20 * kMs);
  EXPECT_EQ(b.hal.port_ua_forced, 0);
  EXPECT_EQ(b.answer_to(id), nullptr);  // a capacitor still holds its charge
  b.hal.port_rest_mv = 0;
  b.run_for(10 * kMs);
  const auto answer = b.read(id);
  ASSERT_EQ(answer.status, SCP_OK);
  ASSERT_EQ(answer.rest.size(), std::size_t{SCP_PORT_READING_BYTES});
  EXPECT_GE(scp_get_u32(answer.rest.data()), 1000u);
  EXPECT_LT(scp_get_u32(answer.rest.data()), 3000u);
  EXPECT_EQ(static_cast<std::int32_t>(scp_get_u32(answer.rest.data() + 4)), -99'998);
  EXPECT_EQ(static_cast<std::int32_t>(scp_get_u32(answer.rest.data() + 16)), -100'000);
}

// Either sign: a line that was forced below 0 V keeps its charge as well.
TEST(PortMeasure, WhatNeverBleedsIsSaid) {
  for (const int rest_mv : {300, -300}) {
    Bench b;
    b.hello();
    const auto id = b.send(SCP_PORT_MEASURE, port_measure(SCP_LINE_SUPPLY, rest_mv < 0 ? -1000 : 1000));
    b.run_for(kMs);
    b.hal.port_rest_mv = rest_mv;
    b.run_for(1500 * kMs);
    EXPECT_EQ(b.answer_to(id), nullptr) << rest_mv;
    b.run_for(1000 * kMs);
    const auto answer = b.read(id);
    EXPECT_EQ(answer.status, SCP_BLEED_FAILED);
    EXPECT_EQ(answer.detail, 300u);
  }
}

// C = I t / V of the capacitor: the time must be that of the voltage, not that of the decision to read it.
TEST(PortMeasure, EarlyTimeIsTheMiddleOfItsReading) {
  Bench b;
  b.hello();
  b.hal.port_sense_ns = 400'000;
  const auto id = b.send(SCP_PORT_MEASURE, port_measure(SCP_LINE_SUPPLY, 100, 200, 5000));
  b.run_for(100 * kMs);
  const auto answer = b.read(id);
  ASSERT_EQ(answer.status, SCP_OK);
  const std::uint32_t early_us = scp_get_u32(answer.rest.data());
  EXPECT_GE(early_us, 5000u + 200);
  EXPECT_LT(early_us, 5000u + 200 + 1000) << "a step of the test's bench";
}

TEST(PortMeasure, KeepsRailsOffAndNeverMeetsALiveOne) {
  Bench b;
  b.hello();
  b.send(SCP_PORT_MEASURE, port_measure(SCP_LINE_SUPPLY, 1000));
  const auto on = b.send(SCP_SOCKET_ON, Bench::socket_on(1800, SCP_GROUND_PROBE));
  const auto port = b.send(SCP_PORT_ON, port_on());
  const auto contact = b.send(SCP_CONTACT_MEASURE, {1, 1});
  const auto again = b.send(SCP_PORT_MEASURE, port_measure(SCP_LINE_SUPPLY, 1000));
  b.run_for(kMs);
  for (const auto id : {on, port, contact, again}) EXPECT_EQ(b.read(id).status, SCP_BUSY);
  b.run_for(30 * kMs);
  ASSERT_EQ(b.ask(SCP_PORT_ON, port_on()).status, SCP_OK);
  EXPECT_EQ(b.ask(SCP_PORT_MEASURE, port_measure(SCP_LINE_SUPPLY, 1000)).status, SCP_REFUSED_RAIL);
  EXPECT_FALSE(b.hal.contact_with_rail_on);
}

TEST(PortMeasure, RefusesWhatCouldHarmOrMeansNothing) {
  Bench b;
  b.hello();
  const std::pair<Bytes, unsigned> wrong[] = {{port_measure(3, 100), 0},
                                              {port_measure(0, 0), 2},
                                              {port_measure(0, 1001), 2},
                                              {port_measure(0, -1001), 2},
                                              {port_measure(0, 100, 0), 4},
                                              {port_measure(0, 100, 1501), 4},
                                              {port_measure(0, 100, 200, 99), 6},
                                              {port_measure(0, 100, 200, 50'001), 6},
                                              {port_measure(0, 100, 200, 20'000, 20), 8},
                                              {port_measure(0, 100, 200, 1000, 2001), 8}};
  for (const auto& [payload, at] : wrong) {
    const auto answer = b.ask(SCP_PORT_MEASURE, payload);
    EXPECT_EQ(answer.status, SCP_BAD_REQUEST);
    EXPECT_EQ(answer.detail, at);
  }
  EXPECT_EQ(b.hal.port_forced, 0u);
}

TEST(PortMeasure, AbortTakesTheCurrentOffTheLine) {
  Bench b;
  b.hello();
  const auto id = b.send(SCP_PORT_MEASURE, port_measure(SCP_LINE_D_PLUS, 100));
  b.run_for(2 * kMs);
  ASSERT_EQ(b.hal.port_ua_forced, 100);
  b.send(SCP_ABORT, Writer().u64(1).bytes);
  b.run_for(50 * kMs);
  EXPECT_EQ(b.hal.port_ua_forced, 0);
  EXPECT_EQ(b.answer_to(id), nullptr);
  EXPECT_EQ(b.ask(SCP_PORT_MEASURE, port_measure(SCP_LINE_D_PLUS, 100)).status, SCP_OK);
}

}  // namespace
