#include "passes/clock.h"

#include <fmt/format.h>
#include <time.h>

#include <chrono>

namespace steadycell::passes {
namespace {

class SystemClock final : public Clock {
 public:
  std::uint64_t monotonic_ns() const override {
    return static_cast<std::uint64_t>(
        std::chrono::duration_cast<std::chrono::nanoseconds>(std::chrono::steady_clock::now().time_since_epoch()).count());
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
