#include "capture/identify.h"

#include <algorithm>

#include "chip/bus.h"

namespace steadycell::capture {
namespace {

constexpr std::uint16_t kSocketLimit_mA = 100;  // above any chip's reading current (ONFI ICC1 at most 50 mA a LUN), below harm
constexpr int kIdReads = 16;

bool silent(ByteSpan id) {
  const auto all = [&](std::uint8_t value) { return std::all_of(id.begin(), id.end(), [&](std::uint8_t byte) { return byte == value; }); };
  return all(0xFF) || all(0x00);
}

board::BusSetup cautious_bus() { return {.timing_mode = 0, .bus_bits = 8, .small_page = false, .column_cycles = 2, .row_cycles = 3}; }

class Identifier {
 public:
  Identifier(board::BoardClient& board, IdentifyOptions options) : board_(board), options_(options) {}

  asio::awaitable<Result<Powered>> run() {
    if (board_.info().can_contact) {
      auto verdict = co_await check_contacts(board_);
      if (!verdict) co_return failure(verdict.error());
      if (verdict->seating == contact::Seating::empty)
        co_return failure(Error(ErrorCode::no_chip, "the socket is empty, or its lid is not closed").advising("seat the chip, close the lid, then try again"));
      if (!verdict->may_power()) co_return failure(ErrorCode::contact_bad, "{}", verdict->sentence);
      found_.contact = std::move(*verdict);
    } else {
      found_.notes.push_back("this board measures no contacts: how the chip is seated was not checked");
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

  asio::awaitable<Result<void>> reset(std::uint8_t target) {
    const auto program = chip::reset_program();
    const auto done = co_await board_.run_once(program, target);
    if (!done) co_return failure(Error(done.error()).during("resetting chip enable {}", target + 1));
    co_return Result<void>();
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
    std::optional<Millivolts> rail = options_.consent;
    if (answered) {
      const auto decoded = chip::decode_id(*answer);
      // An answer that cannot be decoded still shows that the chip lives at 1.8 V: stay there.
      rail = decoded ? decoded->supply : low;
    }
    found_.supply = rail.value_or(low);
    if (answered && found_.supply == low) {
      const auto trusted = co_await board_.trust_socket(*answer);
      if (trusted) co_return std::move(*lease);
      (void)co_await lease->power_down();
      co_return failure(trusted.error());
    }
    const auto down = co_await lease->power_down();
    if (!down) co_return failure(down.error());
    if (!rail) co_return failure(ErrorCode::needs_consent, "the chip says nothing at 1.8 V");
    if (*rail == low) co_return failure(ErrorCode::no_chip, "the chip says nothing at 1.8 V, and no other supply was allowed");
    board::SocketGround ground;
    ground.kind = answered ? SCP_GROUND_CHIP_ANSWER : SCP_GROUND_USER_WORD;
    if (answered) ground.id = *answer;
    if (!answered) found_.notes.push_back("the chip was silent at 1.8 V; 3.3 V was given on the user's word");
    co_return co_await power(high, std::move(ground));
  }

  asio::awaitable<Result<Bytes>> answer_at_probe() {
    const auto ready = co_await reset(0);
    if (!ready) co_return failure(ready.error());
    co_return co_await read_id(0, 0x00);
  }

  asio::awaitable<Result<void>> look_at_targets() {
    for (std::uint8_t target = 0; target < board_.info().targets; ++target) {
      auto found = co_await look_at(target);
      if (!found) co_return failure(found.error());
      if (*found) found_.targets.push_back(std::move(**found));
    }
    if (found_.targets.empty())
      co_return failure(ErrorCode::no_chip, "no chip enable answers at {}", found_.supply);
    for (const FoundTarget& other : found_.targets)
      if (!(other.chip.geometry == found_.targets[0].chip.geometry))
        co_return failure(Error(ErrorCode::unknown_chip, fmt::format("chip enables 1 and {} have different geometries", other.target + 1))
                              .advising("such a package is not read by this version"));
    if (found_.contact && found_.contact->chip_enables != found_.targets.size())
      found_.notes.push_back(fmt::format("the contacts show {} chip enables, {} answer", found_.contact->chip_enables, found_.targets.size()));
    co_return Result<void>();
  }

  // Nothing when this chip enable is silent.
  asio::awaitable<Result<std::optional<FoundTarget>>> look_at(std::uint8_t target) {
    const auto ready = co_await reset(target);
    if (!ready) co_return failure(ready.error());
    FoundTarget found;
    found.target = target;
    for (int i = 0; i < kIdReads; ++i) {
      const auto id = co_await read_id(target, 0x00);
      if (!id) co_return failure(Error(id.error()).during("reading the ID"));
      if (i == 0) found.id_bytes = *id;
      if (*id == found.id_bytes) continue;
      const auto third = co_await read_id(target, 0x00);
      co_return failure(ErrorCode::unstable_id, "no stable ID: {}, then {}, then {}", hex_spaced(found.id_bytes), hex_spaced(*id),
                        third ? hex_spaced(*third) : "nothing");
    }
    if (silent(found.id_bytes)) {
      // A floating bus keeps its last value or reads FF; the first chip enable must answer.
      if (target == 0)
        co_return failure(Error(ErrorCode::no_chip, fmt::format("the ID reads {}: nothing drives the bus", hex_spaced(found.id_bytes)))
                              .advising("check seating, lid and rail; the socket check tells more"));
      co_return std::optional<FoundTarget>();
    }
    auto page = co_await parameter_page(target);
    if (!page) co_return failure(page.error());
    found.parameter_page = std::move(page->bytes);
    auto chip = chip::identify(found.id_bytes, found.parameter_page, page->jedec);
    if (!chip) co_return failure(Error(chip.error()).during("identifying chip enable {}", target + 1));
    found.chip = std::move(*chip);
    co_return std::optional<FoundTarget>(std::move(found));
  }

  struct ParameterPage {
    Bytes bytes;
    bool jedec = false;
  };
  asio::awaitable<Result<ParameterPage>> parameter_page(std::uint8_t target) {
    ParameterPage page;
    for (const std::uint8_t at : {std::uint8_t{0x20}, std::uint8_t{0x40}}) {
      const auto signature = co_await read_id(target, at);
      if (!signature) co_return failure(signature.error());
      const bool onfi = at == 0x20 && as_text(*signature).starts_with("ONFI");
      const bool jedec = at == 0x40 && as_text(*signature).starts_with("JEDEC");
      page.jedec = page.jedec || jedec;
      if ((!onfi && !jedec) || !page.bytes.empty()) continue;
      const auto program = chip::parameter_page_program(onfi ? 0x00 : 0x40, chip::kParameterPageBytes);
      auto bytes = co_await board_.run_once(program, target);
      if (!bytes) co_return failure(Error(bytes.error()).during("reading the parameter page"));
      page.bytes = std::move(*bytes);
    }
    co_return page;
  }

  board::BoardClient& board_;
  IdentifyOptions options_;
  Found found_;
};

}  // namespace

asio::awaitable<Result<contact::Verdict>> check_contacts(board::BoardClient& board) {
  const auto readings = co_await board.contacts(1, SCP_CONTACT_RAIL);
  if (!readings) co_return failure(readings.error());
  contact::Readings all;
  for (unsigned i = 0; i < contact::kPositions; ++i) all.positions[i] = {(*readings)[i].plus_mV, (*readings)[i].minus_mV, (*readings)[i].bridged_with};
  const board::ContactReading& rail = readings->back();
  all.rail = {rail.plus_mV, rail.minus_mV, 0};
  co_return contact::judge(all);
}

asio::awaitable<Result<Powered>> power_and_identify(board::BoardClient& board, IdentifyOptions options) {
  Identifier identifier(board, options);
  co_return co_await identifier.run();
}

}  // namespace steadycell::capture
