#pragma once
#include <atomic>
#include <cstdint>
#include <functional>

#include "base/result.h"

namespace steadycell::passes {

// What a caller lends to a job on a capture. Callbacks come from the thread that called.
struct Hooks {
  std::function<void(std::uint64_t done, std::uint64_t total, std::uint64_t bytes)> progress;  // may be empty; in the unit the job names
  const std::atomic<bool>* stop = nullptr;  // set by anybody: the job ends at the next block with `interrupted`

  bool stopped() const { return stop != nullptr && stop->load(std::memory_order_relaxed); }
  void tell(std::uint64_t done, std::uint64_t total, std::uint64_t bytes) const {
    if (progress) progress(done, total, bytes);
  }
};

}  // namespace steadycell::passes
