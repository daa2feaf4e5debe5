#pragma once
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "supply/features.h"

// Why a stick or a socketed chip behaves as its supply trace shows. The trace says what state the circuit is in,
// not why: each fault comes with its evidence, the bench step that would tell it from the next likely one, and a
// caution.
namespace steadycell::supply {

enum class Fault : std::uint8_t {
  healthy,
  vbus_short,
  rail_short,
  open_path,
  ldo_dead,
  dead_clock,
  boot_loop,
  nand_no_answer,
  inrush_large,
  missing_bulk,
  intermittent,
  limit_trip,
  data_line,
  socket_ok,
  socket_empty,
  socket_short,
  socket_reversed,
  unsure,
};
std::string_view key_of(Fault fault);     // "vbus_short": stable, for programs
std::string_view words_for(Fault fault);  // what people read

// "94 %"; never 100 % nor 0 %, which no measurement can give: ">99 %" from 0.995 on, "<1 %" below 0.005.
std::string percent(double confidence);

struct Diagnosis {
  Fault fault = Fault::unsure;
  double confidence = 0;              // 0..1, within the model of docs/supply.md; not a field figure
  std::vector<std::string> evidence;  // for and against, in numbers
  std::string next_step;              // tells this fault from the next likely one
  std::string caution;
};

// Where one answer ends and the next begins, each for a physical reason. "Common practice" marks experience without a published
// source. The tests choose them anew from some boards and judge others by them.
struct Thresholds {
  double hard_short_ohm = 8;     // with lead and fuse; common practice: 5 hard, 5 to 50 soft
  double nothing_mA = 0.6;       // a dead regulator draws 0.05 to 0.2, a controller in reset 2 or more
  double fixture_uC = 3;         // less is fixture and connector, 0.1 uF to 0.5 uF at 5 V
  double output_uC = 3.3;        // regulators need 1 uF at 3.3 V behind them to be stable
  double reset_mA = 35;          // no controller draws this in reset, 60 mA more is a short (common practice)
  double largest_input_uF = 38;  // USB allows 10 (7.2.4.1); 45 is where ports trip; regulators add theirs
  double smallest_input_uF = 1.6;  // USB wants 1 to 10 at the device (table 7-7, from memory); 10 % parts, bias loss
  double dense_ms = 20;            // of reads one after another: firmware does not load in less
  double page_read_mA = 7;         // an array read draws 8 to 30 for 25 us and more, an ID request toggles the bus only
  double resistor_ratio = 0.25;    // of the ramp's shape: a resistor has 0.12, clamps behind resistance 0.4, a junction 0.75
  double static_mA = 20;           // in the socket: no chip in standby draws this, typ. 10 to 50 uA a die
};

struct Settings {
  std::optional<Rail> rail;        // over the header's
  std::optional<double> limit_mA;  // over the header's
  // Without a rail from anywhere, a voltage that never came up does not tell which rail it was: read it as the USB
  // port (and say so), or answer `unsure`.
  bool assume_port = true;
  Thresholds thresholds{};
};

// Most likely first, at least one; the confidences add up to 1 at most. The check before power is evidence where the header has it. `burst`
// is the fast recording of the same switch-on, `twin` a healthy run of the same kind of board; nullptr where there is none.
std::vector<Diagnosis> diagnose(const Features& trace, const TraceHeader& header, const Settings& settings,
                                const Features* burst, const Features* twin);

}  // namespace steadycell::supply
