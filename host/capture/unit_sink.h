#pragma once
#include <boost/asio/any_io_executor.hpp>
#include <boost/asio/thread_pool.hpp>
#include <map>
#include <memory>
#include <optional>
#include <vector>

#include "board/client.h"
#include "chip/bus.h"
#include "passes/capture.h"

// From page frames to units on the disk. Not for other rooms.
namespace steadycell::capture {

namespace asio = boost::asio;

// Gathers the pages of a run into unit buffers of a fixed pool (one copy each) and hands full units to a writer on its own
// thread. Lives on the client's thread.
class UnitSink final : public board::PageSink {
 public:
  // Units written and pages that did not come; callbacks on the client's thread.
  struct Totals {
    std::uint64_t units = 0, bytes = 0, transfer_errors = 0, timeouts = 0, busy_not_seen = 0, wp_high = 0;
  };

  // `wait`: by the pin, a page whose R/B# was never seen low was taken before it was ready, and does not vote.
  UnitSink(const Geometry& geometry, chip::WaitFor wait, passes::CaptureWriter& writer, asio::thread_pool& pool,
           asio::any_io_executor executor);

  // The run that starts now: block `first` and on, `blocks` of them, in one pass of one LUN.
  void start_run(UnitPlace place, BlockAddress first, PassIndex pass);
  bool on_page(const board::PageFrame& page) override;
  bool has_room() override;

  // Units handed over and not yet written.
  std::size_t outstanding() const { return outstanding_; }
  const std::optional<Error>& failed() const { return failed_; }
  const Totals& totals() const { return totals_; }
  // Most blocks one run may have, so that units with a page still missing fit the pool.
  std::uint32_t blocks_a_run() const { return blocks_a_run_; }
  void on_unit(std::function<void()> callback) { on_unit_ = std::move(callback); }
  // Forgets units that are not whole: their run has ended early.
  void drop_unfinished();

 private:
  struct Unit {
    UnitAddress address;
    Bytes raw;
    std::vector<passes::PageStatus> status;
    std::uint32_t pages = 0;
    passes::Circumstances circumstances;
  };
  std::unique_ptr<Unit> take_buffer(UnitAddress address);
  void hand_over(std::unique_ptr<Unit> unit);

  Geometry geometry_;
  chip::WaitFor wait_;
  passes::CaptureWriter* writer_;
  asio::thread_pool* pool_;
  asio::any_io_executor executor_;
  std::uint32_t blocks_a_run_;
  std::size_t margin_;  // buffers that one read from the link can fill
  std::size_t most_buffers_, made_buffers_ = 0;
  std::vector<std::unique_ptr<Unit>> free_;
  std::map<std::uint32_t, std::unique_ptr<Unit>> open_;  // by block of the run
  UnitPlace place_;
  BlockAddress first_;
  PassIndex pass_;
  std::size_t outstanding_ = 0;
  std::optional<Error> failed_;
  Totals totals_;
  std::function<void()> on_unit_;
};

}  // namespace steadycell::capture
