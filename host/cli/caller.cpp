#include "cli/caller.h"

#include <cstdlib>

#include "base/text.h"
#include "cli/daemon_client.h"
#include "cli/doctor.h"
#include "service/hold.h"
#include "service/runtime.h"

namespace steadycell::cli {
namespace {

enum class Way : std::uint8_t { whichever, alone, daemon_only };

Result<Way> way() {
  const char* value = std::getenv("STEADYCELL_DAEMON");
  const std::string_view word = value != nullptr ? value : "";
  if (word.empty()) return Way::whichever;
  if (word == "off") return Way::alone;
  if (word == "only") return Way::daemon_only;
  return failure(Error(ErrorCode::wrong_usage, fmt::format("STEADYCELL_DAEMON is \"{}\"", printable(word)))
                     .advising("set it to off or only, or unset it"));
}

Result<std::unique_ptr<DaemonClient>> connect(const service::JobHooks& hooks) {
  const auto chosen = way();
  if (!chosen) return failure(chosen.error());
  if (*chosen == Way::alone) return nullptr;
  auto client = DaemonClient::connect(service::socket_path(service::runtime_path()), hooks.stop);
  if (client && !*client && *chosen == Way::daemon_only)
    return failure(Error(ErrorCode::daemon_unreachable, "no daemon runs").advising("start steadycelld, or unset STEADYCELL_DAEMON"));
  return client;
}

Result<json::Object> status(const service::JobHooks& hooks) {
  const auto client = connect(hooks);
  if (!client) return failure(client.error());
  json::Object result{{"version", STEADYCELL_VERSION}, {"daemon", nullptr}};
  if (*client) {
    auto told = (*client)->call("daemon.status", json::Object(), hooks);
    if (!told) return told;
    result["daemon"] = std::move(*told);
  }
  const auto held = service::held_boards();
  if (!held) return failure(held.error());
  json::Array boards;
  for (const service::Holder& holder : *held)
    boards.push_back(json::Object{{"board", holder.board},
                                  {"program", holder.program},
                                  {"method", holder.method},
                                  {"process", holder.process},
                                  {"since", holder.since}});
  result["boards_held"] = std::move(boards);
  return result;
}

}  // namespace

Result<json::Object> Caller::call(std::string_view method, const json::Value& params, const service::JobHooks& hooks) {
  if (method == "status") return status(hooks);
  if (method == "doctor") return doctor(hooks.stop);
  if (!service::needs_board(method)) return service_.call(method, params, hooks);
  const auto client = connect(hooks);
  if (!client) return failure(client.error());
  return *client ? (*client)->call(method, params, hooks) : service_.call(method, params, hooks);
}

}  // namespace steadycell::cli
