#pragma once
#include <array>
#include <cmath>
#include <optional>
#include <string>
#include <vector>

#include "base/json.h"

// The check before power: what a small current finds on the supply and the data lines of a stick. Whether it may be powered,
// and under which limit.
namespace steadycell::supply {

// What a source of at most `asked_A` and `most_V` (both with the sign of the current) found on one line.
struct ColdReading {
  double asked_A = 0, most_V = 0;
  double early_s = 0, early_V = 0, early_A = 0;  // shortly after it was connected
  double volts = 0, amps = 0;                    // when it had settled

  bool at_most_V() const { return std::abs(volts) > 0.98 * std::abs(most_V); }
};

// Supply at 0.2 V and 1 mA at most, both ways: below any silicon junction, so that what conducts is a resistor. Then
// +100 uA for the capacitor, -100 uA up to 1.5 V for the junctions; the data lines at +/-100 uA up to 1.5 V.
struct ColdReadings {
  ColdReading forward, backward, charge, junction;
  std::array<ColdReading, 2> data_forward, data_backward;  // D+, D-
};

enum class ColdVerdict : std::uint8_t {
  clean,      // nothing speaks against the full 500 mA
  doubtful,   // 100 mA at most
  open_path,  // nothing hangs on the supply: 100 mA at most, and expect no current
  shorted     // not to be powered
};
std::string_view name_of(ColdVerdict verdict);

// What one data line ends in. Every controller has a clamp to ground on it, most have one to their supply, too.
enum class DataLine : std::uint8_t { sound, unlike_twin, no_upper, no_lower, open, bridged };
struct DataCheck {
  DataLine state = DataLine::sound;  // the worst that was found
  std::string says;                  // in numbers
};

struct ColdCheck {
  ColdVerdict verdict = ColdVerdict::doubtful;
  double ohm = 0, ohm_at_V = 0;      // the lower of both ways, and the voltage it was measured at
  bool ohm_at_least = false;         // beyond what the source resolves
  std::optional<double> microfarads;
  bool microfarads_at_most = false;
  double junction_V = 0;             // supply, backwards; -1.5 where none conducts
  std::array<DataCheck, 2> data;      // D+, D-
  std::vector<std::string> findings;  // in numbers, most telling first; the first is on the supply's ohms
  unsigned limit_mA() const { return verdict == ColdVerdict::clean ? 500 : 100; }
};

// `twin`: the readings of a healthy board of the same kind, where there are some.
ColdCheck judge_cold(const ColdReadings& readings, const ColdReadings* twin = nullptr);

json::Object to_json(const ColdCheck& check);
json::Object to_json(const ColdReadings& readings);
Result<ColdReadings> cold_readings_of(const json::Value& value);  // what to_json gave; bad_input_file otherwise

// The readings as lines for the header of a trace, one each: "supply_forward 0.001 0.2 ...", the numbers in the order of ColdReading.
std::vector<std::string> lines_of(const ColdReadings& readings);
constexpr std::size_t kColdNumbers = 7, kColdLines = 8;
// Puts one such line, taken apart, into `into`; which one, or nothing when there is no such reading.
std::optional<std::size_t> take_line(std::string_view name, const std::array<double, kColdNumbers>& numbers, ColdReadings& into);

}  // namespace steadycell::supply
