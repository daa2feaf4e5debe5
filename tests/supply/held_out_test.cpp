// Whether the diagnosis holds for boards that its thresholds were not chosen on: they are chosen anew from the traces of some
// boards of tests/data/current, and judge the traces of the others. "unsure" counts as wrong.
#include <gtest/gtest.h>

#include <cmath>
#include <set>

#include "supply/board_model.h"
#include "supply/read_trace.h"

namespace steadycell::supply::test {
namespace {

// How far each threshold may move: between what physics puts on its two sides, and no nearer to what the program has.
struct Range {
  double Thresholds::*member;
  double low, high;
};
const Range kRanges[] = {
    {&Thresholds::hard_short_ohm, 3, 30},      // a dead short with lead and fuse; what a regulator's foldback looks like
    {&Thresholds::nothing_mA, 0.2, 2},         // a regulator at rest; a controller in reset
    {&Thresholds::fixture_uC, 0.75, 5},        // 0.15 uF of the fixture at 5 V; the least input capacitor, 1 uF
    {&Thresholds::output_uC, 1, 7},            // the error of the charge; 2.2 uF at 3.3 V
    {&Thresholds::reset_mA, 10, 100},          // a controller in reset; the least short worth the name, 33 ohm at 3.3 V
    {&Thresholds::largest_input_uF, 15, 60},   // allowed 10 uF and the regulator's; what trips ports, 47 uF and that
    {&Thresholds::smallest_input_uF, 0.7, 3},  // the bypass capacitors alone; 4.7 uF less tolerance and bias
    {&Thresholds::dense_ms, 5, 60},            // a retry or two; the shortest load of firmware
    {&Thresholds::page_read_mA, 3, 12},        // a request on the bus; an array read
    {&Thresholds::resistor_ratio, 0.15, 0.34}, // a resistor, 0.10 to 0.14; pin clamps, 0.35 to 0.44
    {&Thresholds::static_mA, 1, 60},           // a floating CE#; a short
};

struct Known {
  std::string board, label, file;
  Features features;
  Settings settings;
};

std::vector<Known> all_traces() {
  std::vector<Known> out;
  for (const auto& row : labels()) {
    Known k{.board = row.at("board"), .label = row.at("label"), .file = row.at("file"), .features = {}, .settings = {}};
    k.features = features_of(read_trace(kCurrentFolder + k.file).samples);
    k.settings.rail = parse_rail(row.at("rail"));
    k.settings.limit_mA = std::stod(row.at("ilim_mA"));
    out.push_back(std::move(k));
  }
  return out;
}

bool right(const Known& k, const Thresholds& thresholds) {
  Settings settings = k.settings;
  settings.thresholds = thresholds;
  return key_of(diagnose(k.features, {}, settings, nullptr, nullptr).front().fault) == k.label;
}

std::size_t rights(const std::vector<const Known*>& traces, const Thresholds& thresholds) {
  return static_cast<std::size_t>(std::count_if(traces.begin(), traces.end(), [&](const Known* k) { return right(*k, thresholds); }));
}

// One threshold after the other, twice: the middle of the widest stretch of its range on which most traces are told right.
Thresholds chosen_from(const std::vector<const Known*>& traces) {
  constexpr int kSteps = 24;
  Thresholds out;
  for (const Range& range : kRanges) out.*range.member = std::sqrt(range.low * range.high);
  for (int round = 0; round < 2; ++round)
    for (const Range& range : kRanges) {
      const auto at = [&](double step) { return range.low * std::pow(range.high / range.low, step / kSteps); };
      std::size_t most = 0;
      int from = 0, length = 0, best_from = 0, best_length = 0;
      for (int step = 0; step <= kSteps; ++step) {
        out.*range.member = at(step);
        const std::size_t n = rights(traces, out);
        if (n > most) most = n, length = best_length = 0;
        length = n == most ? length + 1 : 0;
        from = step - length + 1;
        if (length > best_length) best_length = length, best_from = from;
      }
      out.*range.member = at(best_from + (best_length - 1) / 2.0);
    }
  return out;
}

struct Tally {
  std::size_t right = 0, all = 0;
  std::string wrong;
};

// `held_out(k)`: the trace is judged, and not used to choose.
Tally split(const std::vector<Known>& traces, const std::function<bool(const Known&)>& held_out) {
  std::vector<const Known*> known;
  for (const Known& k : traces)
    if (!held_out(k)) known.push_back(&k);
  const Thresholds thresholds = chosen_from(known);
  Tally out;
  for (const Known& k : traces) {
    if (!held_out(k)) continue;
    ++out.all;
    if (right(k, thresholds))
      ++out.right;
    else
      out.wrong += " " + k.file + " (" + k.label + ")";
  }
  return out;
}

// Sticks and chips go by the board they were drawn from; an empty socket, a short and a turned chip belong to none of them, and
// are dealt out in turn.
std::vector<Known> dealt() {
  std::vector<Known> traces = all_traces();
  std::map<std::string, std::size_t> seen;
  for (Known& k : traces) {
    if (k.board.size() == 2) k.board = k.board.substr(1);  // NA, NB, NC: chips
    if (k.board.empty()) k.board = std::string(1, static_cast<char>('A' + seen[k.label]++ % 3));
  }
  return traces;
}

TEST(HeldOut, BoardsThatTheThresholdsWereNotChosenOnAreToldRight) {
  const std::vector<Known> traces = dealt();
  ASSERT_EQ(traces.size(), 57u);
  std::set<std::string> boards;
  for (const Known& k : traces) boards.insert(k.board);
  ASSERT_EQ(boards.size(), 3u);
  Tally chosen_on_two, chosen_on_one;
  for (const std::string& board : boards) {
    const Tally one_out = split(traces, [&](const Known& k) { return k.board == board; });
    const Tally two_out = split(traces, [&](const Known& k) { return k.board != board; });
    for (const auto& [sum, part] : {std::pair{&chosen_on_two, &one_out}, {&chosen_on_one, &two_out}})
      sum->right += part->right, sum->all += part->all, sum->wrong += part->wrong;
  }
  EXPECT_EQ(chosen_on_two.all, 57u);
  EXPECT_EQ(chosen_on_one.all, 114u);
  EXPECT_GE(static_cast<double>(chosen_on_two.right), 0.95 * 57) << chosen_on_two.wrong;
  EXPECT_GE(static_cast<double>(chosen_on_one.right), 0.95 * 114) << chosen_on_one.wrong;
  std::printf("chosen on two boards, judging the third: %zu of 57;%s\n", chosen_on_two.right, chosen_on_two.wrong.c_str());
  std::printf("chosen on one board, judging the other two: %zu of 114;%s\n", chosen_on_one.right, chosen_on_one.wrong.c_str());
}

}  // namespace
}  // namespace steadycell::supply::test
