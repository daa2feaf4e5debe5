#pragma once
#include <optional>
#include <vector>

#include "base/sanitized.h"
#include "supply/board_model.h"

namespace steadycell::supply::test {

inline const int kRounds = kSanitized ? 1 : 4;  // boards drawn for a statement

// A board of the model, drawn or as it stands, recorded once.
struct ModelBoard {
  Board board;
  Bench bench;
  FaultCircuit fault;
  Boot how = Boot::whole;

  std::vector<Sample> samples(Random& r) const {
    std::vector<Block> load;
    boot(load, r, board, bench.t_on_s + bench.ramp_ms * 1e-3 + (board.soft_start_ms + 0.6) * 1e-3, bench.end_s, how, false);
    return simulate(board, bench, fault, load, r);
  }
};

inline ModelBoard drawn(Random& r) {
  ModelBoard made;
  made.board = random_board(r);
  made.bench.ramp_ms = uniform(r, 0.8, 2.5);
  return made;
}

inline std::vector<Diagnosis> diagnosed(const std::vector<Sample>& samples, std::optional<double> limit_mA = 500, const TraceHeader& header = {}) {
  Settings settings;
  settings.rail = Rail::vbus;
  settings.limit_mA = limit_mA;
  return diagnose(features_of(samples, header), header, settings, nullptr, nullptr);
}

inline double confidence_in(const std::vector<Diagnosis>& list, Fault fault) {
  for (const Diagnosis& d : list)
    if (d.fault == fault) return d.confidence;
  return 0;
}

}  // namespace steadycell::supply::test
