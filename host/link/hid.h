#pragma once
#include <boost/asio/any_io_executor.hpp>
#include <chrono>
#include <cstdint>
#include <memory>
#include <string>

#include "link/hid_calls.h"
#include "link/link.h"

// The HID half of a board on USB (PROTOCOL.md section 9): heartbeat and rails-off to the board, meter readings from it. It carries
// nothing that is data, and losing it stops nothing.
namespace steadycell::link {

struct HidPatience {
  std::chrono::milliseconds appear{3000};  // a node's owner is set a moment after it appears
  std::chrono::milliseconds retry{250};    // between two looks for it
  std::chrono::milliseconds silence{6000};  // without a report it counts as lost; a board that measures all contacts may take 5 s
};

// One thread owns the device from opening to closing, looks for it while it is not there, and is the only one that calls hidapi. The
// halves of a board belong together when their UUIDs agree: the one of the stream's greeting, the serial of the HID's device, and
// the one in every report. Where several devices give that UUID, the one at the stream's own place is taken.
class HidHalf {
 public:
  // `uuid` with or without dashes. `told` is called on the executor, until the destructor begins.
  HidHalf(HidCalls& calls, const boost::asio::any_io_executor& executor, const std::string& uuid, std::string place, Link::NewsSink told,
          HidPatience patience = {});
  // Waits until the thread has ended, at most 2 s: the kernel may hold it in a write. Then it is left to end by itself.
  ~HidHalf();
  HidHalf(const HidHalf&) = delete;
  HidHalf& operator=(const HidHalf&) = delete;

  void heartbeat();
  std::uint32_t cut_rails();
  // Asks the thread to end, without waiting, and tells nothing more.
  void end();

 private:
  struct Shared;
  class Thread;

  std::shared_ptr<Shared> shared_;
};

}  // namespace steadycell::link
