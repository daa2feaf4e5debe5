#include "board/time_source.h"

#include <boost/asio/redirect_error.hpp>
#include <boost/asio/use_awaitable.hpp>

namespace steadycell::board {
namespace {

class RealTime final : public TimeSource {
 public:
  Clock::time_point now() const override { return Clock::now(); }
  boost::asio::awaitable<void> wait(boost::asio::steady_timer& timer, Clock::time_point until) override {
    boost::system::error_code ignored;
    timer.expires_at(until);
    co_await timer.async_wait(boost::asio::redirect_error(boost::asio::use_awaitable, ignored));
  }
};

}  // namespace

TimeSource& real_time() {
  static RealTime time;
  return time;
}

}  // namespace steadycell::board
