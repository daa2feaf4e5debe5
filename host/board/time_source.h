#pragma once
#include <boost/asio/awaitable.hpp>
#include <boost/asio/steady_timer.hpp>
#include <chrono>

namespace steadycell::board {

using Clock = std::chrono::steady_clock;

// What a client's deadlines and pauses are counted in: the real time, unless a test brings its own.
class TimeSource {
 public:
  virtual ~TimeSource() = default;
  virtual Clock::time_point now() const = 0;
  // Returns at `until`, or once somebody cancels the timer.
  virtual boost::asio::awaitable<void> wait(boost::asio::steady_timer& timer, Clock::time_point until) = 0;
};

TimeSource& real_time();

}  // namespace steadycell::board
