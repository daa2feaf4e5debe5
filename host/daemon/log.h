#pragma once
#include <chrono>
#include <cstdint>
#include <map>
#include <string>
#include <string_view>

namespace steadycell::daemon {

// Lines on standard error, for the journal. A line of a kind that was told within the last 10 s is counted instead, and
// the count told with the next one of its kind. No kind (""): always told.
class Log {
 public:
  void tell(std::string_view kind, const std::string& text);

 private:
  struct Kind {
    std::chrono::steady_clock::time_point last;
    std::uint64_t held_back = 0;
  };
  std::map<std::string, Kind, std::less<>> kinds_;
};

}  // namespace steadycell::daemon
