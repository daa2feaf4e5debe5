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
  socket_ok,
  socket_empty,
  socket_short,
  socket_reversed,
  unsure,
};
std::string_view key_of(Fault fault);     // "vbus_short": stable, for programs
std::string_view words_for(Fault fault);  // what people read

struct Diagnosis {
  Fault fault = Fault::unsure;
  double confidence = 0;              // 0..1, within the model of docs/supply.md; not a field figure
  std::vector<std::string> evidence;  // for and against, in numbers
  std::string next_step;              // tells this fault from the next likely one
  std::string caution;
};

struct Settings {
  std::optional<Rail> rail;        // over the header's
  std::optional<double> limit_mA;  // over the header's
  // Without a rail from anywhere, a voltage that never came up does not tell which rail it was: read it as the USB
  // port (and say so), or answer `unsure`.
  bool assume_port = true;
};

// Most likely first, at least one. `burst` is the fast recording of the same switch-on, `twin` a healthy run of
// the same kind of board; nullptr where there is none.
std::vector<Diagnosis> diagnose(const Features& trace, const TraceHeader& header, const Settings& settings,
                                const Features* burst, const Features* twin);

}  // namespace steadycell::supply
