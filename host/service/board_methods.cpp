#include <unistd.h>

#include <boost/asio/co_spawn.hpp>
#include <boost/asio/io_context.hpp>
#include <algorithm>
#include <filesystem>
#include <map>
#include <optional>

#include "board/client.h"
#include "capture/identify.h"
#include "capture/read.h"
#include "conform/conform.h"
#include "files/file_system.h"
#include "link/link.h"
#include "measure/board_check.h"
#include "passes/clock.h"
#include "service/bench.h"
#include "service/contacts.h"
#include "service/hold.h"
#include "service/known_boards.h"
#include "service/methods.h"
#include "service/results.h"
#include "service/supply_job.h"

namespace steadycell::service {
namespace {

namespace asio = boost::asio;

// What names a board before it has said its UUID, the same for everybody who asks for it. A simulated board is made for
// the job and has no such name.
std::optional<std::string> shared_name(const link::BoardAddress& address) {
  if (address.kind == link::BoardAddress::Kind::sim) return std::nullopt;
  if (address.kind != link::BoardAddress::Kind::unix_socket) return address.text();
  std::error_code code;
  const auto path = std::filesystem::absolute(address.path, code);
  return "unix:" + (code ? address.path : path.lexically_normal().string());
}

// A link whose place nobody else uses meanwhile, and the name under which the board itself is to be held once it has said its own.
struct OpenedPlace {
  std::unique_ptr<link::Link> link;
  std::optional<BoardHold> place;  // empty where a place can be shared
  Holder holder;
};
asio::awaitable<Result<OpenedPlace>> open_held(link::BoardAddress address, std::string_view method, const JobHooks& hooks) {
  OpenedPlace out;
  out.holder.program = hooks.program;
  out.holder.method = method;
  out.holder.process = hooks.process != 0 ? hooks.process : ::getpid();
  out.holder.since = passes::system_clock().wall_time();
  if (const auto name = shared_name(address)) {
    out.holder.board = *name;
    auto held = co_await BoardHold::take(out.holder, hooks.stop);
    if (!held) co_return failure(held.error());
    out.place.emplace(std::move(*held));
  }
  auto opened = co_await link::open_link(std::move(address));
  if (!opened) co_return failure(opened.error());
  out.link = std::move(*opened);
  co_return std::move(out);
}

// The table's cures are for a board on a cable. What answers at another address is a program, and is seen to
// otherwise.
Error with_cure_for(link::BoardAddress::Kind kind, Error error) {
  using enum link::BoardAddress::Kind;
  if (kind == usb || error.next() != facts_of(error.code()).next) return error;
  const std::string_view look =
      kind == tcp           ? "see whether the board's program still runs there and the network carries"
      : kind == unix_socket ? "see whether the board's program still runs"
                            : "see whether this computer is too busy for the simulated board";
  if (error.code() == ErrorCode::link_lost)
    return std::move(error).advising(
        fmt::format("{}, then repeat the command: it goes on where it stopped", look));
  if (error.code() == ErrorCode::board_timeout)
    return std::move(error).advising(fmt::format("{}; start it anew if it hangs", look));
  return error;
}

// Takes hold of the board, connects, runs `work` with it, and closes it whatever came of it.
template <typename Value, typename Work>
asio::awaitable<Result<Value>> on_held_board(link::BoardAddress address, std::string_view method,
                                             const JobHooks& hooks, Work work) {
  auto opened = co_await open_held(std::move(address), method, hooks);
  if (!opened) co_return failure(opened.error());
  auto& [link, place, holder] = *opened;
  std::optional<BoardHold> board_itself;
  auto board = co_await board::BoardClient::connect(std::move(link), hooks.stop);
  if (!board) co_return failure(board.error());
  // What happens to the link and stops nothing is still worth a line to whoever waits.
  (*board)->on_note([&hooks](const board::LinkNote& note) {
    using Kind = board::LinkNote::Kind;
    if (hooks.note && (note.kind == Kind::recovery || note.kind == Kind::side_lost || note.kind == Kind::side_found)) hooks.note(note.text);
  });
  holder.board = (*board)->info().uuid;
  auto held = co_await BoardHold::take(holder, hooks.stop);
  if (!held) {
    co_await (*board)->close();
    co_return failure(held.error());
  }
  board_itself.emplace(std::move(*held));
  auto result = co_await work(**board);
  co_await (*board)->close();
  co_return result;
}

template <typename Value, typename Work>
asio::awaitable<Result<Value>> with_board(link::BoardAddress address, std::string_view method,
                                          const JobHooks& hooks, Work work) {
  const auto kind = address.kind;
  auto result = co_await on_held_board<Value>(std::move(address), method, hooks, std::move(work));
  if (!result) co_return failure(with_cure_for(kind, std::move(result.error())));
  co_return result;
}

// Runs a coroutine to its end on this thread.
template <typename Value>
Result<Value> run(asio::awaitable<Result<Value>> coroutine, asio::io_context& io) {
  std::optional<Result<Value>> out;
  asio::co_spawn(io, std::move(coroutine), [&](const std::exception_ptr& fault, Result<Value> result) {
    if (fault) std::rethrow_exception(fault);
    out.emplace(std::move(result));
  });
  io.run();
  if (!out) return failure(ErrorCode::internal, "a board job ended without a result");
  return std::move(*out);
}

Result<link::BoardAddress> board_address(json::Reader& params) {
  const auto text = params.text("board");
  if (!text) return failure(text.error());
  return link::parse_board_address(*text);
}

// The socket map that the user names, by name or file; nothing: whichever built-in one fits.
Result<std::optional<contact::SocketMap>> named_map(json::Reader& params) {
  const auto name = params.text_or("map", "");
  if (!name) return failure(name.error());
  if (name->empty()) return std::optional<contact::SocketMap>();
  auto loaded = load_map(*name);
  if (!loaded) return failure(loaded.error());
  return std::optional<contact::SocketMap>(std::move(*loaded));
}

Result<std::optional<Millivolts>> consent(json::Reader& params) {
  const auto supply = params.number_or("supply_mV", 0, 3300, 0);
  if (!supply) return failure(supply.error());
  if (*supply == 0) return std::optional<Millivolts>();
  if (*supply != 1800 && *supply != 3300)
    return failure(
        Error(ErrorCode::wrong_usage, fmt::format("a chip supply of {} mV is not offered", *supply)).advising("use 1800 or 3300"));
  return std::optional<Millivolts>(Millivolts(static_cast<std::int32_t>(*supply)));
}

// Keys of the first target on top, all of them under "targets".
json::Object found_json(const capture::Found& found, const std::string& board_uuid) {
  json::Object result = to_json(found.targets[0].chip);
  result["id_bytes"] = hex_spaced(found.targets[0].id_bytes);
  result["board"] = board_uuid;
  result["supply_mV"] = found.supply.value;
  result["contact"] = found.contact ? json::Value(to_json(*found.contact)) : json::Value(nullptr);
  json::Array targets;
  for (const capture::FoundTarget& target : found.targets) {
    json::Object entry = to_json(target.chip);
    entry["target"] = target.target;
    entry["id_bytes"] = hex_spaced(target.id_bytes);
    targets.push_back(std::move(entry));
  }
  result["targets"] = std::move(targets);
  result["notes"] = to_json(found.notes);
  return result;
}

}  // namespace

Result<json::Object> chip_identify(json::Reader& params, const JobHooks& hooks) {
  auto address = board_address(params);
  if (!address) return failure(address.error());
  const auto allowed = consent(params);
  if (!allowed) return failure(allowed.error());
  auto map = named_map(params);
  if (!map) return failure(map.error());
  if (const auto done = params.finish(); !done) return failure(done.error());

  asio::io_context io(1);
  return run<json::Object>(with_board<json::Object>(std::move(*address), "chip.identify", hooks,
                                                    [&](board::BoardClient& board) -> asio::awaitable<Result<json::Object>> {
                                                      capture::IdentifyOptions options;
                                                      options.consent = *allowed;
                                                      options.map = std::move(*map);
                                                      auto powered = co_await capture::power_and_identify(board, options);
                                                      if (!powered) co_return failure(powered.error());
                                                      const auto down = co_await powered->lease.power_down();
                                                      if (!down) co_return failure(down.error());
                                                      co_return found_json(powered->found, board.info().uuid);
                                                    }),
                           io);
}

Result<json::Object> chip_read(json::Reader& params, const JobHooks& hooks) {
  auto address = board_address(params);
  if (!address) return failure(address.error());
  const auto allowed = consent(params);
  if (!allowed) return failure(allowed.error());
  const auto passes = params.number("passes", 1, 255);
  if (!passes) return failure(passes.error());
  auto into = params.text("into");
  if (!into) return failure(into.error());
  const auto blocks = number_range(params, "blocks");
  if (!blocks) return failure(blocks.error());
  const auto bench = params.text_or("bench", "");
  if (!bench) return failure(bench.error());
  auto map = named_map(params);
  if (!map) return failure(map.error());
  const auto another_board = params.boolean_or("another_board", false);
  if (!another_board) return failure(another_board.error());
  const auto timings = params.boolean_or("timings", false);
  if (!timings) return failure(timings.error());
  if (const auto done = params.finish(); !done) return failure(done.error());

  if (const auto usable = check_bench_to_quote(*bench); !usable) return failure(usable.error());

  capture::ReadOptions options;
  options.map = std::move(*map);
  options.another_board = *another_board;
  options.folder = *into;
  options.passes = static_cast<std::uint32_t>(*passes);
  options.blocks = *blocks;
  options.consent = *allowed;
  options.tool = kTool;
  options.progress = hooks.progress;
  options.note = hooks.note;
  asio::io_context io(1);
  std::string board_uuid;
  const auto read = run<capture::ReadResult>(
      with_board<capture::ReadResult>(std::move(*address), "chip.read", hooks,
                                      [&](board::BoardClient& board) -> asio::awaitable<Result<capture::ReadResult>> {
                                        board_uuid = board.info().uuid;
                                        auto quote = check_quote(*bench, board_uuid);
                                        if (!quote) co_return failure(quote.error());
                                        options.board_check = std::move(*quote);
                                        co_return co_await capture::read_chip(board, files::posix(), std::move(options));
                                      }),
      io);
  if (!read) return failure(read.error());
  json::Object result = found_json(read->found, board_uuid);
  result["capture"] = *into;
  result["uuid"] = read->uuid;
  result["passes"] = *passes;
  result["first_block"] = read->blocks.first;
  result["last_block"] = read->blocks.last;
  result["units_read"] = read->units_read;
  result["units_held"] = read->units_held;
  result["units_without_bytes"] = read->units_without_bytes;
  result["bytes"] = read->bytes;
  result["pages_not_transferred"] = read->pages_not_transferred;
  result["pages_timed_out"] = read->pages_timed_out;
  result["seconds"] = read->seconds;
  result["journal_head"] = to_text(read->journal_head);
  if (*timings) {
    json::Array stages = timings_json(read->writing);
    stages.insert(stages.begin(),
                  json::Object{{"stage", "processor time of transfer, framing and copying"}, {"seconds", read->transfer_thread_seconds}});
    result["timings"] = std::move(stages);
  }
  json::Array notes = to_json(read->found.notes);
  for (const std::string& note : read->notes) notes.emplace_back(note);
  result["notes"] = std::move(notes);
  return result;
}

Result<json::Object> socket_check(json::Reader& params, const JobHooks& hooks) {
  auto address = board_address(params);
  if (!address) return failure(address.error());
  const auto svg = params.text_or("svg", ""), bench = params.text_or("bench", "");
  for (const auto* text : {&svg, &bench})
    if (!*text) return failure(text->error());
  const auto named = named_map(params);
  if (!named) return failure(named.error());
  const std::optional<contact::SocketMap>& map = *named;
  if (const auto done = params.finish(); !done) return failure(done.error());
  if (const auto free = check_drawing_target(*svg); !free) return failure(free.error());
  if (const auto there = ensure_bench(*bench); !there) return failure(there.error());
  asio::io_context io(1);
  std::string board_uuid;
  const auto readings =
      run<contact::Readings>(with_board<contact::Readings>(std::move(*address), "socket.check", hooks,
                                                           [&](board::BoardClient& board) -> asio::awaitable<Result<contact::Readings>> {
                                                             board_uuid = board.info().uuid;
                                                             co_return co_await capture::measure_contacts(board);
                                                           }),
                             io);
  if (!readings) return failure(readings.error());
  const contact::Verdict verdict = contact::judge(*readings, map ? &*map : nullptr);
  if (const auto drawn = write_drawing(*svg, *readings, verdict, "contacts of board " + board_uuid); !drawn) return failure(drawn.error());
  json::Object result = contact_json(*readings, verdict);
  result["board"] = board_uuid;
  if (!svg->empty()) result["svg"] = *svg;
  if (!bench->empty())
    if (const auto logged = log_contacts(*bench, board_uuid, result); !logged) return failure(logged.error());
  return result;
}

namespace {

// The reference chip must be identified as what it is said to be: sockets, rails, bus and lanes at once.
measure::CheckItem reference_item(const Result<capture::Powered>& powered, const Bytes& expected) {
  measure::CheckItem item;
  item.name = "reference_chip";
  item.outcome = measure::CheckItem::Outcome::failed;
  item.values = {{"expected_id", hex_spaced(expected)}};
  if (!powered) {
    item.text = powered.error().what();
    return item;
  }
  const Bytes& id = powered->found.targets[0].id_bytes;
  item.values["id"] = hex_spaced(id);
  const bool same = id.size() >= expected.size() && std::equal(expected.begin(), expected.end(), id.begin());
  if (same) item.outcome = measure::CheckItem::Outcome::passed;
  item.text = fmt::format("{} {}", hex_spaced(id), same ? "as expected" : "is not the reference chip " + hex_spaced(expected));
  return item;
}

asio::awaitable<Result<std::vector<measure::CheckItem>>> whole_check(board::BoardClient& board, measure::BoardCheckOptions options,
                                                                     Bytes reference, std::optional<Millivolts> allowed) {
  options.reference_chip = !reference.empty();
  auto items = co_await measure::check_board(board, options);
  if (!items || reference.empty()) co_return items;
  capture::IdentifyOptions identify;
  identify.consent = allowed;
  auto powered = co_await capture::power_and_identify(board, identify);
  items->push_back(reference_item(powered, reference));
  if (powered) {
    const auto down = co_await powered->lease.power_down();
    if (!down) co_return failure(down.error());
  } else if (powered.error().code() == ErrorCode::interrupted || board.lost()) {
    co_return failure(powered.error());
  }
  co_return items;
}

}  // namespace

Result<json::Object> board_check(json::Reader& params, const JobHooks& hooks) {
  auto address = board_address(params);
  if (!address) return failure(address.error());
  const auto allowed = consent(params);
  if (!allowed) return failure(allowed.error());
  const auto bench = params.text_or("bench", ""), reference_text = params.text_or("reference", "");
  for (const auto* text : {&bench, &reference_text})
    if (!*text) return failure(text->error());
  const auto ohm = params.number_or("load_ohm", 60, 10'000, 0), nanofarad = params.number_or("load_nF", 0, 100'000, 0);
  for (const auto* number : {&ohm, &nanofarad})
    if (!*number) return failure(number->error());
  if (const auto done = params.finish(); !done) return failure(done.error());
  const auto reference = parse_hex(*reference_text);
  if (!reference || (!reference_text->empty() && reference->size() < 2))
    return failure(Error(ErrorCode::wrong_usage, fmt::format("\"{}\" is no chip ID", printable(*reference_text)))
                       .advising("give hex pairs such as \"EC DC 10 95 54\""));
  if (const auto there = ensure_bench(*bench); !there) return failure(there.error());
  if (*nanofarad > 0 && *ohm == 0)
    return failure(Error(ErrorCode::wrong_usage, "a capacitor alone is no load").advising("give --load-ohm, too"));

  measure::BoardCheckOptions options;
  if (*ohm > 0) options.load = measure::KnownLoad{.ohm = static_cast<double>(*ohm), .microfarad = static_cast<double>(*nanofarad) * 1e-3};
  options.socket_3v3 = *allowed == Millivolts(3300);
  json::Object report{{"schema", "steadycell-board-check/1"}, {"time", passes::system_clock().wall_time()}, {"tool", kTool}};
  asio::io_context io(1);
  std::string board_uuid;
  const auto items =
      run<std::vector<measure::CheckItem>>(with_board<std::vector<measure::CheckItem>>(
                                               std::move(*address), "board.check", hooks,
                                               [&](board::BoardClient& board) -> asio::awaitable<Result<std::vector<measure::CheckItem>>> {
                                                 board_uuid = board.info().uuid;
                                                 report["board"] = board_uuid;
                                                 report["name"] = board.info().name;
                                                 report["firmware"] = board.info().firmware;
                                                 report["boot_counter"] = board.info().boot_counter;
                                                 co_return co_await whole_check(board, options, *reference, *allowed);
                                               }),
                                           io);
  if (!items) return failure(items.error());
  bool passed = true;
  json::Array list;
  for (const measure::CheckItem& item : *items) {
    passed = passed && item.outcome != measure::CheckItem::Outcome::failed;
    list.push_back(
        json::Object{{"item", item.name}, {"outcome", measure::to_text(item.outcome)}, {"text", item.text}, {"values", item.values}});
  }
  report["passed"] = passed;
  report["items"] = std::move(list);
  if (!bench->empty())
    if (const auto kept = keep_check(*bench, board_uuid, report); !kept) return failure(kept.error());
  return report;
}

namespace {

json::Object finding_json(const conform::Finding& finding) {
  json::Object out{{"duty", finding.duty}, {"asks", finding.asks}, {"outcome", conform::to_text(finding.outcome)}, {"text", finding.text}};
  if (finding.measured) {
    out["measured"] = finding.measured->value;
    out["unit"] = finding.measured->unit;
    out["limit"] = finding.measured->limit;
  }
  return out;
}

// A board of unknown behaviour: nothing of a client's may hang on it.
Error unconfirmed() {
  return Error(
             ErrorCode::wrong_usage,
             "this tries the board's every duty, also switching its rails, on a firmware that nobody has proven yet: a faulty one may send "
             "anything to what is in the socket")
      .keeping("nothing was sent to the board")
      .advising(fmt::format("take every patient's chip and stick off the board (switched off, wrist strap on: static discharge harms "
                            "chips), use a current-limited supply, do "
                            "not touch parts that may be hot from a shorted rail, follow your local rules; then say so: --confirm \"{}\"",
                            conform::kConfirmation));
}

asio::awaitable<Result<conform::Report>> conform_held(link::BoardAddress address, conform::Options options, const JobHooks& hooks) {
  auto opened = co_await open_held(std::move(address), "board.conform", hooks);
  if (!opened) co_return failure(opened.error());
  std::optional<BoardHold> board_itself;
  options.greeted = [&](const protocol::BoardInfo& board) -> asio::awaitable<Result<void>> {
    opened->holder.board = board.uuid;
    auto held = co_await BoardHold::take(opened->holder, hooks.stop);
    if (!held) co_return failure(held.error());
    board_itself.emplace(std::move(*held));
    co_return Result<void>();
  };
  co_return co_await conform::conform(std::move(opened->link), std::move(options));
}

}  // namespace

Result<json::Object> board_conform(json::Reader& params, const JobHooks& hooks) {
  auto address = board_address(params);
  if (!address) return failure(address.error());
  const auto allowed = consent(params);
  if (!allowed) return failure(allowed.error());
  const auto confirmed = params.text_or("confirm", ""), only = params.text_or("only", "");
  for (const auto* text : {&confirmed, &only})
    if (!*text) return failure(text->error());
  const auto lid_seconds = params.number_or("lid_seconds", 0, 600, 0);
  if (!lid_seconds) return failure(lid_seconds.error());
  if (const auto done = params.finish(); !done) return failure(done.error());
  if (*confirmed != conform::kConfirmation) return failure(unconfirmed());

  conform::Options options;
  options.only = printable(*only);
  options.socket_3v3 = *allowed == Millivolts(3300);
  options.lid_seconds = static_cast<unsigned>(*lid_seconds);
  options.stop = hooks.stop;
  options.note = hooks.note;
  if (hooks.progress)
    options.progress = [&hooks](std::string_view duty, std::size_t done, std::size_t all) {
      api::Progress progress;
      progress.stage = std::string(duty);
      progress.unit = "duties";
      progress.done = done;
      progress.total = all;
      hooks.progress(progress);
    };
  asio::io_context io(1);
  const auto kind = address->kind;
  const auto report = run<conform::Report>(conform_held(std::move(*address), std::move(options), hooks), io);
  if (!report) return failure(with_cure_for(kind, report.error()));
  json::Object result{{"schema", "steadycell-board-conformance/1"}, {"time", passes::system_clock().wall_time()}, {"tool", kTool}};
  result["board"] = report->board.uuid;
  result["name"] = report->board.name;
  result["firmware"] = report->board.firmware;
  result["protocol"] = report->board.protocol;
  result["boot_counter"] = report->board.boot_counter;
  result["chip_answers"] = report->chip_answers;
  result["passed"] = report->passed();
  json::Array duties;
  std::map<conform::Finding::Outcome, std::uint64_t> counts;
  for (const conform::Finding& finding : report->findings) {
    ++counts[finding.outcome];
    duties.push_back(finding_json(finding));
  }
  using enum conform::Finding::Outcome;
  result["counts"] = json::Object{{"passed", counts[passed]}, {"failed", counts[failed]}, {"not_applicable", counts[not_applicable]}};
  result["duties"] = std::move(duties);
  return result;
}

Result<json::Object> supply_cold(json::Reader& params, const JobHooks& hooks) {
  auto address = board_address(params);
  if (!address) return failure(address.error());
  auto names = patient_names(params);
  if (!names) return failure(names.error());
  const auto keep = params.boolean_or("keep_as_twin", false);
  if (!keep) return failure(keep.error());
  if (const auto done = params.finish(); !done) return failure(done.error());
  if (*keep)
    if (const auto usable = check_bench(names->bench); !usable) return failure(usable.error());
  asio::io_context io(1);
  return run<json::Object>(with_board<json::Object>(std::move(*address), "supply.cold", hooks,
                                                    [&](board::BoardClient& board) { return cold_job(board, std::move(*names), *keep); }),
                           io);
}

Result<json::Object> supply_record(json::Reader& params, const JobHooks& hooks) {
  auto address = board_address(params);
  if (!address) return failure(address.error());
  const auto request = supply_request(params);
  if (!request) return failure(request.error());
  if (const auto done = params.finish(); !done) return failure(done.error());
  if (const auto usable = check_bench(request->names.bench); !usable) return failure(usable.error());
  const auto twin = twin_runs(request->names);
  if (!twin) return failure(twin.error());
  asio::io_context io(1);
  auto recorded = run<json::Object>(with_board<json::Object>(std::move(*address), "supply.record", hooks,
                                                             [&](board::BoardClient& board) { return record_job(board, *request, hooks); }),
                                    io);
  if (!recorded) return recorded;
  auto result = diagnose_files({.trace = request->to, .burst = request->burst, .twin = twin->runs, .notes = {}, .twin_is_kept = true}, {});
  if (!result) return failure(result.error());
  for (auto& [key, value] : *recorded) (*result)[key] = std::move(value);
  if ((*result)["check_before_power"].is_null())  // else it has said so
    for (const std::string& note : twin->notes) (*result)["notes"].as_array().emplace_back(note);
  return result;
}

}  // namespace steadycell::service
