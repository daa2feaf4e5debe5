#pragma once
#include <boost/asio/steady_timer.hpp>
#include <boost/asio/this_coro.hpp>
#include <boost/asio/use_awaitable.hpp>
#include <functional>

#include "link/fake_hid.h"
#include "link/fake_usb.h"
#include "link/run.h"
#include "link/usb.h"
#include "link/usb_pipe.h"

// A link to a board on a USB that a FakeUsb stands for, and what must be given back behind it.
namespace steadycell::link::testing {

inline const FakeUsb::Device kBoard{.place = "1-2.3", .serial = kSerial};

// What comes of asking for a board there.
inline Error refused(FakeUsb& usb, const std::string& which, UsbPatience patience = {}) {
  asio::io_context context;
  std::optional<Error> out;
  run(context, [](FakeUsb& calls, std::string name, UsbPatience waits, std::optional<Error>& error) -> asio::awaitable<void> {
    const auto link = co_await open_usb(name, calls, waits);
    if (!link) error = link.error();
  }(usb, which, patience, out));
  EXPECT_TRUE(out) << which;
  EXPECT_EQ(usb.handles, 0);
  EXPECT_EQ(usb.contexts, 0);
  EXPECT_EQ(usb.watches, 0);
  return out.value_or(Error(ErrorCode::internal, "opened"));
}

using Body = asio::awaitable<void> (*)(FakeUsb&, Link&);
// Opens the one board, lets `body` use it, and looks that all is given back.
inline void with_link(FakeUsb& usb, Body body) {
  if (usb.devices.empty()) usb.devices = {kBoard};
  asio::io_context context;
  run(context, [](FakeUsb& calls, Body inner) -> asio::awaitable<void> {
    const auto link = co_await open_usb("", calls);
    EXPECT_TRUE(link) << link.error().text();
    if (!link) co_return;
    co_await inner(calls, **link);
    (*link)->close();
  }(usb, body));
  EXPECT_EQ(usb.in_flight(), 0u);
  EXPECT_EQ(usb.claims, 0);
  EXPECT_EQ(usb.handles, 0);
  EXPECT_EQ(usb.contexts, 0);
  EXPECT_EQ(usb.watches, 0);
  EXPECT_EQ(usb.unwatched_while_handling, 0);
}

inline asio::awaitable<std::string> read_text(Link& link, std::size_t most = 100) {
  Bytes in(most);
  const auto got = co_await link.read_some(in);
  co_return got ? std::string(as_text(ByteSpan(in).first(*got))) : got.error().text();
}

}  // namespace steadycell::link::testing
