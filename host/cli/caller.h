#pragma once
#include <string_view>

#include "base/json.h"
#include "base/result.h"
#include "service/service.h"

namespace steadycell::cli {

// Calls the service: in the daemon when one runs and the method works with a board, else in this process. STEADYCELL_DAEMON
// in the environment says otherwise: "off" never asks a daemon, "only" fails where a daemon is missing.
//
// "status" and "doctor" are answered here: they are about this installation, not about a patient.
class Caller {
 public:
  Result<json::Object> call(std::string_view method, const json::Value& params, const service::JobHooks& hooks);

 private:
  service::Service service_;
};

}  // namespace steadycell::cli
