#pragma once
#include <atomic>
#include <boost/asio/awaitable.hpp>
#include <functional>
#include <memory>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "base/result.h"
#include "base/units.h"
#include "link/link.h"
#include "protocol/messages.h"

// Does a board do what firmware_protocol/PROTOCOL.md and device/hal.h ask of it? For whoever writes a firmware or
// builds a board, over any link.
namespace steadycell::conform {

namespace asio = boost::asio;

// What a person has to say word for word before a board of unknown behaviour may switch its rails.
inline constexpr std::string_view kConfirmation = "no patient chip in the socket, no stick in the port";

struct Options {
  std::string only;                         // the one duty to try; empty: all
  bool socket_3v3 = false;                  // the user's word that the socket may get 3.3 V
  unsigned lid_seconds = 0;                 // so long somebody has time to open the lid; 0: the lid is left out
  const std::atomic<bool>* stop = nullptr;  // set by anybody: ends within some 100 ms, rails off
  std::function<void(std::string_view duty, std::size_t done, std::size_t all)> progress;
  // Told once, right behind the first greeting: an error ends it before anything else was asked of the board.
  std::function<asio::awaitable<Result<void>>(const protocol::BoardInfo&)> greeted;
  std::function<void(std::string_view)> note;  // for the person at the bench: "open the lid now"
};

struct Measured {
  double value = 0;
  std::string unit;
  std::string limit;  // "at most 500", "1710 to 1890"; empty: none
};

struct Finding {
  enum class Outcome : std::uint8_t { passed, failed, not_applicable };
  std::string duty;  // "heartbeat_cut"
  std::string asks;  // the duty in words
  Outcome outcome = Outcome::failed;
  std::string text;  // what was seen
  std::optional<Measured> measured;
};
std::string_view to_text(Finding::Outcome outcome);

struct Report {
  protocol::BoardInfo board;
  bool chip_answers = false;      // something in the socket answered READ ID
  std::vector<Finding> findings;  // every duty that was asked for, always in the same order, "steady" last
  bool passed() const;
};

// Their names, in that order.
std::vector<std::string> duty_names();

// Tries the duties. No program that a right board would refuse is ever run, and those that must be refused are
// only offered with the socket's rail off. Rails are off when this returns. Errors: the board does not answer at
// all, the link went, or `only` is no duty (wrong_usage).
asio::awaitable<Result<Report>> conform(std::unique_ptr<link::Link> link, Options options);

}  // namespace steadycell::conform
