#include "link/usb_pipe.h"

#include <algorithm>
#include <boost/asio/post.hpp>
#include <boost/asio/redirect_error.hpp>
#include <boost/asio/use_awaitable.hpp>
#include <chrono>
#include <system_error>
#include <thread>
#include <utility>

#include "base/text.h"
#include "steadycell/usb.h"

namespace steadycell::link {
namespace {

using namespace std::chrono_literals;
constexpr int kMostFaults = 8;         // then it is the cable or the board, not noise
constexpr std::array kRungNames{"halts cleared", "interface claimed again", "port reset"};  // in the order of kLadder
constexpr unsigned kWriteLimit = 500;  // ms for one transfer; the board takes any at once unless its queue is full
constexpr int kWriteTries = 6;
constexpr auto kDrainLimit = 2s;
constexpr const char* kUnplugged = "unplugged";

std::string words_for(libusb_transfer_status status) {
  switch (status) {
    case LIBUSB_TRANSFER_STALL:
      return "the board stalls the endpoint";
    case LIBUSB_TRANSFER_OVERFLOW:
      return "the board sends more than a packet holds";
    default:
      return "transfers fail on the bus";
  }
}

const char* words_for_error(int status) {
  return status == LIBUSB_ERROR_NO_DEVICE ? kUnplugged : libusb_error_name(status);
}

}  // namespace

std::size_t transfers_within(unsigned limit_mib) {
  if (limit_mib == 0) return kMostTransfers;
  const std::size_t quarter = (std::size_t{limit_mib} << 20) / 4 / kTransferBytes;
  return std::clamp(quarter, kLeastTransfers, kMostTransfers);
}

UsbPipe::UsbPipe(UsbEvents& events, libusb_device_handle* handle, const asio::any_io_executor& executor, std::string name)
    : events_(events), calls_(events.calls()), handle_(handle), name_(std::move(name)), changed_(asio::steady_timer(executor)),
      executor_(executor) {
  changed_->expires_at(asio::steady_timer::time_point::max());
}

bool UsbPipe::make(Slot& slot, unsigned char endpoint, int bytes) {
  slot.transfer.reset(libusb_alloc_transfer(0));
  if (!slot.transfer) return false;
  slot.buffer.resize(static_cast<std::size_t>(bytes));
  slot.pipe = this;
  libusb_fill_bulk_transfer(slot.transfer.get(), handle_, endpoint, slot.buffer.data(), bytes, &UsbPipe::on_completion, &slot, 0);
  return true;
}

Result<void> UsbPipe::start() {
  const std::size_t wanted = transfers_within(calls_.memory_limit_mib());
  if (!make(out_, SCU_BULK_OUT, kTransferBytes)) return failure(ErrorCode::link_open_failed, "{}: out of memory", name_);
  int status = 0;
  while (reads_.size() < wanted && status == 0) {
    auto slot = std::make_unique<Slot>();
    if (!make(*slot, SCU_BULK_IN, kTransferBytes)) break;
    status = submit(*slot);
    if (status == 0) {
      ++reading_;
      reads_.push_back(std::move(slot));
    }
  }
  // Other programs' transfers may fill the kernel's budget: fewer of ours are slower, none do not work.
  if (!reads_.empty()) return {};
  if (status == LIBUSB_ERROR_NO_MEM)
    return failure(Error(ErrorCode::link_open_failed, fmt::format("{}: the kernel's {} MiB for all USB transfers are used up", name_,
                                                                  calls_.memory_limit_mib()))
                       .advising("end other programs that use USB, or raise usbcore.usbfs_memory_mb"));
  return failure(ErrorCode::link_open_failed, "{}: reading cannot start: {}", name_, libusb_error_name(status));
}

int UsbPipe::submit(Slot& slot) {
  {
    const std::lock_guard lock(exchange_);
    slot.keeper = shared_from_this();
    ++in_flight_;
  }
  const int status = calls_.submit(slot.transfer.get());
  if (status == 0) return 0;
  const std::lock_guard lock(exchange_);
  slot.keeper.reset();
  --in_flight_;
  return status;
}

// On the event thread.
void UsbPipe::on_completion(libusb_transfer* transfer) {
  Slot* slot = static_cast<Slot*>(transfer->user_data);
  const std::shared_ptr<UsbPipe> pipe = std::move(slot->keeper);  // lives to the end of this function at least
  const std::lock_guard lock(pipe->exchange_);
  --pipe->in_flight_;
  if (!pipe->listening_) return;
  pipe->completed_.push_back(slot);
  if (pipe->completed_.size() > 1) return;
  pipe->events_.after_round([weak = pipe->weak_from_this()] {
    if (const auto self = weak.lock()) self->post(&UsbPipe::take_completions);
  });
}

void UsbPipe::post(void (UsbPipe::*what)()) {
  const std::lock_guard lock(exchange_);
  if (!listening_) return;
  asio::post(executor_, [weak = weak_from_this(), what] {
    if (const auto self = weak.lock()) ((*self).*what)();
  });
}

asio::awaitable<void> UsbPipe::change() {
  ++waiting_;
  boost::system::error_code ignored;
  co_await changed_->async_wait(asio::redirect_error(asio::use_awaitable, ignored));
}

void UsbPipe::wake() {
  if (waiting_ == 0 || !changed_) return;
  waiting_ = 0;
  changed_->cancel();
}

void UsbPipe::take_completions() {
  std::vector<Slot*> completed;
  {
    const std::lock_guard lock(exchange_);
    completed.swap(completed_);
  }
  for (Slot* slot : completed) {
    if (slot == &out_) {
      written_ = slot;
      writing_ = false;
    } else {
      --reading_;
      take_read(*slot);
    }
  }
  act();
  wake();
}

void UsbPipe::take_read(Slot& slot) {
  const libusb_transfer_status status = slot.transfer->status;
  if (status == LIBUSB_TRANSFER_NO_DEVICE) return fail(kUnplugged);
  if (broken_) return;
  // What arrived counts whatever came of the transfer; only after an overflow are the bytes undefined.
  if (status != LIBUSB_TRANSFER_OVERFLOW && slot.transfer->actual_length > 0) {
    faults_ = 0;
    if (!climbing_ && trouble_side_ == Side::in) rungs_ = 0;
    filled_.push_back(&slot);
  }
  if (climbing_) return;
  if (status == LIBUSB_TRANSFER_STALL) return climb(kLadder.front(), words_for(status), Side::in);
  const bool fault = status != LIBUSB_TRANSFER_COMPLETED && status != LIBUSB_TRANSFER_TIMED_OUT && status != LIBUSB_TRANSFER_CANCELLED;
  if (fault && ++faults_ >= kMostFaults)
    return climb(kLadder.front(), fmt::format("{}, {} times on end", words_for(status), faults_), Side::in);
  if (filled_.empty() || filled_.back() != &slot) read_into(slot);
}

void UsbPipe::read_into(Slot& slot) {
  if (const int status = submit(slot); status != 0) return fail(words_for_error(status));
  ++reading_;
}

// ---- The ladder ----

bool UsbPipe::recover(Rung at_least, const std::string& why) {
  if (!climbing_) climb(at_least, why, Side::in);
  return !broken_;
}

void UsbPipe::climb(Rung at_least, const std::string& why, Side side) {
  if (broken_ || climbing_) return;
  if (rungs_ == kLadder.size()) return fail(fmt::format("{}; in vain: {}", why, fmt::join(kRungNames, ", ")));
  rungs_ = std::max(rungs_, static_cast<std::size_t>(at_least)) + 1;
  faults_ = 0;
  trouble_ = why;
  trouble_side_ = side;
  climbing_ = true;
  for (const auto& slot : reads_) calls_.cancel(slot->transfer.get());  // those that are not in flight say so, no more
  calls_.cancel(out_.transfer.get());
  act();
}

// Once the kernel has given back every transfer. The calls of a rung wait for the board (the kernel gives an answer 5 s), so they have
// a thread of their own: neither events nor heartbeats wait with them. An asynchronous CLEAR_FEATURE of ours would not do: only the
// kernel's own call also resets the toggle on the host's side, and without that the next packet is dropped as a repeated one
// (USB 2.0 section 8.6).
void UsbPipe::act() {
  if (!climbing_ || acting_ || broken_ || reading_ > 0 || writing_) return;
  acting_ = true;
  {
    const std::lock_guard lock(exchange_);
    ++in_flight_;  // the handle stays open as long as for a transfer
  }
  const auto on_own_thread = [self = shared_from_this(), rung = kLadder.at(rungs_ - 1)] {
    const int status = self->take_rung(rung);
    const std::lock_guard lock(self->exchange_);
    --self->in_flight_;
    if (!self->listening_) return;
    asio::post(self->executor_, [weak = self->weak_from_this(), status] {
      if (const auto pipe = weak.lock()) pipe->acted(status);
    });
  };
  try {
    std::thread(on_own_thread).detach();
  } catch (const std::system_error&) {
    {
      const std::lock_guard lock(exchange_);
      --in_flight_;
    }
    acting_ = climbing_ = false;
    fail(fmt::format("{}; no thread can be had to recover it", trouble_));
  }
}

int UsbPipe::take_rung(Rung rung) {
  if (rung == Rung::clear_halts) {
    const int in = calls_.clear_halt(handle_, SCU_BULK_IN), out = calls_.clear_halt(handle_, SCU_BULK_OUT);
    return in != 0 ? in : out;
  }
  if (rung == Rung::claim_again) {
    calls_.release(handle_, SCU_BULK_INTERFACE);
    const int claimed = calls_.claim(handle_, SCU_BULK_INTERFACE);
    // Claiming says nothing to the board; setting its only setting makes both ends begin anew (USB 2.0 section 9.1.1.5).
    return claimed != 0 ? claimed : calls_.set_interface(handle_, SCU_BULK_INTERFACE, 0);
  }
  return calls_.reset(handle_);
}

void UsbPipe::acted(int status) {
  acting_ = climbing_ = false;
  wake();
  if (broken_) return;
  // NOT_FOUND: it came back from a reset as another device.
  if (status == LIBUSB_ERROR_NO_DEVICE || status == LIBUSB_ERROR_NOT_FOUND) return fail(kUnplugged);
  const char* const rung = kRungNames.at(rungs_ - 1);
  if (news_) {
    const std::string what = status == 0 ? rung : fmt::format("{} failed ({})", rung, libusb_error_name(status));
    news_({LinkNews::Kind::recovery, fmt::format("{}: {}: {}", name_, trouble_, what)});
  }
  if (status != 0) return climb(kLadder.front(), trouble_, trouble_side_);
  resume_reading();
}

void UsbPipe::resume_reading() {
  for (const auto& slot : reads_) {
    if (broken_) return;
    const bool holds_bytes = slot.get() == lent_ || std::find(filled_.begin(), filled_.end(), slot.get()) != filled_.end();
    if (!holds_bytes) read_into(*slot);
  }
}

void UsbPipe::gone() {
  post(&UsbPipe::unplugged);
}

void UsbPipe::unplugged() {
  end(kUnplugged);
}

void UsbPipe::fail(std::string why) {
  if (!broken_) broken_ = std::move(why);
  wake();
}

Error UsbPipe::error() const {
  return Error(ErrorCode::link_lost, fmt::format("{}: {}", name_, *broken_));
}

asio::awaitable<Result<ByteSpan>> UsbPipe::read_view() {
  const auto alive = shared_from_this();
  if (!left_.empty()) co_return std::exchange(left_, {});
  give_back();
  while (filled_.empty()) {
    if (broken_) co_return failure(error());
    co_await change();
  }
  lent_ = filled_.front();
  filled_.pop_front();
  co_return ByteSpan(lent_->buffer).first(static_cast<std::size_t>(lent_->transfer->actual_length));
}

asio::awaitable<Result<std::size_t>> UsbPipe::read_some(MutableByteSpan into) {
  const auto view = co_await read_view();
  if (!view) co_return failure(view.error());
  const std::size_t n = std::min(view->size(), into.size());
  std::copy_n(view->begin(), n, into.begin());
  left_ = view->subspan(n);
  if (left_.empty()) give_back();
  co_return n;
}

void UsbPipe::give_back() {
  if (lent_ == nullptr) return;
  Slot& slot = *std::exchange(lent_, nullptr);
  if (!broken_ && !climbing_) read_into(slot);  // else the ladder submits it; a failure is told by the next read
}

asio::awaitable<Result<void>> UsbPipe::write(ByteSpan bytes) {
  const auto alive = shared_from_this();
  int tries = 0;
  while (!bytes.empty()) {
    while (recovering()) co_await change();
    if (broken_) co_return failure(error());
    const std::size_t n = std::min(bytes.size(), out_.buffer.size());
    std::copy_n(bytes.begin(), n, out_.buffer.begin());
    out_.transfer->length = static_cast<int>(n);
    out_.transfer->timeout = kWriteLimit;
    written_.reset();
    if (const int status = submit(out_); status != 0) {
      fail(words_for_error(status));
      co_return failure(error());
    }
    writing_ = true;
    while (!written_ && !broken_) co_await change();
    if (!written_) co_return failure(error());  // the kernel may keep the transfer: nothing else is sent
    const libusb_transfer_status status = out_.transfer->status;
    // A transfer that ran out of time or was taken back may have brought part over: that part is never sent twice.
    const auto sent = static_cast<std::size_t>(out_.transfer->actual_length);
    bytes = bytes.subspan(sent);
    if (sent > 0) {
      tries = 0;
      if (!climbing_ && trouble_side_ == Side::out) rungs_ = 0;
    }
    if (status == LIBUSB_TRANSFER_NO_DEVICE) {
      fail(kUnplugged);
    } else if (status == LIBUSB_TRANSFER_STALL) {
      climb(kLadder.front(), "the board stalls the endpoint it is written to", Side::out);
    } else if (status != LIBUSB_TRANSFER_COMPLETED && !climbing_ && ++tries >= kWriteTries) {
      tries = 0;
      climb(kLadder.front(),
            status == LIBUSB_TRANSFER_TIMED_OUT ? fmt::format("the board took nothing for {} ms", kWriteTries * kWriteLimit)
                                                : words_for(status),
            Side::out);
    }
  }
  co_return Result<void>();
}

void UsbPipe::close() {
  filled_.clear();
  left_ = {};
  end("closed");
}

void UsbPipe::end(std::string why) {
  fail(std::move(why));
  for (const auto& slot : reads_) calls_.cancel(slot->transfer.get());
  if (out_.transfer) calls_.cancel(out_.transfer.get());
}

bool UsbPipe::drain() {
  close();
  const auto until = std::chrono::steady_clock::now() + kDrainLimit;
  while (true) {
    {
      const std::lock_guard lock(exchange_);
      if (in_flight_ == 0 || std::chrono::steady_clock::now() > until) {
        listening_ = false;
        changed_.reset();
        executor_ = {};
        if (in_flight_ > 0) return false;
        break;
      }
    }
    std::this_thread::sleep_for(1ms);
  }
  calls_.release(handle_, SCU_BULK_INTERFACE);
  calls_.close(handle_);
  return true;
}

}  // namespace steadycell::link
