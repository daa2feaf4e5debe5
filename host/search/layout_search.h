#pragma once
#include <atomic>
#include <cstdint>
#include <optional>
#include <string>
#include <vector>

#include "ecc/scheme.h"
#include "search/sample.h"
#include "search/verify.h"

// Finds which algebraic code protects the pages of a chip, and where its bytes lie (docs/ecc.md has the method and sources).
namespace steadycell::search {

enum class Family : std::uint8_t {
  spare,     // data in front, code in the spare area, metadata (if any) right before the code
  metadata,  // the same, with metadata elsewhere in the spare area
  metadata_first,  // the same, with metadata in front of the data in the codeword
  chunks     // data, metadata and code follow each other, chunk after chunk, across the border of page and spare area
};

// One part of the search; parts are independent of each other.
struct Task {
  ecc::CodeKind code = ecc::CodeKind::bch;
  Family family = Family::spare;
  ecc::BitOrder bit_order = ecc::BitOrder::msb_first;
  std::uint32_t step_bytes = 0;
  unsigned m = 0;
  std::uint32_t polynomial = 0;
  std::uint32_t first_root = 0;  // Reed-Solomon
};

// All parts that make sense for these pages, the likely ones first.
std::vector<Task> tasks_for(const Sample& sample);

struct TaskResult {
  std::optional<Found> found;    // verified on all pages of the sample
  std::uint64_t hypotheses = 0;  // places, sizes and codes that were tested
};

// Runs one part. Any number of threads may run parts of the same sample. Ends early with nothing when `stop` is set.
TaskResult run(const Sample& sample, const Task& task, const std::atomic<bool>* stop = nullptr);

}  // namespace steadycell::search
