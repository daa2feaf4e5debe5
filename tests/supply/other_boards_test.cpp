// Boards that nobody drew by hand, and false friends: things that look like a fault and are none, or like another.
#include <gtest/gtest.h>

#include <cmath>

#include "base/sanitized.h"
#include "supply/board_model.h"

namespace steadycell::supply::test {
namespace {

struct Made {
  Board board;
  Bench bench;
  FaultCircuit fault;
  std::vector<Block> load;
  double start_s = 0;  // when the controller comes out of power-up

  explicit Made(Random& r) : board(random_board(r)) {
    bench.ramp_ms = uniform(r, 0.8, 2.5);
    start_s = bench.t_on_s + bench.ramp_ms * 1e-3 + (board.soft_start_ms + 0.6) * 1e-3;
  }
  std::vector<Diagnosis> diagnosed(Random& r) const {
    const Features f = features_of(simulate(board, bench, fault, load, r));
    Settings settings;
    settings.rail = Rail::vbus;
    settings.limit_mA = bench.limit_mA;
    return diagnose(f, {}, settings, nullptr, nullptr);
  }
};

const int kBoardsDrawn = kSanitized ? 1 : 5;

void expect_first(Fault expected, const std::function<void(Made&, Random&)>& make) {
  for (int round = 0; round < kBoardsDrawn; ++round) {
    Random r(static_cast<std::uint64_t>(round) + 100 * static_cast<std::uint64_t>(expected));
    Made made(r);
    make(made, r);
    const auto list = made.diagnosed(r);
    EXPECT_EQ(key_of(list.front().fault), key_of(expected)) << "round " << round << "\n" << told(list);
  }
}

void boots(Made& m, Random& r, Boot how = Boot::whole, bool host = true) {
  boot(m.load, r, m.board, m.start_s, m.bench.end_s, how, host);
}

TEST(OtherBoards, HealthyWithAndWithoutHost) {
  expect_first(Fault::healthy, [](Made& m, Random& r) { boots(m, r, Boot::whole, r() % 2 == 0); });
}

TEST(OtherBoards, ShortAtFiveVolts) {
  expect_first(Fault::vbus_short, [](Made& m, Random& r) {
    m.fault.short_5V_ohm = std::exp(uniform(r, std::log(0.2), std::log(4)));
    m.bench.limit_mA = uniform(r, 80, 500);
    if (r() % 2) m.bench.trip_ms = uniform(r, 3, 20);
    boots(m, r);
  });
}

TEST(OtherBoards, ShortBehindTheRegulator) {
  expect_first(Fault::rail_short, [](Made& m, Random& r) {
    m.fault.short_3V3_ohm = std::exp(uniform(r, std::log(5), std::log(40)));
    m.board.regulator_max_mA = uniform(r, 220, 350);
    m.board.soft_start_ms = uniform(r, 0.4, 1.0);
    boots(m, r);
  });
}

TEST(OtherBoards, OpenPath) {
  expect_first(Fault::open_path, [](Made& m, Random& r) {
    m.fault.path_open = true;
    m.fault.fixture_uF = uniform(r, 0.03, 0.3);
    boots(m, r);
  });
}

TEST(OtherBoards, DeadRegulator) {
  expect_first(Fault::ldo_dead, [](Made& m, Random& r) {
    m.fault.regulator_dead = true;
    boots(m, r);
  });
}

TEST(OtherBoards, IdleController) {
  expect_first(Fault::dead_clock, [](Made& m, Random& r) { boots(m, r, Boot::no_clock); });
}

TEST(OtherBoards, BootLoop) {
  expect_first(Fault::boot_loop, [](Made& m, Random& r) {
    const double period = uniform(r, 0.1, 0.4);
    for (double t = m.start_s; t < m.bench.end_s;) {
      const double length = period * uniform(r, 0.994, 1.006);
      boot(m.load, r, m.board, t, std::min(t + length, m.bench.end_s), Boot::whole, false);
      t += length;
    }
  });
}

TEST(OtherBoards, SilentMemory) {
  expect_first(Fault::nand_no_answer, [](Made& m, Random& r) {
    boots(m, r, r() % 2 ? Boot::memory_silent : Boot::memory_silent_attaches);
  });
}

TEST(OtherBoards, TooMuchCapacitance) {
  expect_first(Fault::inrush_large, [](Made& m, Random& r) {
    m.board.bulk_uF = uniform(r, 47, 180);
    boots(m, r);
  });
}

TEST(OtherBoards, MissingInputCapacitor) {
  expect_first(Fault::missing_bulk, [](Made& m, Random& r) {
    m.board.bulk_uF = std::exp(uniform(r, std::log(0.1), std::log(0.7)));
    m.board.soft_start_ms = uniform(r, 0.5, 1.0);
    boots(m, r);
  });
}

TEST(OtherBoards, BadContact) {
  expect_first(Fault::intermittent, [](Made& m, Random& r) {
    double t = m.bench.t_on_s + uniform(r, 0.1, 0.3), from = m.start_s;
    for (int i = 0; i < 4 && t < 1.1; ++i) {
      const double length = std::exp(uniform(r, std::log(0.7e-3), std::log(50e-3)));
      m.fault.contact_open_s.emplace_back(t, t + length);
      boot(m.load, r, m.board, from, t, Boot::whole, true);
      from = t + length + 0.3e-3;
      t += length + uniform(r, 0.05, 0.2);
    }
    boot(m.load, r, m.board, from, m.bench.end_s, Boot::whole, true);
  });
}

TEST(OtherBoards, LimiterThatOpensLater) {
  expect_first(Fault::limit_trip, [](Made& m, Random& r) {
    m.bench.limit_mA = uniform(r, 150, 300);
    m.bench.trip_ms = uniform(r, 3, 10);
    m.board.regulator_max_mA = 500;
    m.load.push_back({m.start_s + uniform(r, 0.07, 0.4), m.bench.end_s, m.bench.limit_mA + uniform(r, 20, 60)});
    boots(m, r);
  });
}

// --- false friends

TEST(FalseFriends, BlinkingLampIsNoBootLoop) {
  expect_first(Fault::healthy, [](Made& m, Random& r) {
    boots(m, r);
    const double period = uniform(r, 0.1, 0.4), mA = uniform(r, 2, 8);
    for (double t = m.start_s + 0.2; t < m.bench.end_s; t += period) m.load.push_back({t, t + period / 2, mA});
  });
}

TEST(FalseFriends, HostResetRetriesAreNoBootLoop) {
  expect_first(Fault::healthy, [](Made& m, Random& r) {
    boots(m, r, Boot::whole, false);
    for (double t = m.start_s + 0.4; t < m.bench.end_s;
         t += 0.25) {  // each retry: reset, chirp, a while of high speed
      m.load.push_back({t, t + 2e-3, 17.8});
      m.load.push_back({t + 0.02, t + 0.15, m.board.high_speed_mA});
    }
  });
}

TEST(FalseFriends, AsleepIsNoBadContact) {
  expect_first(Fault::healthy, [](Made& m, Random& r) {
    const double sleeps = m.start_s + 0.55, wakes = sleeps + 0.25;
    std::vector<Block> awake;
    boot(awake, r, m.board, m.start_s, m.bench.end_s, Boot::whole, true);
    for (const Block& b : awake) {  // all but 0.5 mA stops while suspended (USB allows 2.5 mA)
      if (b.from_s < sleeps) m.load.push_back({b.from_s, std::min(b.to_s, sleeps), b.mA});
      if (b.to_s > wakes) m.load.push_back({std::max(b.from_s, wakes), b.to_s, b.mA});
    }
    m.load.push_back({sleeps, wakes, 0.5});
  });
}

TEST(FalseFriends, OneRestartByDesignIsNoBootLoop) {
  for (int round = 0; round < kBoardsDrawn; ++round) {
    Random r(900 + static_cast<std::uint64_t>(round));
    Made m(r);
    const double again = m.start_s + m.board.reset_s + m.board.clock_s + m.board.rom_s + m.board.load_s + 0.05;
    boot(m.load, r, m.board, m.start_s, again, Boot::whole, false);
    boot(m.load, r, m.board, again, m.bench.end_s, Boot::whole, true);
    EXPECT_NE(m.diagnosed(r).front().fault, Fault::boot_loop) << told(m.diagnosed(r));
  }
}

// A regulator that shuts down when hot and tries again: the load behind it is the fault, not a contact and not a
// loop.
TEST(FalseFriends, ThermalCyclingIsAShortBehindTheRegulator) {
  expect_first(Fault::rail_short, [](Made& m, Random& r) {
    m.fault.short_3V3_ohm = uniform(r, 15, 22);
    m.fault.regulator_cuts_out = true;
    m.board.regulator_max_mA = 400;
    boots(m, r, Boot::no_clock);
  });
}

// A controller with a converter of its own draws less at 5 V, and in pulses of some kilohertz when it idles.
TEST(FalseFriends, BuckConverterIsHealthy) {
  expect_first(Fault::healthy, [](Made& m, Random& r) {
    std::vector<Block> load;
    boot(load, r, m.board, m.start_s, m.bench.end_s, Boot::whole, true);
    for (const Block& b : load) m.load.push_back({b.from_s, b.to_s, 0.75 * b.mA});
    const double period = uniform(r, 0.2e-3, 0.5e-3);
    for (double t = m.start_s; t < m.start_s + 0.03; t += period) m.load.push_back({t, t + period / 3, 6});
  });
}

// Blank memory in a donor board: it answers and is read, then the controller stays in its ROM. Not silent, not
// healthy.
TEST(FalseFriends, BlankMemoryIsUnsure) {
  expect_first(Fault::unsure, [](Made& m, Random& r) {
    m.board.memory_mA = uniform(r, 16, 34);
    boots(m, r, Boot::memory_blank);
  });
}

TEST(FalseFriends, SwitchingOffByHandIsNoTrip) {
  TraceHeader header;
  for (int round = 0; round < kBoardsDrawn; ++round) {
    Random r(700 + static_cast<std::uint64_t>(round));
    Made m(r);
    boots(m, r);
    auto samples = simulate(m.board, m.bench, m.fault, m.load, r);
    for (Sample& s : samples)
      if (s.time_s > 0.9) s.mA = 0, s.volts = std::max(0.0, 5.0 - (s.time_s - 0.9) * 400);
    Settings settings;
    settings.rail = Rail::vbus;
    settings.limit_mA = 500;
    const auto list = diagnose(features_of(samples), header, settings, nullptr, nullptr);
    EXPECT_EQ(list.front().fault, Fault::healthy) << told(list);
  }
}

// A hot attach has no ramp: charge and limiter alone.
TEST(FalseFriends, HotAttachIsHealthy) {
  expect_first(Fault::healthy, [](Made& m, Random& r) {
    m.bench.ramp_ms = 0.01;
    m.start_s = m.bench.t_on_s + 2e-3;
    boots(m, r);
  });
}

}  // namespace
}  // namespace steadycell::supply::test
