#pragma once
#include <cstdint>
#include <string>

namespace steadycell::passes {

// The two times of a journal record, passed in so that tests can hold them still.
class Clock {
 public:
  virtual ~Clock() = default;
  virtual std::uint64_t monotonic_ns() const = 0;  // durations, the time that the computer slept included; its zero means nothing
  virtual std::string wall_time() const = 0;       // UTC, ISO 8601; may jump
};
const Clock& system_clock();

}  // namespace steadycell::passes
