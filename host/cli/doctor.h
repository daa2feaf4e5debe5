#pragma once
#include <optional>
#include <string>
#include <vector>

#include "base/json.h"
#include "base/result.h"
#include "link/usb.h"

namespace steadycell::cli {

// One thing looked at in this installation. A note is worth knowing and stops no work.
struct Finding {
  enum class State : std::uint8_t { good, note, problem };
  std::string check;  // "runtime folder"
  State state = State::good;
  std::string found;
  std::string cure;  // empty when there is nothing to do
};

// Looks at what lies under `root` ("" on a real system): the rule files for the board's nodes, and the kernel's setting for
// suspending USB devices.
Finding check_device_rules(const std::string& root);
Finding check_usb_suspend(const std::string& root);
// The kernel's limit for the transfers of all programs together.
Finding check_usb_memory(const std::string& root);
// How a daemon is started here: by its user unit where systemd runs and has one, else by hand.
std::string how_to_start_daemon(const std::string& root);
// The boards on USB, as found or as the error that looking for them gave: may they be opened, which one is slow or there twice?
Finding judge_usb_boards(const Result<std::vector<link::UsbBoard>>& boards);

// Looks at all of it: {"healthy", "findings": [{"check", "state", "found", "cure"}]}; healthy without a problem.
Result<json::Object> doctor();

}  // namespace steadycell::cli
