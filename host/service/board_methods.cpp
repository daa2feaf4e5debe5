#include <unistd.h>

#include <boost/asio/co_spawn.hpp>
#include <boost/asio/io_context.hpp>
#include <filesystem>
#include <optional>

#include "board/client.h"
#include "capture/identify.h"
#include "capture/read.h"
#include "files/file_system.h"
#include "link/link.h"
#include "passes/clock.h"
#include "service/hold.h"
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

// Takes hold of the board, connects, runs `work` with it, and closes it whatever came of it.
template <typename Value, typename Work>
asio::awaitable<Result<Value>> with_board(link::BoardAddress address, std::string_view method, const JobHooks& hooks, Work work) {
  Holder holder;
  holder.program = hooks.program;
  holder.method = method;
  holder.process = hooks.process != 0 ? hooks.process : ::getpid();
  holder.since = passes::system_clock().wall_time();
  std::optional<BoardHold> place, board_itself;
  if (const auto name = shared_name(address)) {
    holder.board = *name;
    auto held = co_await BoardHold::take(holder, hooks.stop);
    if (!held) co_return failure(held.error());
    place.emplace(std::move(*held));
  }
  auto opened = co_await link::open_link(std::move(address));
  if (!opened) co_return failure(opened.error());
  auto board = co_await board::BoardClient::connect(std::move(*opened), hooks.stop);
  if (!board) co_return failure(board.error());
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

Result<std::optional<Millivolts>> consent(json::Reader& params) {
  const auto supply = params.number_or("supply_mV", 0, 3300, 0);
  if (!supply) return failure(supply.error());
  if (*supply == 0) return std::optional<Millivolts>();
  if (*supply != 1800 && *supply != 3300)
    return failure(Error(ErrorCode::wrong_usage, fmt::format("a chip supply of {} mV is not offered", *supply)).advising("use 1800 or 3300"));
  return std::optional<Millivolts>(Millivolts(static_cast<std::int32_t>(*supply)));
}

// Keys of the first chip enable on top, all of them under "targets".
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
  if (const auto done = params.finish(); !done) return failure(done.error());

  asio::io_context io(1);
  return run<json::Object>(with_board<json::Object>(std::move(*address), "chip.identify", hooks,
                                                    [&](board::BoardClient& board) -> asio::awaitable<Result<json::Object>> {
                                                      capture::IdentifyOptions options;
                                                      options.consent = *allowed;
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
  if (const auto done = params.finish(); !done) return failure(done.error());

  capture::ReadOptions options;
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
  result["bytes"] = read->bytes;
  result["pages_not_transferred"] = read->pages_not_transferred;
  result["pages_timed_out"] = read->pages_timed_out;
  result["seconds"] = read->seconds;
  result["journal_head"] = to_text(read->journal_head);
  json::Array notes = to_json(read->found.notes);
  for (const std::string& note : read->notes) notes.emplace_back(note);
  result["notes"] = std::move(notes);
  return result;
}

Result<json::Object> socket_check(json::Reader& params, const JobHooks& hooks) {
  auto address = board_address(params);
  if (!address) return failure(address.error());
  if (const auto done = params.finish(); !done) return failure(done.error());
  asio::io_context io(1);
  return run<json::Object>(with_board<json::Object>(std::move(*address), "socket.check", hooks,
                                                    [](board::BoardClient& board) -> asio::awaitable<Result<json::Object>> {
                                                      const auto verdict = co_await capture::check_contacts(board);
                                                      if (!verdict) co_return failure(verdict.error());
                                                      json::Object result = to_json(*verdict);
                                                      result["board"] = board.info().uuid;
                                                      co_return result;
                                                    }),
                           io);
}

Result<json::Object> supply_cold(json::Reader& params, const JobHooks& hooks) {
  auto address = board_address(params);
  if (!address) return failure(address.error());
  auto names = patient_names(params);
  if (!names) return failure(names.error());
  const auto keep = params.boolean_or("keep_as_twin", false);
  if (!keep) return failure(keep.error());
  if (const auto done = params.finish(); !done) return failure(done.error());
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
  const auto twin = twin_runs(request->names);
  if (!twin) return failure(twin.error());
  asio::io_context io(1);
  auto recorded = run<json::Object>(with_board<json::Object>(std::move(*address), "supply.record", hooks,
                                                             [&](board::BoardClient& board) { return record_job(board, *request, hooks); }),
                                    io);
  if (!recorded) return recorded;
  auto result = diagnose_files({.trace = request->to, .burst = request->burst, .twin = *twin}, {});
  if (!result) return failure(result.error());
  for (auto& [key, value] : *recorded) (*result)[key] = std::move(value);
  return result;
}

}  // namespace steadycell::service
