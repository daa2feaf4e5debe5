#include "capture/unit_sink.h"

#include <boost/asio/post.hpp>
#include <algorithm>
#include <cassert>

namespace steadycell::capture {
namespace {

constexpr std::uint64_t kRunBytes = 8 << 20;   // a run is short enough for the pool and long enough to hide its round trip
constexpr std::uint64_t kReadBytes = 1 << 20;  // what the client takes from the link at once
constexpr std::uint64_t kWriterBytes = 24 << 20;  // units at the writer, or waiting for it
constexpr std::uint64_t kLeastAtWriter = 2, kMostAtWriter = 4;

}  // namespace

UnitSink::UnitSink(const Geometry& geometry, chip::WaitFor wait, passes::CaptureWriter& writer, asio::thread_pool& pool,
                   asio::any_io_executor executor)
    : geometry_(geometry), wait_(wait), writer_(&writer), pool_(&pool), executor_(std::move(executor)) {
  const std::uint64_t unit = geometry.block_raw_bytes();
  blocks_a_run_ = static_cast<std::uint32_t>(std::max<std::uint64_t>(1, kRunBytes / unit));
  margin_ = kReadBytes / unit + 2;
  most_buffers_ = blocks_a_run_ + margin_ + std::clamp(kWriterBytes / unit, kLeastAtWriter, kMostAtWriter);
}

void UnitSink::start_run(UnitPlace place, BlockAddress first, PassIndex pass) {
  assert(open_.empty());
  place_ = place;
  first_ = first;
  pass_ = pass;
}

bool UnitSink::has_room() { return failed_ || free_.size() + (most_buffers_ - made_buffers_) >= margin_; }

std::unique_ptr<UnitSink::Unit> UnitSink::take_buffer(UnitAddress address) {
  std::unique_ptr<Unit> unit;
  if (free_.empty()) {
    assert(made_buffers_ < most_buffers_ && "has_room keeps the margin");
    ++made_buffers_;
    unit = std::make_unique<Unit>();
    unit->raw.resize(geometry_.block_raw_bytes());
    unit->status.resize(geometry_.pages_per_block);
  } else {
    unit = std::move(free_.back());
    free_.pop_back();
  }
  unit->address = address;
  unit->pages = 0;
  unit->circumstances = {};
  return unit;
}

bool UnitSink::on_page(const board::PageFrame& page) {
  if (failed_) return false;
  const auto block = static_cast<std::uint32_t>(page.index / geometry_.pages_per_block);
  const auto in_block = static_cast<std::uint32_t>(page.index % geometry_.pages_per_block);
  auto& unit = open_[block];
  if (!unit) unit = take_buffer({place_, {first_.index + block}, pass_.value});
  const MutableByteSpan at =
      MutableByteSpan(unit->raw).subspan(std::size_t{in_block} * geometry_.raw_page_bytes(), geometry_.raw_page_bytes());
  if (page.outcome == board::PageOutcome::transfer_error) {
    std::fill(at.begin(), at.end(), std::uint8_t{0xFF});
    unit->status[in_block] = passes::PageStatus::transfer_error;
    ++totals_.transfer_errors;
  } else {
    // What a chip that stayed busy gave is short or nothing: the rest is fill.
    const std::size_t given = std::min(page.bytes.size(), at.size());
    std::copy_n(page.bytes.begin(), given, at.begin());
    std::fill(at.begin() + static_cast<std::ptrdiff_t>(given), at.end(), std::uint8_t{0xFF});
    const bool too_early = wait_ == chip::WaitFor::ready_pin && !page.busy_seen;
    const bool timed_out = page.outcome == board::PageOutcome::ready_timeout;
    unit->status[in_block] = timed_out || too_early ? passes::PageStatus::ready_timeout : passes::PageStatus::read;
    if (!page.busy_seen) {
      unit->circumstances.busy_not_seen.push_back({in_block, 1});
      ++totals_.busy_not_seen;
    }
    totals_.timeouts += timed_out || too_early ? 1 : 0;
    totals_.wp_high += page.wp_high ? 1 : 0;
    totals_.bytes += given;
  }
  if (++unit->pages == geometry_.pages_per_block) {
    auto whole = std::move(unit);
    open_.erase(block);
    hand_over(std::move(whole));
  }
  return true;
}

namespace {

// Pages read again came late: the record wants runs in rising order.
void sort_and_join(std::vector<passes::PageRun>& runs) {
  std::sort(runs.begin(), runs.end(), [](const passes::PageRun& a, const passes::PageRun& b) { return a.first < b.first; });
  std::vector<passes::PageRun> joined;
  for (const passes::PageRun& run : runs) {
    if (!joined.empty() && joined.back().first + joined.back().count == run.first) joined.back().count += run.count;
    else joined.push_back(run);
  }
  runs = std::move(joined);
}

}  // namespace

void UnitSink::hand_over(std::unique_ptr<Unit> unit) {
  sort_and_join(unit->circumstances.busy_not_seen);
  ++outstanding_;
  asio::post(*pool_, [this, unit = std::move(unit)]() mutable {
    auto written = writer_->append_unit(unit->address, unit->raw, unit->status, unit->circumstances);
    asio::post(executor_, [this, unit = std::move(unit), written = std::move(written)]() mutable {
      --outstanding_;
      free_.push_back(std::move(unit));
      if (!written) {
        if (!failed_) failed_ = written.error();
        return;
      }
      ++totals_.units;
      if (on_unit_) on_unit_();
    });
  });
}

void UnitSink::drop_unfinished() {
  for (auto& [block, unit] : open_) free_.push_back(std::move(unit));
  open_.clear();
}

}  // namespace steadycell::capture
