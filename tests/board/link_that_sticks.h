#pragma once
#include <algorithm>
#include <memory>
#include <utility>
#include <vector>

#include "link/link.h"

namespace steadycell::board::testing {

namespace asio = boost::asio;

// Swallows what the board sends from a moment on, until it was recovered by the rung that helps.
class LinkThatSticks : public link::Link {
 public:
  LinkThatSticks(std::unique_ptr<link::Link> inner, link::Rung helps, std::vector<link::Rung>& taken)
      : inner_(std::move(inner)), helps_(helps), taken_(taken) {}

  void stick() { stuck_ = true; }
  // As USB does by itself after a stall: what was under way is gone, the rest comes.
  void stall() { lost_ = 3000; }
  // The same once so many more bytes have come, again and again; they are counted from here on.
  void stall_behind(std::vector<std::size_t> bytes) { behind_ = std::move(bytes), heard_ = 0; }
  bool stalls_ahead() const { return !behind_.empty(); }

  asio::awaitable<Result<std::size_t>> read_some(MutableByteSpan into) override {
    while (true) {
      // In small pieces: the rest of the run must not have arrived when the sink sees a page.
      const auto got = co_await inner_->read_some(into.first(std::min<std::size_t>(into.size(), 4096)));
      if (!got) co_return failure(got.error());
      if (stuck_) continue;
      heard_ += *got;
      if (!behind_.empty() && heard_ >= behind_.front()) {
        behind_.erase(behind_.begin());
        stall();
      }
      const std::size_t gone = std::min(*got, lost_);
      lost_ -= gone;
      if (gone == 0) co_return *got;
      if (lost_ == 0 && news_) news_({link::LinkNews::Kind::recovery, "the board stalls the endpoint: halts cleared"});
      std::copy(into.begin() + static_cast<std::ptrdiff_t>(gone), into.begin() + static_cast<std::ptrdiff_t>(*got), into.begin());
      if (gone < *got) co_return *got - gone;
    }
  }
  asio::awaitable<Result<void>> write(ByteSpan bytes) override { return inner_->write(bytes); }
  void close() override { inner_->close(); }
  std::string describe() const override { return inner_->describe(); }
  void on_news(const NewsSink& sink) override { news_ = sink; }
  bool recover(link::Rung at_least, const std::string& why) override {
    taken_.push_back(at_least);
    if (at_least == helps_) stuck_ = false;
    news_({link::LinkNews::Kind::recovery, why});
    return true;
  }

 private:
  std::unique_ptr<link::Link> inner_;
  link::Rung helps_;
  std::vector<link::Rung>& taken_;
  NewsSink news_;
  std::size_t lost_ = 0, heard_ = 0;
  std::vector<std::size_t> behind_;
  bool stuck_ = false;
};

}  // namespace steadycell::board::testing
