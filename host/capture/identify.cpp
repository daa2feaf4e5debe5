#include "capture/identify.h"

#include <algorithm>

#include "capture/sample.h"
#include "chip/bus.h"

namespace steadycell::capture {
namespace {

constexpr std::uint16_t kSocketLimit_mA = 100;  // above any chip's reading current (ONFI ICC1 at most 50 mA a LUN), below harm
constexpr int kIdReads = 16;

// Nothing drives the bus: it reads FF, 00, or over and over what it was left at.
bool silent(ByteSpan id) {
  return std::all_of(id.begin(), id.end(), [&](std::uint8_t byte) { return byte == id[0]; });
}

board::BusSetup cautious_bus() { return {.timing_mode = 0, .bus_bits = 8, .small_page = false, .column_cycles = 2, .row_cycles = 3}; }

class Identifier {
 public:
  Identifier(board::BoardClient& board, IdentifyOptions options) : board_(board), options_(std::move(options)) {}

  asio::awaitable<Result<Powered>> run() {
    if (board_.info().can_contact) {
      auto verdict = co_await check_contacts(board_, options_.map ? &*options_.map : nullptr);
      if (!verdict) co_return failure(verdict.error());
      if (verdict->seating == contact::Seating::empty)
        co_return failure(Error(ErrorCode::no_chip, "the socket is empty, or its lid is not closed")
                              .advising("seat the chip, close the lid, then try again"));
      if (!verdict->may_power()) co_return failure(ErrorCode::contact_bad, "{}", verdict->sentence);
      found_.contact = std::move(*verdict);
    } else {
      found_.notes.emplace_back("this board measures no contacts: how the chip is seated was not checked");
    }
    auto lease = co_await right_rail();
    if (!lease) co_return failure(lease.error());
    const auto known = co_await look_at_targets();
    if (!known) {
      (void)co_await lease->power_down();  // the first error is the one to tell
      co_return failure(known.error());
    }
    co_return Powered{std::move(found_), std::move(*lease)};
  }

 private:
  asio::awaitable<Result<Bytes>> read_id(std::uint8_t target, std::uint8_t at) {
    const auto program = chip::read_id_program(at);
    co_return co_await board_.run_once(program, target);
  }

  asio::awaitable<Result<board::PowerLease>> power(Millivolts rail, board::SocketGround ground) {
    auto lease = co_await board::PowerLease::socket(board_, rail, kSocketLimit_mA, std::move(ground));
    if (!lease) co_return failure(lease.error());
    const auto set = co_await board_.bus_setup(cautious_bus());
    if (set) co_return std::move(*lease);
    (void)co_await lease->power_down();
    co_return failure(set.error());
  }

  // 1.8 V first. The chip's own answer decides; what it says is a 3.3 V part is powered anew at 3.3 V.
  asio::awaitable<Result<board::PowerLease>> right_rail() {
    const Millivolts low(1800), high(3300);
    board::SocketGround probe;
    auto lease = co_await power(low, std::move(probe));
    if (!lease) co_return failure(lease.error());
    const auto answer = co_await answer_at_probe();
    if (!answer) {
      (void)co_await lease->power_down();
      co_return failure(answer.error());
    }
    const bool answered = !silent(*answer);
    bool named = false;  // the chip's own answer tells its supply
    std::optional<Millivolts> rail = options_.consent;
    if (answered) {
      const auto decoded = chip::decode_id(*answer);
      if (decoded && decoded->supply == Millivolts(5000)) {
        (void)co_await lease->power_down();
        co_return failure(Error(ErrorCode::unknown_chip, fmt::format("the ID {} is of a 5 V part", hex_spaced(*answer)))
                              .advising("this socket gives 1.8 V and 3.3 V only"));
      }
      named = decoded && decoded->supply;
      if (named) rail = decoded->supply;
      // The chip lives at 1.8 V and its ID tells no supply: that is where it stays, unless the user says otherwise.
      if (!rail) {
        rail = low;
        found_.notes.emplace_back("the ID does not tell the supply; the chip is read at 1.8 V, where it answers");
      }
      if (options_.consent && rail != options_.consent)
        found_.notes.emplace_back(fmt::format("the ID says a {} part: it gets that supply, whatever was allowed", *rail));
    }
    found_.supply = rail.value_or(low);
    if (answered && found_.supply == low) {
      const auto trusted = co_await board_.trust_socket(chip::trimmed_id(*answer));
      if (trusted) co_return std::move(*lease);
      (void)co_await lease->power_down();
      co_return failure(trusted.error());
    }
    const auto down = co_await lease->power_down();
    if (!down) co_return failure(down.error());
    if (!rail) co_return failure(ErrorCode::needs_consent, "the chip says nothing at 1.8 V");
    if (*rail == low) co_return failure(ErrorCode::no_chip, "the chip says nothing at 1.8 V, and no other supply was allowed");
    board::SocketGround ground;
    ground.kind = named ? SCP_GROUND_CHIP_ANSWER : SCP_GROUND_USER_WORD;
    if (named) ground.id = chip::trimmed_id(*answer);
    if (!named)
      found_.notes.emplace_back(fmt::format("the chip {} at 1.8 V; 3.3 V was given on the user's word",
                                            answered ? "answers without telling its supply" : "was silent"));
    co_return co_await power(high, std::move(ground));
  }

  // The first answer of any target, else the silence of the first. Every one gets its RESET, as after any power-up.
  asio::awaitable<Result<Bytes>> answer_at_probe() {
    Bytes first;
    for (std::uint8_t target = 0; target < board_.info().targets; ++target) {
      const auto ready = co_await reset_chip(board_, target);
      if (!ready && ready.error().code() != ErrorCode::chip_busy) co_return failure(ready.error());
      auto id = co_await stable_id(target);
      // A 3.3 V part may stammer at 1.8 V. With the user's word for 3.3 V that is as good as silence.
      if (!id && id.error().code() == ErrorCode::unstable_id && options_.consent == Millivolts(3300)) id = Bytes(chip::kIdBytes, 0xFF);
      if (!id) co_return failure(id.error());
      if (!silent(*id)) co_return std::move(*id);
      if (first.empty()) first = std::move(*id);
    }
    co_return first;
  }

  asio::awaitable<Result<Bytes>> stable_id(std::uint8_t target) {
    Bytes first;
    for (int i = 0; i < kIdReads; ++i) {
      const auto id = co_await read_id(target, 0x00);
      if (!id) co_return failure(Error(id.error()).during("reading the ID"));
      if (i == 0) first = *id;
      if (*id == first) continue;
      const auto third = co_await read_id(target, 0x00);
      co_return failure(ErrorCode::unstable_id, "no stable ID on target {}: {}, then {}, then {}", target, hex_spaced(first),
                        hex_spaced(*id), third ? hex_spaced(*third) : "nothing");
    }
    co_return first;
  }

  asio::awaitable<Result<void>> look_at_targets() {
    for (std::uint8_t target = 0; target < board_.info().targets; ++target) {
      auto found = co_await look_at(target);
      if (!found) co_return failure(found.error());
      if (*found) found_.targets.push_back(std::move(**found));
    }
    if (found_.targets.empty())
      co_return failure(ErrorCode::no_chip, "no target answers at {}", found_.supply);
    for (const FoundTarget& other : found_.targets)
      if (!(other.chip.geometry == found_.targets[0].chip.geometry))
        co_return failure(Error(ErrorCode::unknown_chip,
                                fmt::format("targets {} and {} have different geometries", found_.targets[0].target, other.target))
                              .advising("such a package is not read by this version"));
    if (found_.contact && found_.contact->seating == contact::Seating::seated) {
      exclude_aliases(found_.contact->map.chip_enables);
      if (found_.contact->map.chip_enables != found_.targets.size())
        found_.notes.emplace_back(
            fmt::format("the contacts show {} targets, {} answer", found_.contact->map.chip_enables, found_.targets.size()));
    } else if (found_.targets.size() > 1) {
      found_.notes.emplace_back("whether each target is a chip of its own was not checked: this board measures no contacts");
    }
    co_return Result<void>();
  }

  // A chip enable that touches nothing and is answered all the same is another one's double, behind a bridge or a fault of
  // the board: reading it would count one chip twice.
  void exclude_aliases(unsigned touching) {
    const auto alias = [&](const FoundTarget& t) { return t.target >= touching; };
    for (const FoundTarget& t : found_.targets)
      if (alias(t))
        found_.notes.emplace_back(fmt::format("CE# of target {} touches nothing, yet it is answered: left out as a double", t.target));
    std::erase_if(found_.targets, alias);
  }

  // Nothing when this target is silent.
  asio::awaitable<Result<std::optional<FoundTarget>>> look_at(std::uint8_t target) {
    const auto ready = co_await reset_chip(board_, target);
    if (!ready) co_return failure(ready.error());
    FoundTarget found;
    found.target = target;
    auto id = co_await stable_id(target);
    if (!id) co_return failure(id.error());
    found.id_bytes = std::move(*id);
    if (silent(found.id_bytes)) {
      // The first target must answer.
      if (target == 0)
        co_return failure(Error(ErrorCode::no_chip, fmt::format("the ID reads {}: nothing drives the bus", hex_spaced(found.id_bytes)))
                              .advising("check seating, lid and rail; the socket check tells more"));
      co_return std::optional<FoundTarget>();
    }
    const auto at_20 = co_await read_id(target, 0x20);
    if (!at_20) co_return failure(at_20.error());
    const auto at_40 = co_await read_id(target, 0x40);
    if (!at_40) co_return failure(at_40.error());
    const auto announced = chip::announced(*at_20, *at_40);
    if (!announced) co_return failure(announced.error());
    if (announced->onfi || announced->jedec) {
      auto page = co_await parameter_page(target, announced->onfi ? 0x00 : 0x40);
      if (!page) co_return failure(page.error());
      found.parameter_page = std::move(*page);
    }
    auto chip = chip::identify(found.id_bytes, found.parameter_page, announced->jedec);
    if (!chip) co_return failure(Error(chip.error()).during("identifying target {}", target));
    found.chip = std::move(*chip);
    if (*ready == chip::WaitFor::status)
      found_.notes.emplace_back(fmt::format("R/B# of target {} does not rise after RESET; the status register says ready", target));
    const auto warned = co_await look_at_write_protect(target);
    if (!warned) co_return failure(warned.error());
    co_return std::optional<FoundTarget>(std::move(found));
  }

  // Identifying is done whatever WP# says; the proofs before a read refuse when it is not low.
  asio::awaitable<Result<void>> look_at_write_protect(std::uint8_t target) {
    const auto program = chip::status_program(2);
    const auto status = co_await board_.run_once(program, target);
    if (!status) co_return failure(Error(status.error()).during("reading the status of target {}", target));
    if (((*status)[0] & 0x80) != 0)
      found_.notes.emplace_back(
          fmt::format("WP# is not low: the status of target {} reads {}, with bit 7 set; check the board's WP# strap before you read",
                      target, hex_spaced(*status)));
    co_return Result<void>();
  }

  // By R/B#, and when what comes is no page, once more by status polling: R/B# may not be connected.
  asio::awaitable<Result<Bytes>> parameter_page(std::uint8_t target, std::uint8_t at) {
    Bytes first;
    for (const chip::WaitFor wait : {chip::WaitFor::ready_pin, chip::WaitFor::status}) {
      const auto program = chip::parameter_page_program(at, chip::kParameterPageBytes, wait);
      auto page = co_await board_.run_once(program, target);
      const bool stays_busy = !page && page.error().code() == ErrorCode::chip_busy;
      if (stays_busy && wait == chip::WaitFor::ready_pin) page = Bytes();
      if (!page) co_return failure(Error(page.error()).during("reading the parameter page"));
      const auto decoded = chip::decode_parameter_page(*page);
      if (decoded || decoded.error().code() == ErrorCode::double_rate) co_return std::move(*page);
      if (first.empty()) first = std::move(*page);
      const auto idle = co_await reset_chip(board_, target);
      if (!idle) co_return failure(idle.error());
    }
    co_return first;
  }

  board::BoardClient& board_;
  IdentifyOptions options_;
  Found found_;
};

}  // namespace

asio::awaitable<Result<contact::Readings>> measure_contacts(board::BoardClient& board) {
  // The cable may just have been plugged in again, with the board's rails still on.
  const auto off = co_await board::PowerLease::end_left_over_socket(board);
  if (!off) co_return failure(off.error());
  const auto readings = co_await board.contacts(1, SCP_CONTACT_RAIL);
  if (!readings) co_return failure(readings.error());
  contact::Readings all;
  for (unsigned i = 0; i < contact::kPositions; ++i)
    all.positions[i] = {(*readings)[i].plus_mV, (*readings)[i].minus_mV, (*readings)[i].bridged_with};
  const board::ContactReading& rail = readings->back();
  all.rail = {rail.plus_mV, rail.minus_mV, 0};
  co_return all;
}

asio::awaitable<Result<contact::Verdict>> check_contacts(board::BoardClient& board, const contact::SocketMap* map) {
  const auto readings = co_await measure_contacts(board);
  if (!readings) co_return failure(readings.error());
  co_return contact::judge(*readings, map);
}

asio::awaitable<Result<Powered>> power_and_identify(board::BoardClient& board, IdentifyOptions options) {
  Identifier identifier(board, std::move(options));
  co_return co_await identifier.run();
}

}  // namespace steadycell::capture
