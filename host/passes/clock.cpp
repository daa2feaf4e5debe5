#include "passes/clock.h"

#include <fmt/format.h>
#include <time.h>

#include <ctime>

namespace steadycell::passes {
namespace {

class SystemClock final : public Clock {
 public:
  std::uint64_t monotonic_ns() const override {
    timespec now{};
    clock_gettime(CLOCK_BOOTTIME, &now);  // CLOCK_MONOTONIC stands still while the computer sleeps (clock_gettime(2))
    return static_cast<std::uint64_t>(now.tv_sec) * 1'000'000'000 + static_cast<std::uint64_t>(now.tv_nsec);
  }
  std::string wall_time() const override {  // UTC, so that neither zone nor locale plays a part
    const std::time_t now = std::time(nullptr);
    std::tm utc{};
    gmtime_r(&now, &utc);
    return fmt::format("{:04}-{:02}-{:02}T{:02}:{:02}:{:02}Z", utc.tm_year + 1900, utc.tm_mon + 1, utc.tm_mday, utc.tm_hour,
                       utc.tm_min, utc.tm_sec);
  }
};

}  // namespace

const Clock& system_clock() {
  static const SystemClock clock;
  return clock;
}

}  // namespace steadycell::passes
