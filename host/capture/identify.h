#pragma once
#include <boost/asio/awaitable.hpp>
#include <optional>
#include <string>
#include <vector>

#include "base/result.h"
#include "base/units.h"
#include "board/client.h"
#include "chip/identity.h"
#include "contact/contact.h"
#include "passes/head.h"

// Which chip is in the socket, found out without harming it.
namespace steadycell::capture {

namespace asio = boost::asio;

struct SocketOptions {
  // The user's word that a chip silent at 1.8 V may get 3.3 V. Not needed when the chip answers at 1.8 V.
  bool allow_3300_mV = false;
  std::uint16_t limit_mA = 60;  // of the socket supply; latching
};

struct FoundTarget {
  passes::TargetIdentity identity;  // verbatim answers
  Bytes signature_20, signature_40; // READ ID at 20h and 40h
  chip::Identification what;
};

struct FoundChip {
  std::vector<FoundTarget> targets;  // rising CE# numbers, at least one; all of one geometry
  Millivolts supply{0};              // rail on which they were read: 1800 or 3300
  std::optional<contact::Verdict> contact;  // absent when the board cannot measure contacts
  std::vector<std::string> notes;

  const Geometry& geometry() const { return targets.front().what.geometry; }
};

// Contacts first, when the board can measure them; then READ ID at 1.8 V on every CE#, many times; the chip's answer
// decides the rail, its silence asks for the user's word. On the right rail it is reset and read again. The socket is off
// and bled when this returns, whatever happened.
//
// Errors: contact_bad, needs_consent, no_chip, unstable_id, double_rate, unknown_chip, current_limit, and the board's own.
asio::awaitable<Result<FoundChip>> identify(board::BoardClient& board, SocketOptions options);

}  // namespace steadycell::capture
