#include "measure/cold.h"

#include <cmath>
#include <limits>

namespace steadycell::measure {
namespace {

using namespace std::chrono_literals;

constexpr std::int16_t kResistor_uA = 1000, kJunction_uA = 100;
constexpr std::uint16_t kResistor_mV = 200, kJunction_mV = 1500;
constexpr auto kEarly = 1ms, kLateEarly = 3ms;  // a reading later than that was held up by a busy machine
constexpr auto kSettle = 120ms, kLongSettle = 2000ms;
constexpr int kColdTries = 3;

asio::awaitable<Result<supply::ColdReading>> one(board::BoardClient& board, scp_port_line line, std::int16_t microamps,
                                                 std::uint16_t most_mV) {
  protocol::PortMeasure request;
  request.line = line;
  request.microamps = microamps;
  request.most_mV = most_mV;
  request.early = kEarly;
  request.settle = kSettle;
  supply::ColdReading out;
  for (int i = 0; i < kColdTries; ++i) {
    const auto reading = co_await board.measure_port(request);
    if (!reading) co_return failure(reading.error());
    out.asked_A = microamps * 1e-6;
    out.most_V = (microamps < 0 ? -1e-3 : 1e-3) * most_mV;
    out.early_s = static_cast<double>(reading->early.count()) * 1e-6;
    out.early_V = reading->early_uV * 1e-6;
    out.early_A = reading->early_nA * 1e-9;
    out.volts = reading->uV * 1e-6;
    out.amps = reading->nA * 1e-9;
    // Still rising: a capacitor that is being charged looks like a resistor.
    // From here on a junction conducts, and holds it.
    constexpr double kJunction = 0.45;
    const bool rising = !out.at_most_V() && std::abs(out.volts) < kJunction && std::abs(out.volts) > 1.1 * std::abs(out.early_V) + 1e-3;
    if (rising && request.settle < kLongSettle) {
      request.settle = kLongSettle;
      continue;
    }
    if (reading->early <= kLateEarly) break;
  }
  co_return out;
}

Error cannot_measure() {
  return Error(ErrorCode::board_refused, "this board measures nothing before power")
      .advising("measure ohms by hand at 0.2 V; without that a stick gets 100 mA at most");
}

}  // namespace

asio::awaitable<Result<double>> measure_supply_ohm(board::BoardClient& board) {
  if (!board.info().can_port_measure) co_return failure(cannot_measure());
  const auto reading = co_await one(board, SCP_LINE_SUPPLY, kResistor_uA, kResistor_mV);
  if (!reading) co_return failure(reading.error());
  constexpr double kNoCurrent_A = 1e-9;
  co_return reading->amps > kNoCurrent_A ? reading->volts / reading->amps : std::numeric_limits<double>::infinity();
}

asio::awaitable<Result<supply::ColdReadings>> measure_cold(board::BoardClient& board) {
  if (!board.info().can_port_measure) co_return failure(cannot_measure());
  supply::ColdReadings out;
  struct Step {
    scp_port_line line;
    std::int16_t microamps;
    std::uint16_t most_mV;
    supply::ColdReading* into;
  };
  const Step steps[] = {{SCP_LINE_SUPPLY, kResistor_uA, kResistor_mV, &out.forward},
                        {SCP_LINE_SUPPLY, -kResistor_uA, kResistor_mV, &out.backward},
                        {SCP_LINE_SUPPLY, kJunction_uA, kResistor_mV, &out.charge},
                        {SCP_LINE_SUPPLY, -kJunction_uA, kJunction_mV, &out.junction},
                        {SCP_LINE_D_PLUS, kJunction_uA, kJunction_mV, &out.data_forward[0]},
                        {SCP_LINE_D_PLUS, -kJunction_uA, kJunction_mV, &out.data_backward[0]},
                        {SCP_LINE_D_MINUS, kJunction_uA, kJunction_mV, &out.data_forward[1]},
                        {SCP_LINE_D_MINUS, -kJunction_uA, kJunction_mV, &out.data_backward[1]}};
  for (const Step& step : steps) {
    const auto reading = co_await one(board, step.line, step.microamps, step.most_mV);
    if (!reading) co_return failure(reading.error());
    *step.into = *reading;
  }
  co_return out;
}

}  // namespace steadycell::measure
