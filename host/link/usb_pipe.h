#pragma once
#include <array>
#include <boost/asio/any_io_executor.hpp>
#include <boost/asio/awaitable.hpp>
#include <boost/asio/steady_timer.hpp>
#include <deque>
#include <memory>
#include <mutex>
#include <optional>
#include <string>
#include <vector>

#include "link/link.h"
#include "link/usb_events.h"

namespace steadycell::link {

// usbfs counts the buffers of all programs' transfers against one limit, 16 MiB unless the kernel is told otherwise. A ring is
// 1 MiB, less when the limit is small: a quarter of it, but five transfers at least: one lies with the reader, and with fewer than four
// in flight a fast board waits.
inline constexpr int kTransferBytes = 64 << 10;  // a multiple of 1024, so of every packet size: no overflow from a short buffer
inline constexpr std::size_t kLeastTransfers = 5, kMostTransfers = 16;
std::size_t transfers_within(unsigned limit_mib);

// An open, claimed bulk interface and its transfers. All but the transfers' callbacks runs on the executor's thread; a callback
// takes note of the completion and wakes that thread. Transfers belong to the pipe, and the pipe to every transfer in
// flight: nothing is freed under the kernel's hands.
class UsbPipe : public std::enable_shared_from_this<UsbPipe> {
 public:
  UsbPipe(UsbEvents& events, libusb_device_handle* handle, const asio::any_io_executor& executor, std::string name);
  UsbPipe(const UsbPipe&) = delete;
  UsbPipe& operator=(const UsbPipe&) = delete;

  Result<void> start();
  asio::awaitable<Result<std::size_t>> read_some(MutableByteSpan into);
  // What one transfer brought, where it lies: valid until the next read. The transfer is sent again then.
  asio::awaitable<Result<ByteSpan>> read_view();
  asio::awaitable<Result<void>> write(ByteSpan bytes);
  void close();
  // The ladder: clear the halts of both endpoints, claim the interface anew and set its setting, reset the port. On every rung
  // all transfers are taken back first; what arrived is kept. Stalls and faults on end climb by themselves, a rung higher each
  // time until bytes move again. False: there is no rung left, or the pipe is broken.
  bool recover(Rung at_least, const std::string& why);
  bool recovering() const { return climbing_ && !broken_; }
  void on_news(Link::NewsSink sink) { news_ = std::move(sink); }
  // The board left the bus; may be called on any thread. Ends reading and writing at once, whatever becomes of the transfers.
  void gone();
  // For the end of the link. Closes, then waits until the kernel has given back every transfer: at most 2 s. False: some are still
  // out, and are left to it together with the handle. Nothing comes to the executor afterwards.
  bool drain();

 private:
  struct Slot {
    std::unique_ptr<libusb_transfer, decltype(&libusb_free_transfer)> transfer{nullptr, &libusb_free_transfer};
    Bytes buffer;
    UsbPipe* pipe = nullptr;
    std::shared_ptr<UsbPipe> keeper;  // set while in flight
  };
  static void LIBUSB_CALL on_completion(libusb_transfer* transfer);
  bool make(Slot& slot, unsigned char endpoint, int bytes);
  int submit(Slot& slot);
  asio::awaitable<void> change();
  void wake();
  void post(void (UsbPipe::*what)());  // from any thread to the executor's
  void unplugged();
  void take_completions();
  void take_read(Slot& slot);
  enum class Side : std::uint8_t { in, out };
  void climb(Rung at_least, const std::string& why, Side side);
  void act();
  int take_rung(Rung rung);
  void acted(int status);
  void resume_reading();
  void give_back();
  void read_into(Slot& slot);
  void fail(std::string why);
  void end(std::string why);  // takes back what is under way, too
  Error error() const;

  UsbEvents& events_;  // lives as long as transfers may end
  UsbCalls& calls_;
  libusb_device_handle* handle_;
  std::string name_;
  std::vector<std::unique_ptr<Slot>> reads_;
  Slot out_;
  std::deque<Slot*> filled_;  // in the order of arrival, which on one endpoint is the order of submission
  Slot* lent_ = nullptr;       // whose bytes the last read_view() gave out
  ByteSpan left_;              // of those: what read_some() has not taken yet
  std::optional<Slot*> written_;
  std::optional<std::string> broken_;
  std::size_t reading_ = 0;  // IN transfers in flight, as the executor's thread knows
  int faults_ = 0;         // on end, without a byte between
  bool writing_ = false;  // the OUT transfer is in flight
  std::size_t rungs_ = 0;  // the lowest that are behind us since bytes last moved on the side that is in trouble
  bool climbing_ = false, acting_ = false;
  Side trouble_side_ = Side::in;
  std::string trouble_;
  Link::NewsSink news_;

  // Never expires: cancelling it wakes reader and writer. Gone after drain(): the last to hold the pipe may be the event thread.
  std::optional<asio::steady_timer> changed_;
  int waiting_ = 0;
  // Between the event thread and the executor's; never held over a call of libusb.
  std::mutex exchange_;
  std::vector<Slot*> completed_;
  std::size_t in_flight_ = 0;
  bool listening_ = true;  // the executor may still be posted to
  asio::any_io_executor executor_;
};

}  // namespace steadycell::link
