#pragma once
#include <atomic>
#include <functional>
#include <memory>
#include <string>
#include <string_view>

#include "api/progress.h"
#include "base/json.h"
#include "base/result.h"

namespace steadycell::service {

// What a caller lends to a running job. All callbacks come from the thread that called call().
struct JobHooks {
  api::ProgressSink progress;                   // may be empty
  std::function<void(std::string_view)> note;   // one line worth telling a person at once; may be empty
  const std::atomic<bool>* stop = nullptr;      // set by anybody: end at the next unit, keep what is done
  std::string program = "steadycell";           // who asked: named to others as the holder of the board
  int process = 0;                              // of the program; 0 is this process
};

// Methods that talk to a board: the daemon runs these, all others run in the command itself.
bool needs_board(std::string_view method);

// The one path: command line, tests and daemon all come through here. A method is named as the command that
// calls it ("chip.read"); parameters and results are JSON objects, described in docs/service.md.
//
// Paths in parameters are used as given. Errors carry code, place and next step.
class Service {
 public:
  Result<json::Object> call(std::string_view method, const json::Value& params, const JobHooks& hooks);
};

}  // namespace steadycell::service
