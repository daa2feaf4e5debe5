#include "base/text.h"
#include "link/link.h"
#include "link/uuid_digits.h"

namespace steadycell::link {

std::string BoardAddress::text() const {
  switch (kind) {
    case Kind::sim:
      return "sim:" + path;
    case Kind::tcp:
      return "tcp:" + host + ":" + port;
    case Kind::unix_socket:
      return "unix:" + path;
    case Kind::usb:
      return path.empty() ? "usb" : "usb:" + path;
  }
  return path;
}

namespace {

// "1-4", "1-2.3": bus, then ports from the root on, as Linux names devices (and board list shows them).
bool is_usb_place(std::string_view text) {
  const std::size_t dash = text.find('-');
  if (dash == std::string_view::npos || !parse_number(text.substr(0, dash))) return false;
  std::string_view ports = text.substr(dash + 1);
  for (std::size_t dot = ports.find('.'); dot != std::string_view::npos; dot = ports.find('.')) {
    if (!parse_number(ports.substr(0, dot))) return false;
    ports.remove_prefix(dot + 1);
  }
  return parse_number(ports).has_value();
}

}  // namespace

Result<BoardAddress> parse_board_address(std::string_view text) {
  BoardAddress address;
  const auto bad = [&](std::string_view why) {
    return failure(Error(ErrorCode::wrong_usage, fmt::format("board address \"{}\" {}", printable(text), why))
                       .advising("use sim:FIXTURE.json, tcp:HOST:PORT, unix:PATH or usb[:UUID|:BUS-PORT]"));
  };
  const std::size_t colon = text.find(':');
  const std::string_view kind = text.substr(0, colon);
  const std::string_view rest = colon == std::string_view::npos ? std::string_view() : text.substr(colon + 1);
  if (rest.find('\0') != std::string_view::npos) return bad("has a zero byte");
  address.path = rest;
  if (kind == "usb") {
    if (colon != std::string_view::npos && !is_uuid(uuid_digits(rest)) && !is_usb_place(rest))
      return bad("names neither a board's UUID nor a place such as 1-4 or 1-2.3");
    address.kind = BoardAddress::Kind::usb;
    return address;
  }
  if (rest.empty()) return bad("names no board");
  if (kind == "sim") return address;
  if (kind == "unix") {
    address.kind = BoardAddress::Kind::unix_socket;
    return address;
  }
  if (kind != "tcp") return bad("starts with no kind of link that is known");
  address.kind = BoardAddress::Kind::tcp;
  const std::size_t last = rest.rfind(':');
  const auto port = last == std::string_view::npos ? std::nullopt : parse_number(rest.substr(last + 1));
  if (!port || *port == 0 || *port > 65535 || last == 0) return bad("should be tcp:HOST:PORT");
  address.host = rest.substr(0, last);
  address.port = rest.substr(last + 1);
  address.path.clear();
  return address;
}

}  // namespace steadycell::link
