#pragma once
#include <span>

#include "conform/wire.h"

// The duties, one function each, and what they share. Not for other rooms.
namespace steadycell::conform {

// Little-endian payload bytes.
class Payload {
 public:
  Payload& u8(unsigned v) { return number(v, 1); }
  Payload& u16(std::uint64_t v) { return number(v, 2); }
  Payload& u32(std::uint64_t v) { return number(v, 4); }
  Payload& u64(std::uint64_t v) { return number(v, 8); }
  Bytes done() const { return bytes_; }

 private:
  Payload& number(std::uint64_t v, unsigned size) {
    for (unsigned i = 0; i < size; ++i) bytes_.push_back(static_cast<std::uint8_t>(v >> (8 * i)));
    return *this;
  }
  Bytes bytes_;
};

struct Rows {
  std::uint32_t pass = 1, first = 0, rows = 1, stride = 1, groups = 1;
  std::uint64_t count() const { return std::uint64_t{rows} * groups; }
};

struct Bench {
  Wire& wire;
  const Options& options;
  protocol::BoardInfo board;
  bool chip_answers = false;

  asio::awaitable<std::optional<scp_board_state>> state();
  // Micro-operations as they are. What a right board refuses may be offered only while the socket's rail is off.
  asio::awaitable<Reply> load(unsigned slot, Bytes operations);
  std::uint32_t start_run(unsigned slot, Rows rows);
  // The rail as the options allow it: 3.3 V on the user's word, else 1.8 V.
  std::uint16_t socket_mv() const { return options.socket_3v3 ? 3300 : 1800; }
  asio::awaitable<Reply> socket_on();
  // The same, and RESET behind it: a chip wants it before any other command. OK: both were accepted.
  asio::awaitable<Reply> socket_awake();
  asio::awaitable<Reply> port_on(unsigned limit_mA = 100, unsigned ramp_ms = 20, unsigned flags = 0);
  asio::awaitable<Reply> supply_start(scp_rail rail, unsigned burst_ms);
  // Pages and end of the run `id`, so far received.
  std::vector<protocol::PageData> pages(std::uint32_t id) const;
  std::optional<protocol::RunEnd> run_end(std::uint32_t id) const;
};

Finding passed_if(bool good, std::string text, std::optional<Measured> measured = std::nullopt);
Finding not_applicable(std::string why);
// Wrong answers to several questions, named; passed when there are none.
Finding all_right(std::size_t asked, const std::vector<std::string>& wrong, const std::string& of_what);

// READ ID at address 00h, so many bytes; runs at 1.8 V, with a chip or without.
Bytes read_id(std::uint32_t bytes);
// Large page read of so many bytes, R/B# awaited.
Bytes read_page(std::uint32_t bytes);
std::optional<Millivolts> rail_of(const Reply& reply);

struct Duty {
  std::string_view name, asks;
  std::uint32_t needs;  // SCP_CAN_*, 0 none
  asio::awaitable<Finding> (*work)(Bench& bench);
};
std::span<const Duty> link_duties();
std::span<const Duty> filter_duties();
std::span<const Duty> socket_duties();
std::span<const Duty> page_duties();
std::span<const Duty> port_duties();
std::span<const Duty> supply_duties();

}  // namespace steadycell::conform
