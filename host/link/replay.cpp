#include "link/replay.h"

#include <algorithm>
#include <array>
#include <boost/asio/post.hpp>
#include <boost/asio/redirect_error.hpp>
#include <boost/asio/steady_timer.hpp>
#include <boost/asio/use_awaitable.hpp>
#include <deque>
#include <optional>

namespace steadycell::link {
namespace {

// Whole frames out of one direction of a stream.
class Splitter {
 public:
  Splitter() : buffer_(SCP_MAX_FRAME) { scp_parser_init(&parser_, buffer_.data(), buffer_.size()); }
  Splitter(const Splitter&) = delete;
  Splitter& operator=(const Splitter&) = delete;

  template <typename Use>
  void feed(ByteSpan bytes, const Use& use) {
    for (bool found = true; found;) {
      scp_header header;
      const std::uint8_t* payload = nullptr;
      bytes = bytes.subspan(scp_parser_feed(&parser_, bytes.data(), bytes.size(), &found, &header, &payload));
      if (found) use(header, ByteSpan(payload, header.length));
    }
  }
  bool only_whole_frames() const { return parser_.skipped_bytes == 0 && parser_.fill == parser_.done; }

 private:
  Bytes buffer_;
  scp_parser parser_{};
};

class RecordingLink final : public Link {
 public:
  RecordingLink(std::unique_ptr<Link> link, std::shared_ptr<Recording> into)
      : link_(std::move(link)), into_(std::move(into)) {}

  asio::awaitable<Result<std::size_t>> read_some(MutableByteSpan into) override {
    const auto got = co_await link_->read_some(into);
    if (got) keep(from_board_, into.first(*got));
    co_return got;
  }
  asio::awaitable<Result<void>> write(ByteSpan bytes) override {
    keep(to_board_, bytes);  // in front of what it will cause
    co_return co_await link_->write(bytes);
  }
  void close() override { link_->close(); }
  std::string describe() const override { return link_->describe(); }

 private:
  void keep(Splitter& splitter, ByteSpan bytes) {
    splitter.feed(bytes, [&](const scp_header& header, ByteSpan payload) { into_->add(header, payload); });
  }

  std::unique_ptr<Link> link_;
  std::shared_ptr<Recording> into_;
  Splitter to_board_, from_board_;
};

class ReplayLink final : public Link {
 public:
  ReplayLink(const asio::any_io_executor& executor, std::shared_ptr<const Recording> recording)
      : executor_(executor),
        recording_(std::move(recording)),
        wake_(executor, asio::steady_timer::time_point::max()) {}

  asio::awaitable<Result<std::size_t>> read_some(MutableByteSpan into) override {
    // Others on the executor have their turn, as while a real link waits for bytes.
    co_await asio::post(executor_, asio::use_awaitable);
    while (!lost_ && answers_.empty()) {
      boost::system::error_code woken;
      co_await wake_.async_wait(asio::redirect_error(asio::use_awaitable, woken));
    }
    if (lost_) co_return failure(*lost_);
    co_return fill(into);
  }

  asio::awaitable<Result<void>> write(ByteSpan bytes) override {
    if (lost_) co_return failure(*lost_);
    requests_.feed(bytes, [&](const scp_header& header, ByteSpan payload) { answer(header, payload); });
    wake_.cancel();
    co_return Result<void>();
  }

  void close() override {
    end("closed");
    wake_.cancel();
  }
  std::string describe() const override { return "replay"; }

 private:
  struct Answer {
    const Recording::Exchange* exchange;
    std::uint32_t request_id;
    std::size_t next = 0;  // of the frames caused
  };

  void end(std::string_view why) {
    if (!lost_) lost_ = Error(ErrorCode::link_lost, fmt::format("{}: {}", describe(), why));
  }

  void answer(const scp_header& header, ByteSpan payload) {
    const Recording::Exchange* const found = match(header, payload);
    if (found && !found->caused.empty()) answers_.push_back({found, header.request_id});
    if (!found && header.type != SCP_HEARTBEAT)
      end(fmt::format("nobody asked request 0x{:04x} at this place when it was recorded", header.type));
  }

  const Recording::Exchange* match(const scp_header& header, ByteSpan payload) {
    const std::vector<Recording::Exchange>& all = recording_->exchanges();
    const auto same = [&](const Recording::Exchange& one) {
      const ByteSpan its = recording_->payload_of(one.request);
      return one.request.header.type == header.type &&
             std::equal(its.begin(), its.end(), payload.begin(), payload.end());
    };
    if (header.type == SCP_HEARTBEAT) {  // goes by the clock: anywhere between the others
      const auto any = std::find_if(all.begin(), all.end(), same);
      return any == all.end() ? nullptr : &*any;
    }
    for (std::size_t i = next_; i < all.size(); ++i) {
      if (same(all[i])) {
        next_ = i + 1;
        return &all[i];
      }
      if (!all[i].asked_before && all[i].request.header.type != SCP_HEARTBEAT) break;
    }
    for (std::size_t i = next_; i-- > 0;)
      if (same(all[i])) return &all[i];
    return nullptr;
  }

  // The frame to be sent next, or the rest of the one that is being sent.
  void begin_frame() {
    if (sent_ > 0) return;
    const Answer& now = answers_.front();
    frame_ = now.exchange->caused[now.next];
    if (frame_.header.type == (SCP_HELLO | SCP_ANSWER)) sequences_.fill(0);
    frame_.header.request_id = now.request_id;
    frame_.header.sequence = sequences_[frame_.header.channel]++;
    scp_put_header(header_.data(), &frame_.header);
  }

  std::size_t fill(MutableByteSpan into) {
    std::size_t given = 0;
    while (given < into.size() && !answers_.empty()) {
      begin_frame();
      const ByteSpan whole = recording_->bytes().subspan(frame_.offset, frame_.size());
      const ByteSpan part = sent_ < header_.size() ? ByteSpan(header_).subspan(sent_) : whole.subspan(sent_);
      const std::size_t count = std::min(part.size(), into.size() - given);
      std::copy_n(part.begin(), count, into.begin() + static_cast<std::ptrdiff_t>(given));
      given += count;
      sent_ += count;
      if (sent_ < whole.size()) continue;
      sent_ = 0;
      if (++answers_.front().next == answers_.front().exchange->caused.size()) answers_.pop_front();
    }
    return given;
  }

  asio::any_io_executor executor_;
  std::shared_ptr<const Recording> recording_;
  asio::steady_timer wake_;
  Splitter requests_;
  std::size_t next_ = 0;  // exchange that is expected
  std::deque<Answer> answers_;
  Recording::Frame frame_;  // being sent, with the header of now
  std::array<std::uint8_t, SCP_HEADER_BYTES> header_{};
  std::size_t sent_ = 0;  // bytes of it
  std::array<std::uint32_t, SCP_CHANNELS> sequences_{};
  std::optional<Error> lost_;
};

}  // namespace

Result<Recording> Recording::parse(ByteSpan bytes) {
  Recording recording;
  Splitter splitter;
  splitter.feed(bytes, [&](const scp_header& header, ByteSpan payload) { recording.add(header, payload); });
  if (!splitter.only_whole_frames())
    return failure(
        Error(ErrorCode::bad_input_file, "the recording of a link holds something other than whole frames")
            .advising("record it anew"));
  return recording;
}

void Recording::add(const scp_header& header, ByteSpan payload) {
  if (header.request_id == 0) return;  // an event
  const Frame frame{.header = header, .offset = bytes_.size()};
  std::array<std::uint8_t, SCP_HEADER_BYTES> head;
  std::array<std::uint8_t, SCP_TRAILER_BYTES> trailer;
  scp_put_header(head.data(), &header);
  scp_put_trailer(trailer.data(), payload.data(), payload.size());
  bytes_.insert(bytes_.end(), head.begin(), head.end());
  bytes_.insert(bytes_.end(), payload.begin(), payload.end());
  bytes_.insert(bytes_.end(), trailer.begin(), trailer.end());
  const bool is_request = header.channel == SCP_CHANNEL_COMMAND && (header.type & SCP_ANSWER) == 0;
  if (is_request) {
    const bool asked_before = std::any_of(exchanges_.begin(), exchanges_.end(), [&](const Exchange& one) {
      const ByteSpan its = payload_of(one.request);
      return one.request.header.type == header.type &&
             std::equal(its.begin(), its.end(), payload.begin(), payload.end());
    });
    exchanges_.push_back({.request = frame, .caused = {}, .asked_before = asked_before});
    return;
  }
  // Nearly always the last one.
  const auto cause = std::find_if(exchanges_.rbegin(), exchanges_.rend(), [&](const Exchange& one) {
    return one.request.header.request_id == header.request_id;
  });
  if (cause != exchanges_.rend()) cause->caused.push_back(frame);
}

std::unique_ptr<Link> record(std::unique_ptr<Link> link, std::shared_ptr<Recording> into) {
  return std::make_unique<RecordingLink>(std::move(link), std::move(into));
}

std::unique_ptr<Link> replay(const asio::any_io_executor& executor, std::shared_ptr<const Recording> recording) {
  return std::make_unique<ReplayLink>(executor, std::move(recording));
}

}  // namespace steadycell::link
