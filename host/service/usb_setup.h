#pragma once
#include <optional>
#include <string>
#include <vector>

#include "base/json.h"
#include "base/result.h"
#include "link/usb.h"

// How this system is set up for boards on USB, and what is to be said of each board there. Nothing here talks to a board.
namespace steadycell::service {

// One thing looked at in an installation. A note is worth knowing and stops no work.
struct Finding {
  enum class State : std::uint8_t { good, note, problem };
  std::string check;  // "runtime folder"
  State state = State::good;
  std::string found;
  std::string cure;  // empty when there is nothing to do
};

Finding finding(std::string check, Finding::State state, std::string found, std::string cure = {});

// Looks at what lies under `root` ("" on a real system): the rule files for the board's nodes, and the kernel's setting for
// suspending USB devices.
Finding check_device_rules(const std::string& root);
Finding check_usb_suspend(const std::string& root);
// The kernel's limit for the transfers of all programs together.
Finding check_usb_memory(const std::string& root);
// {"check", "state": "good"|"note"|"problem", "found", "cure"}
json::Object to_json(const Finding& found);

// Whether this user may open its node.
bool may_use(const link::UsbBoard& board);
// Something about one board that whoever sits before it should know.
struct Remark {
  bool problem = false;  // else a warning: slower, or worth knowing
  std::string what, next;
};
std::vector<Remark> remarks_on(const link::UsbBoard& board, const std::vector<link::UsbBoard>& all, const std::string& root);
// The boards on USB, as found or as the error that looking for them gave: may they be opened, which one is slow or there twice?
Finding judge_usb_boards(const Result<std::vector<link::UsbBoard>>& boards, const std::string& root);

// Result of board.list (docs/service.md): the boards on USB by `calls`, with who holds them.
Result<json::Object> usb_boards(link::UsbCalls& calls, const std::string& root);

}  // namespace steadycell::service
