#include "daemon/log.h"

#include <fmt/format.h>

#include <cstdio>

#include "base/text.h"

namespace steadycell::daemon {

void Log::tell(std::string_view kind, const std::string& text) {
  const auto now = std::chrono::steady_clock::now();
  const auto found = kind.empty() ? kinds_.end() : kinds_.find(kind);
  if (found != kinds_.end() && now - found->second.last < std::chrono::seconds(10)) {
    ++found->second.held_back;
    return;
  }
  const std::uint64_t held_back = found != kinds_.end() ? found->second.held_back : 0;
  if (!kind.empty()) kinds_.insert_or_assign(std::string(kind), Kind{now, 0});
  // Where it cannot be told (a log on a full disk), it is not told: that ends no job.
  static_cast<void>(std::fputs(
      fmt::format("steadycelld: {}{}\n", printable(text), held_back > 0 ? fmt::format(" (and {} more like it)", held_back) : "").c_str(),
      stderr));
}

}  // namespace steadycell::daemon
