#include "link/usb.h"

#include <algorithm>
#include <boost/asio/redirect_error.hpp>
#include <boost/asio/this_coro.hpp>
#include <boost/asio/use_awaitable.hpp>
#include <new>
#include <optional>

#include "base/text.h"
#include "link/hid.h"
#include "link/usb_events.h"
#include "link/usb_pipe.h"
#include "link/uuid_digits.h"
#include "steadycell/usb.h"

namespace steadycell::link {
namespace {

class UsbLink final : public Link {
 public:
  UsbLink(std::shared_ptr<UsbEvents> events, libusb_device* device, std::shared_ptr<UsbPipe> pipe, asio::any_io_executor executor,
          std::string place, std::string description, HidCalls& hid_calls)
      : events_(std::move(events)), device_(device), pipe_(std::move(pipe)), executor_(std::move(executor)), place_(std::move(place)),
        description_(std::move(description)), hid_calls_(hid_calls) {
    events_->when_gone(device_, [pipe = pipe_.get()] { pipe->gone(); });
  }
  ~UsbLink() override {
    events_->forget(device_);
    if (hid_) hid_->end();  // its thread ends while the transfers do
    if (pipe_->drain()) return;
    fmt::print(stderr, "{}: the kernel keeps transfers; they are left to it\n", description_);
    [[maybe_unused]] const auto* kept_for_ever = new (std::nothrow) std::shared_ptr<UsbEvents>(std::move(events_));
  }
  asio::awaitable<Result<std::size_t>> read_some(MutableByteSpan into) override { return pipe_->read_some(into); }
  asio::awaitable<Result<ByteSpan>> read_view(MutableByteSpan /*room*/) override { return pipe_->read_view(); }
  asio::awaitable<Result<void>> write(ByteSpan bytes) override { return pipe_->write(bytes); }
  void close() override {
    pipe_->close();
    if (hid_) hid_->end();
  }
  std::string describe() const override { return description_; }
  void on_news(const NewsSink& sink) override {
    pipe_->on_news(sink);
    news_ = sink;
  }
  bool recover(Rung at_least, const std::string& why) override { return pipe_->recover(at_least, why); }
  bool recovering() const override { return pipe_->recovering(); }
  void open_side(const std::string& uuid) override {
    hid_.emplace(hid_calls_, executor_, uuid, place_, [this](const LinkNews& news) {
      if (news_) news_(news);
    });
  }
  void heartbeat_beside() override {
    if (hid_) hid_->heartbeat();
  }
  std::uint32_t cut_rails_beside() override { return hid_ ? hid_->cut_rails() : 0; }

 private:
  std::shared_ptr<UsbEvents> events_;  // outlives the transfers; never held by them: its own thread could not join itself
  libusb_device* device_;              // held by the pipe's open handle
  std::shared_ptr<UsbPipe> pipe_;
  asio::any_io_executor executor_;
  std::string place_, description_;
  NewsSink news_;
  HidCalls& hid_calls_;
  std::optional<HidHalf> hid_;  // tells its news to this link
};

// Names and rates of USB 2.0 and 3.2.
std::string speed_words(int speed) {
  switch (speed) {
    case LIBUSB_SPEED_LOW:
      return "low speed (1.5 Mbit/s)";
    case LIBUSB_SPEED_FULL:
      return "full speed (12 Mbit/s)";
    case LIBUSB_SPEED_HIGH:
      return "high speed (480 Mbit/s)";
    case LIBUSB_SPEED_SUPER:
      return "SuperSpeed (5 Gbit/s)";
    case LIBUSB_SPEED_SUPER_PLUS:
      return "SuperSpeed (10 Gbit/s)";
    default:
      return "a speed that the kernel does not tell";
  }
}

// The devices there are, and the boards among them at the same place in `boards`.
class Devices {
 public:
  Devices(UsbCalls& calls, libusb_context* context) : calls_(calls) {
    const ssize_t n = calls.device_list(context, &list_);
    for (ssize_t i = 0; i < n; ++i) {
      libusb_device_descriptor facts{};
      if (calls.descriptor(list_[i], &facts) != 0 || facts.idVendor != SCU_VENDOR || facts.idProduct != SCU_PRODUCT) continue;
      const int speed = calls.speed(list_[i]);
      devices.push_back(list_[i]);
      boards.push_back({.place = calls.place(list_[i]),
                        .node = calls.node(list_[i]),
                        .serial = printable(calls.serial(list_[i])),
                        .full_speed = speed == LIBUSB_SPEED_FULL || speed == LIBUSB_SPEED_LOW,
                        .speed = speed_words(speed),
                        .release = fmt::format("{:x}.{:02x}", facts.bcdDevice >> 8, facts.bcdDevice & 0xff),
                        .driver = printable(calls.driver(list_[i]))});
    }
  }
  ~Devices() {
    if (list_ != nullptr) calls_.free_device_list(list_);
  }
  Devices(const Devices&) = delete;
  Devices& operator=(const Devices&) = delete;

  std::vector<libusb_device*> devices;
  std::vector<UsbBoard> boards;

 private:
  UsbCalls& calls_;
  libusb_device** list_ = nullptr;
};

std::string names_of(const std::vector<UsbBoard>& boards) {
  std::string text;
  for (const UsbBoard& board : boards)
    text += fmt::format("{}usb:{} ({})", text.empty() ? "" : ", ", board.place, board.serial.empty() ? "no serial" : board.serial);
  return text;
}

Result<std::size_t> choose(const std::vector<UsbBoard>& boards, const std::string& which) {
  const std::string digits = uuid_digits(which);
  std::vector<std::size_t> fitting;
  for (std::size_t i = 0; i < boards.size(); ++i)
    if (which.empty() || boards[i].place == which || (is_uuid(digits) && uuid_digits(boards[i].serial) == digits))
      fitting.push_back(i);
  if (fitting.size() == 1) return fitting.front();
  const std::string asked = which.empty() ? "usb" : "usb:" + printable(which);
  if (fitting.empty())
    return boards.empty()
               ? failure(Error(ErrorCode::link_open_failed, asked + ": no board is on USB")
                             .advising("check cable and supply of the board (a simulated one: is it plugged in by steadycell-simboard "
                                       "--vhci or usbip attach?); "
                                       "steadycell board list shows what is there"))
               : failure(Error(ErrorCode::link_open_failed, fmt::format("{}: no such board; there are {}", asked, names_of(boards)))
                             .advising("name one of these; steadycell board list says how"));
  std::vector<UsbBoard> several;
  several.reserve(fitting.size());
  for (const std::size_t i : fitting) several.push_back(boards[i]);
  return failure(ErrorCode::board_ambiguous, "{}: {} boards fit: {}", asked, several.size(), names_of(several));
}

}  // namespace

Result<std::vector<UsbBoard>> list_usb_boards(UsbCalls& calls) {
  auto events = UsbEvents::get(calls);
  if (!events) return failure(events.error());
  return Devices(calls, (*events)->context()).boards;
}

asio::awaitable<Result<std::unique_ptr<Link>>> open_usb(std::string which, UsbCalls& calls, UsbPatience patience, HidCalls& hid) {
  const auto executor = co_await asio::this_coro::executor;
  auto events = UsbEvents::get(calls);
  if (!events) co_return failure(events.error());
  asio::steady_timer timer(executor);
  const auto until = std::chrono::steady_clock::now() + patience.permission;
  libusb_device* device = nullptr;
  libusb_device_handle* handle = nullptr;
  UsbBoard board;
  for (auto pause = patience.first_retry;; pause = std::min(pause * 2, patience.longest_retry)) {
    int status = 0;
    {
      const Devices present(calls, (*events)->context());
      const auto chosen = choose(present.boards, which);
      if (!chosen) co_return failure(chosen.error());
      board = present.boards[*chosen];
      device = present.devices[*chosen];
      status = calls.open(device, &handle);
    }
    if (status == 0) break;
    if (status != LIBUSB_ERROR_ACCESS)
      co_return failure(ErrorCode::link_open_failed, "usb:{}: {}", board.place, libusb_error_name(status));
    if (std::chrono::steady_clock::now() + pause > until)
      co_return failure(ErrorCode::usb_permission, "usb:{}: you may not open the board's USB device", board.place);
    timer.expires_after(pause);
    boost::system::error_code ignored;
    co_await timer.async_wait(asio::redirect_error(asio::use_awaitable, ignored));
  }
  const std::string name = fmt::format("usb:{}{}", board.place, board.full_speed ? " (at full speed: a slow port or cable)" : "");
  if (const int status = calls.claim(handle, SCU_BULK_INTERFACE); status != 0) {
    calls.close(handle);
    if (status == LIBUSB_ERROR_BUSY)
      co_return failure(ErrorCode::board_busy, "{}: another program has the board's interface 0", name);
    co_return failure(ErrorCode::link_open_failed, "{}: interface 0 cannot be had: {}", name, libusb_error_name(status));
  }
  auto pipe = std::make_shared<UsbPipe>(**events, handle, executor, name);
  const auto started = pipe->start();
  // Gives all of it back, also when it did not start.
  auto link = std::make_unique<UsbLink>(std::move(*events), device, std::move(pipe), executor, board.place, name, hid);
  if (!started) co_return failure(started.error());
  co_return link;
}

}  // namespace steadycell::link
