#pragma once
#include <optional>
#include <span>
#include <string>
#include <vector>

#include "supply/features.h"

// A trace beside that of a healthy board of the same kind.
namespace steadycell::supply {

struct TwinComparison {
  // Mean difference of the aligned currents over the twin's mean current; 0 is alike. Two runs of one board come to a
  // few hundredths, since bursts never fall alike.
  double distance = 0;
  // When the two part for 5 ms and more, in seconds after switch-on; nothing when they never do within what both show. Two
  // runs of one board do, too, one time in three: whether it counts, TwinReport says.
  std::optional<double> parts_s;
  std::string stage;                     // what the twin does at that moment
  std::vector<std::string> differences;  // in numbers, most telling first
};

// Aligned at switch-on, then warped by 3 ms and 15 % of the time since, at most 60 ms (dynamic time warping in a band,
// Sakoe and Chiba, IEEE TASSP 26 (1978) 43), for stages take a little longer or shorter each time. Levels are compared
// as they are: scaling would hide a soft short. Looks at the first 4 s. Nothing when either trace does not show its
// switch-on.
std::optional<TwinComparison> compare(const Features& trace, const Features& twin);

// A trace beside all that is known of the twin: its run nearest to the others is what the trace is compared with, and what
// the runs differ by among themselves is what its distance is measured in.
struct TwinReport {
  TwinComparison beside;
  std::size_t run = 0;          // which run it was compared with
  double repeatability = 0;     // greatest distance between two runs of the twin, at least 0.01
  bool assumed = false;         // there is one run only: what two runs of one board usually differ by
  double times = 0;             // distance over repeatability
  bool alike = false;           // at most 2.5 times the repeatability apart, and so never parted
  std::string text() const;     // one sentence for people
};
// Looks at the first 5 runs. Nothing when the trace or every run lacks its switch-on.
std::optional<TwinReport> compare(const Features& trace, std::span<const Features> runs);

}  // namespace steadycell::supply
