#pragma once
#include <cstdint>
#include <functional>
#include <string>

#include "base/json.h"

namespace steadycell::api {

// How far a job is. `stage` is a plain word ("reading pass 2 of 5", "settling"); `done` and `total` count its own unit.
struct Progress {
  std::string stage;
  std::string unit;  // "blocks", "pages", "samples"
  std::uint64_t done = 0, total = 0;
  std::uint64_t bytes = 0;      // moved so far in this stage
  double bytes_per_second = 0;  // 0 = not known yet
  double seconds_left = -1;     // below 0 = not known yet
};

// {"event": "progress", "stage", "unit", "done", "total", "bytes", "bytes_per_second", "seconds_left"}
json::Value to_json(const Progress& progress);

using ProgressSink = std::function<void(const Progress&)>;

}  // namespace steadycell::api
