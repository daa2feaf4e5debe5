#pragma once
#include <optional>
#include <string>
#include <vector>

#include "supply/diagnosis.h"
#include "supply/features.h"

// A supply trace as a drawing for people: plateaus, events, limit, verdict, the twin beside it, the switch-on enlarged.
namespace steadycell::supply {

struct PlotInput {
  std::string title;            // as it should stand there: the name of the file
  const Features* trace = nullptr;  // must be set
  TraceHeader header;
  const Features* twin = nullptr;
  std::optional<double> parts_s;  // where the two part, after switch-on
  Diagnosis diagnosis;            // the first one
  std::vector<Sample> switch_on;  // samples around it, as fine as there are; may be empty
  double switch_on_s = 0;         // switch-on in their time
};

// SVG 1.1 of 1000 x 620 units, a few hundred kilobytes at most. Nothing but line styles and greys tells things apart, so
// that it survives a copying machine. Text from files is escaped.
std::string plot_svg(const PlotInput& input);

}  // namespace steadycell::supply
