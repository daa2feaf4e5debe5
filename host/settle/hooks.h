#pragma once
#include <atomic>
#include <cstdint>
#include <functional>
#include <string_view>

#include "base/result.h"

namespace steadycell::settle {

struct Progress {
  std::string_view
      stage;  // "measuring", "settling", "verifying", "exporting", "checking", "sampling", "searching", "assessing", "comparing pages", ..
  std::uint64_t done = 0, total = 0;
  const char* unit = "blocks";        // "parts" while searching
  std::uint64_t bytes = 0;            // raw bytes of pages gone through so far in this stage
};

// What a caller lends to a long job. Callbacks come from the thread that called.
struct Hooks {
  std::function<void(const Progress&)> progress;  // may be empty; after each block
  const std::atomic<bool>* stop = nullptr;        // set by anybody: the job ends at the next block with `interrupted`

  void tell(const Progress& now) const {
    if (progress) progress(now);
  }
  Result<void> go_on(std::string_view stage) const {
    if (stop != nullptr && stop->load(std::memory_order_relaxed)) {
      return failure(ErrorCode::interrupted, "{} stopped on request", stage);
    }
    return {};
  }
};

}  // namespace steadycell::settle
