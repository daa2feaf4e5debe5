#include <fmt/format.h>

#include <array>

#include "supply/judge.h"

namespace steadycell::supply {
namespace {

struct Words {
  Fault fault;
  std::string_view key, says, next, caution;
};

constexpr std::string_view kHeat =
    "a shorted part at 0.25 A and 5 V turns 1.25 W into heat: it burns skin and lifts pads; look with a camera or "
    "a drop of "
    "isopropanol (no flame, good air), do not touch; never more voltage than the rail's own rating";
constexpr std::string_view kReadOnly =
    "on the port the stick's own controller may write its memory: keep power-ups few and short, no host, and "
    "prefer a route that images first";
constexpr std::string_view kEsd =
    "wrist strap and mat (ANSI/ESD S20.20, IEC 61340-5-1); power off and rail below 0.1 V before the socket is "
    "opened";

constexpr std::array<Words, 18> kWords{{
    {Fault::healthy, "healthy", "runs: supply, controller start and memory reads look sound",
     "let a host see it through a write blocker, or look at D+ and D-, the pull-up and the crystal's frequency if "
     "it still does not appear",
     kReadOnly},
    {Fault::vbus_short, "vbus_short", "short on the 5 V side of the board",
     "power off; ohms at 0.2 V on VBUS both ways; then 0.5 to 1 V at 0.3 to 0.5 A into the same rail and look for "
     "the warm spot, or walk the millivolts along the track",
     kHeat},
    {Fault::rail_short, "rail_short", "short or heavy load behind the regulator",
     "inject 1 V at 0.3 A behind the regulator and look for the warm spot; isolate memory and controller by "
     "lifting their beads one at a time",
     kHeat},
    {Fault::open_path, "open_path", "supply path open: connector pin, joint, fuse or bead",
     "ohms along VBUS from the connector pin to the first capacitor; microscope on the joints",
     "do not bridge a fuse before the board is checked for a short: it may have blown for a reason"},
    {Fault::ldo_dead, "ldo_dead", "regulator gives nothing: dead, disabled, or its output path open",
     "measure the 3.3 V output and the enable pin; then feed 3.3 V there with a 50 mA limit and compare the steps",
     "never feed both sides of a regulator at once"},
    {Fault::dead_clock, "dead_clock", "controller idle: clock, reset, core supply or controller",
     "measure 3.3 V, the core supply (1.8 or 1.2 V) and the reset level; then the crystal with a 10x "
     "low-capacitance probe; warm its joints gently",
     "a 1x probe stops a good crystal; hot air near the memory costs its charge: keep it off"},
    {Fault::boot_loop, "boot_loop", "controller restarts again and again",
     "power off; look at the memory's joints first; then in one more power-up of two seconds at most, which supply record ends by itself, "
     "watch "
     "VBUS and 3.3 V at the last step: a dip means supply, none means firmware or memory",
     "every start reads and may write the memory: no power-up beyond the one above; read the memory in the socket instead where it can "
     "come off"},
    {Fault::nand_no_answer, "nand_no_answer", "controller runs but does not load from its memory",
     "image the memory in the socket before anything else if it can come off; else look at its joints, CE# and "
     "R/B#",
     kReadOnly},
    {Fault::inrush_large, "inrush_large", "far more input capacitance than a stick has",
     "find what was fitted or hangs on the supply: a replaced bulk capacitor, a second board; ramp slowly and "
     "compare with a twin",
     "hub ports may switch off; an electrolytic fitted the wrong way round bursts"},
    {Fault::missing_bulk, "missing_bulk", "input capacitor missing or cracked",
     "look for empty or cracked pads at the input; add 4.7 to 10 uF from outside and compare",
     "heat near the memory and lifted pads when soldering"},
    {Fault::intermittent, "intermittent", "contact comes and goes: connector, joint or socket",
     "press gently on connector, controller and memory one at a time while recording; resolder the one that "
     "answers",
     "drops during a write corrupt the memory's map: read only, no host"},
    {Fault::limit_trip, "limit_trip", "the current limiter opened after the supply had come up",
     "note the stage at the trip and compare with a twin; raise the limit in steps of 50 mA only up to what a "
     "stick may draw",
     "do not just raise the limit: a load that grows is a fault getting worse"},
    {Fault::data_line, "data_line", "a USB data line is shorted or open: no host can see this stick",
     "power off; ohms at 0.2 V along the line from the connector to the controller: what reads low is lifted part by part (protection "
     "part, "
     "series resistor), what reads open is a joint or the controller's pin",
     "no host until it is mended: a line that comes and goes makes the controller start over, and it may write; the memory can be read in "
     "the "
     "socket whatever the line does"},
    {Fault::socket_ok, "socket_ok", "a chip is in the socket and draws what a memory chip draws", "go on: identify the chip", kEsd},
    {Fault::socket_empty, "socket_empty", "nothing draws on the socket rail: no chip, lid open, or a supply pin without contact",
     "run the contact check: it tells an empty socket from a shifted chip", kEsd},
    {Fault::socket_short, "socket_short", "short across the socket rail: shorted chip or solder bridge",
     "take the chip out, clean it and the socket, repeat the contact check before any power",
     "no second try with more current; the chip may be hot"},
    {Fault::socket_reversed, "socket_reversed", "the chip lies wrong in the socket: turned, or off by one pin",
     "power off at once; check pin 1; run the contact check: its rail test and missing pins tell turned from "
     "shifted",
     "hot within seconds: let it cool before touching; it usually survives 100 mA for tens of milliseconds, which "
     "is no promise"},
    {Fault::unsure, "unsure", "the trace does not tell",
     "record again with half a second before and two seconds after switch-on, the limit and rail in the header, "
     "and a burst if the board can",
     kReadOnly},
}};

const Words& words_of(Fault fault) {
  return *std::find_if(kWords.begin(), kWords.end(), [&](const Words& w) { return w.fault == fault; });
}

struct Between {
  Fault one, other;
  std::string_view next;
};
// Steps that tell two likely ones apart, either way round.
constexpr std::array<Between, 14> kBetween{{
    {Fault::data_line, Fault::healthy,
     "power off; measure D+ and D- to ground at the connector and at the controller's pins at 100 uA, 1.5 V at "
     "most: about 0.6 V at the "
     "pin and "
     "another reading at the connector is a broken or bridged track, the same at both is the controller"},
    {Fault::vbus_short, Fault::rail_short,
     "ohms at 0.2 V on VBUS and on the regulator's output: the shorted side reads the lower"},
    {Fault::open_path, Fault::ldo_dead,
     "measure 5 V at the regulator's input: there, the regulator is to blame; missing, the path is open"},
    {Fault::ldo_dead, Fault::dead_clock,
     "measure the regulator's output: 3.3 V there means the controller, none means the regulator"},
    {Fault::dead_clock, Fault::rail_short,
     "ohms at 0.2 V on 3.3 V: below 50 ohm it is a load, in the kilo-ohms the controller idles"},
    {Fault::boot_loop, Fault::intermittent,
     "no new recording: compare the intervals in this one; a loop keeps its period, a contact does not; then look "
     "at the joints with the "
     "power off"},
    {Fault::boot_loop, Fault::limit_trip,
     "no new recording: look at the voltage around one restart in this one (supply plot): the limiter pulls it "
     "down, a loop leaves it"},
    {Fault::healthy, Fault::nand_no_answer,
     "record the first 0.3 s at 10 kS/s or more: page reads show as bursts one after another"},
    {Fault::healthy, Fault::missing_bulk,
     "record a burst of the switch-on with a 1 ms ramp: the step at its end is the capacitor"},
    {Fault::healthy, Fault::boot_loop,
     "one more power-up tells, by supply record, which ends it by itself at a loop's second period; if a loop "
     "shows, no other"},
    {Fault::limit_trip, Fault::vbus_short,
     "leave the limit where it is: power off; ohms at 0.2 V on VBUS, and whatever reads below 500 ohm is found "
     "first"},
    {Fault::limit_trip, Fault::rail_short,
     "cold, ohms at 0.2 V on 3.3 V; then compare the level right behind switch-on with a twin"},
    {Fault::socket_short, Fault::socket_reversed,
     "power off; the contact check's rail test at 100 uA both ways: a junction one way is a turned chip, low both "
     "ways a short"},
    {Fault::socket_ok, Fault::socket_empty, "read the ID: all FF or 00 in an empty socket"},
}};

}  // namespace

std::string_view key_of(Fault fault) {
  return words_of(fault).key;
}
std::string_view words_for(Fault fault) {
  return words_of(fault).says;
}

std::string percent(double confidence) {
  return confidence >= 0.995 ? ">99 %" : confidence < 0.005 ? "<1 %" : fmt::format("{:.0f} %", 100 * confidence);
}

std::string next_step_for(Fault fault, Fault runner_up) {
  for (const Between& b : kBetween)
    if ((b.one == fault && b.other == runner_up) || (b.one == runner_up && b.other == fault))
      return std::string(b.next);
  return std::string(words_of(fault).next);
}

std::string caution_for(Fault fault) {
  return std::string(words_of(fault).caution) + "; local codes, the law and licensed practice come first";
}

}  // namespace steadycell::supply
