#include "service/daemon_config.h"

#include <cstdlib>

#include "base/json.h"
#include "files/atomic.h"
#include "files/file_system.h"

namespace steadycell::service {
namespace {

constexpr std::uint64_t kMaxConfig = 64 << 10;
constexpr const char* kSchema = "steadycell-daemon/1";

Error bad(const Error& error) { return Error(ErrorCode::bad_configuration, error.what()); }

std::string usual_path() {
  if (const char* config = std::getenv("XDG_CONFIG_HOME"); config != nullptr && config[0] == '/')
    return std::string(config) + "/steadycell/daemon.json";
  if (const char* home = std::getenv("HOME"); home != nullptr && home[0] == '/')
    return std::string(home) + "/.config/steadycell/daemon.json";
  return {};
}

}  // namespace

Result<DaemonConfig> parse_daemon_config(const std::string& text) {
  const auto value = json::parse(text);
  if (!value) return failure(bad(value.error()));
  json::Reader reader(*value, "");
  const auto schema = reader.text("schema");
  if (!schema) return failure(bad(schema.error()));
  if (*schema != kSchema) return failure(ErrorCode::bad_configuration, "key \"schema\" should be \"{}\"", kSchema);
  DaemonConfig config;
  const auto clients = reader.number_or("max_clients", 1, 1000, config.max_clients);
  const auto jobs = reader.number_or("max_jobs", 1, 64, config.max_jobs);
  for (const auto* number : {&clients, &jobs})
    if (!*number) return failure(bad(number->error()));
  if (const auto done = reader.finish(); !done) return failure(bad(done.error()));
  config.max_clients = static_cast<std::uint32_t>(*clients);
  config.max_jobs = static_cast<std::uint32_t>(*jobs);
  return config;
}

Result<DaemonConfig> load_daemon_config(const std::string& path) {
  const std::string from = path.empty() ? usual_path() : path;
  if (from.empty()) return DaemonConfig();
  const auto text = files::read_text(files::posix(), from, kMaxConfig);
  if (!text && path.empty() && text.error().code() == ErrorCode::not_found) return DaemonConfig();
  if (!text) return failure(bad(text.error()).at(from));
  auto config = parse_daemon_config(*text);
  if (!config) return failure(Error(config.error()).at(from));
  return config;
}

}  // namespace steadycell::service
