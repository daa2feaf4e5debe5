#include "conform/conform.h"

#include <fmt/format.h>
#include <fmt/ranges.h>

#include <algorithm>
#include <boost/asio/this_coro.hpp>

#include "conform/duty.h"

namespace steadycell::conform {
namespace {

constexpr std::string_view kSteady = "steady";  // judged last, whatever else was asked for

std::uint32_t capabilities(const protocol::BoardInfo& board) {
  std::uint32_t out = 0;
  if (board.can_socket) out |= SCP_CAN_SOCKET;
  if (board.can_port) out |= SCP_CAN_PORT;
  if (board.can_contact) out |= SCP_CAN_CONTACT;
  if (board.can_port_measure) out |= SCP_CAN_PORT_MEASURE;
  return out;
}

std::vector<Duty> all_duties() {
  std::vector<Duty> out;
  for (const auto& part :
       {link_duties(), filter_duties(), socket_duties(), page_duties(), port_duties(), supply_duties()})
    out.insert(out.end(), part.begin(), part.end());
  return out;
}

class Run {
 public:
  Run(Wire& wire, const Options& options) : bench_{.wire = wire, .options = options, .board = {}} {}

  asio::awaitable<Result<Report>> all() {
    Report report;
    if (const auto greeted = co_await greet(); !greeted) co_return failure(greeted.error());
    report.board = bench_.board;
    if (bench_.options.greeted)
      if (const auto allowed = co_await bench_.options.greeted(bench_.board); !allowed)
        co_return failure(allowed.error());
    co_await rails_off();
    co_await look_for_a_chip();
    report.chip_answers = bench_.chip_answers;
    std::vector<Duty> duties = all_duties();
    if (const std::string& only = bench_.options.only; !only.empty())
      std::erase_if(duties, [&](const Duty& duty) { return duty.name != only; });
    std::size_t silent = 0;
    for (std::size_t i = 0; i < duties.size(); ++i) {
      if (bench_.options.progress) bench_.options.progress(duties[i].name, i, duties.size());
      Finding finding = co_await one(duties[i], silent);
      if (const auto over = bench_.wire.over()) {
        if (over->code() == ErrorCode::interrupted) co_await rails_off();
        co_return failure(Error(*over).during("trying \"{}\"", duties[i].name));
      }
      finding.duty = duties[i].name;
      finding.asks = duties[i].asks;
      report.findings.push_back(std::move(finding));
    }
    report.findings.push_back(co_await same_start(report.board.boot_counter));
    co_await rails_off();
    co_return report;
  }

 private:
  // Whatever the duty before left behind: greeted anew, listening, heart beating.
  asio::awaitable<Result<void>> greet() {
    constexpr int kTries = 3;
    Wire& wire = bench_.wire;
    wire.listen(true);
    wire.version(SCP_VERSION);
    Reply reply;
    for (int i = 0; i < kTries && !reply.came && !wire.over(); ++i)
      reply = co_await wire.greet(SCP_VERSION_OLDEST, SCP_VERSION);
    if (const auto over = wire.over()) co_return failure(*over);
    if (!reply.came) co_return failure(ErrorCode::board_timeout, "the board does not answer HELLO");
    if (!reply.is(SCP_OK))
      co_return failure(ErrorCode::protocol_version, "HELLO for versions {} to {}: {}", int{SCP_VERSION_OLDEST},
                        int{SCP_VERSION}, to_text(reply));
    auto info = protocol::decode_hello(reply.rest);
    if (!info) co_return failure(info.error());
    bench_.board = std::move(*info);
    wire.version(bench_.board.protocol);
    wire.beat(true);
    co_return Result<void>();
  }

  asio::awaitable<void> rails_off() {
    constexpr auto kBleed = 2500ms;
    if (bench_.board.can_socket) (void)co_await bench_.wire.ask(SCP_SOCKET_OFF, {}, kBleed);
    if (bench_.board.can_port) (void)co_await bench_.wire.ask(SCP_PORT_OFF, {}, kBleed);
  }

  // RESET, then READ ID: something that is neither all FF nor all 00 is a chip.
  asio::awaitable<void> look_for_a_chip() {
    if (!bench_.board.can_socket || !(co_await bench_.socket_awake()).is(SCP_OK)) co_return;
    if (!(co_await bench_.load(0, read_id(5))).is(SCP_OK)) co_return;
    const std::uint32_t run = bench_.start_run(0, {});
    (void)co_await bench_.wire.until([&] { return bench_.run_end(run).has_value(); }, 2s);
    for (const protocol::PageData& page : bench_.pages(run))
      for (const unsigned filler : {0x00u, 0xFFu})
        if (std::all_of(page.bytes.begin(), page.bytes.end(), [&](std::uint8_t b) { return b == filler; }))
          co_return;
    bench_.chip_answers = !bench_.pages(run).empty();
  }

  asio::awaitable<Finding> one(const Duty& duty, std::size_t& silent) {
    constexpr std::size_t kGiveUp = 3;  // a board that went silent is not asked for minutes
    if ((capabilities(bench_.board) & duty.needs) != duty.needs)
      co_return not_applicable("this board has no such part (HELLO, capabilities)");
    if (silent >= kGiveUp) co_return passed_if(false, "not tried: the board no longer answers HELLO");
    if (const auto greeted = co_await greet(); !greeted) {
      ++silent;
      co_return passed_if(false, greeted.error().what());
    }
    silent = 0;
    co_await rails_off();
    bench_.wire.forget();
    co_return co_await duty.work(bench_);
  }

  asio::awaitable<Finding> same_start(std::uint32_t boots) {
    Finding finding;
    const auto greeted = co_await greet();
    if (!greeted) {
      finding = passed_if(false, greeted.error().what());
    } else {
      const std::uint32_t restarts = bench_.board.boot_counter - boots, damaged = bench_.wire.damaged();
      finding =
          passed_if(restarts == 0 && damaged == 0,
                    fmt::format("{} restarts, {} damaged frames from the board in all of this", restarts, damaged),
                    Measured{static_cast<double>(restarts), "restarts", "0"});
    }
    finding.duty = kSteady;
    finding.asks = "the firmware did not restart, and no frame came damaged";
    co_return finding;
  }

  Bench bench_;
};

}  // namespace

std::string_view to_text(Finding::Outcome outcome) {
  switch (outcome) {
    case Finding::Outcome::passed:
      return "passed";
    case Finding::Outcome::failed:
      return "failed";
    default:
      return "not_applicable";
  }
}

bool Report::passed() const {
  return std::none_of(findings.begin(), findings.end(),
                      [](const Finding& f) { return f.outcome == Finding::Outcome::failed; });
}

std::vector<std::string> duty_names() {
  std::vector<std::string> names;
  for (const Duty& duty : all_duties()) names.emplace_back(duty.name);
  names.emplace_back(kSteady);
  return names;
}

asio::awaitable<Result<Report>> conform(std::unique_ptr<link::Link> link, Options options) {
  const std::vector<std::string> names = duty_names();
  if (!options.only.empty() && std::find(names.begin(), names.end(), options.only) == names.end())
    co_return failure(Error(ErrorCode::wrong_usage, fmt::format("there is no duty \"{}\"", options.only))
                          .advising(fmt::format("one of: {}", fmt::join(names, ", "))));
  const auto executor = co_await asio::this_coro::executor;
  Wire wire(std::move(link), executor, options.stop);
  wire.start();
  Run run(wire, options);
  auto report = co_await run.all();
  co_await wire.close();
  co_return report;
}

}  // namespace steadycell::conform
