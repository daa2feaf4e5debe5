#pragma once
#include <boost/asio/awaitable.hpp>
#include <functional>
#include <optional>
#include <string>
#include <vector>

#include "board/client.h"
#include "board/lease.h"
#include "chip/identity.h"
#include "contact/contact.h"

// Power for the chip in the socket, in the order that harms least, and what the chip says of itself.
namespace steadycell::capture {

namespace asio = boost::asio;

struct FoundTarget {
  std::uint8_t target = 0;  // from 0: the LUNs behind one CE#
  Bytes id_bytes;           // the first answer to READ ID 00h, 8 bytes
  Bytes parameter_page;     // verbatim, all copies; empty when the chip has none
  chip::Identification chip;
};

struct Found {
  std::vector<FoundTarget> targets;  // at least one
  Millivolts supply;
  std::optional<contact::Verdict> contact;  // nothing when the board cannot measure
  std::vector<std::string> notes;
};

struct Powered {
  Found found;
  board::PowerLease lease;  // the caller powers down
};

struct IdentifyOptions {
  std::optional<Millivolts> consent;       // the user's word for a rail when the chip is silent at 1.8 V
  std::optional<contact::SocketMap> map{};  // what the contacts must be; nothing: whichever built-in map fits
};

// Contacts first; then 1.8 V, where only the identity is asked for; the answer decides the rail, silence needs consent
// (needs_consent). Every target alone; READ ID many times, since a floating bus answers differently each time.
// Errors: contact_bad, no_chip, unstable_id, double_rate, unknown_chip, write_protect, those of the board.
// On failure the socket is powered down.
asio::awaitable<Result<Powered>> power_and_identify(board::BoardClient& board, IdentifyOptions options);

// All 48 contacts and the supply path, both rails off.
asio::awaitable<Result<contact::Readings>> measure_contacts(board::BoardClient& board);
// The same, judged against `map`, or against the built-in TSOP48 maps.
asio::awaitable<Result<contact::Verdict>> check_contacts(board::BoardClient& board, const contact::SocketMap* map = nullptr);

}  // namespace steadycell::capture
