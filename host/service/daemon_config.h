#pragma once
#include <cstdint>
#include <string>

#include "base/result.h"

namespace steadycell::service {

// What steadycelld may take on; here because the daemon reads it and the doctor checks it.
// daemon.json: {"schema": "steadycell-daemon/1", "max_clients": 64, "max_jobs": 8}; every key but the first may be left out.
struct DaemonConfig {
  std::uint32_t max_clients = 64;  // 1 to 1000; one more is told so and turned away
  std::uint32_t max_jobs = 8;      // 1 to 64 at a time, each on a board of its own
};

// bad_configuration names the file and the key; unknown keys are refused.
Result<DaemonConfig> parse_daemon_config(const std::string& text);
// `path` empty: the usual place ($XDG_CONFIG_HOME/steadycell/daemon.json, ~/.config without it), where no file is no error.
Result<DaemonConfig> load_daemon_config(const std::string& path);

}  // namespace steadycell::service
