#pragma once
#include <string>
#include <variant>
#include <vector>

#include "base/json.h"
#include "cli/terminal.h"

namespace steadycell::cli {

// What the person asked for, already in the words of the service: the method and its parameters.
struct Invocation {
  std::string method;   // "chip.read"; "demo" is run by the cli itself
  json::Object params;
  bool as_json = false;
  ProgressStyle progress = ProgressStyle::automatic;
};

// The command line is wrong, or only help or the version was asked for: what to print, and how to leave.
struct Answer {
  std::string out, err;
  int exit_code = 0;
};

std::variant<Invocation, Answer> parse_command_line(const std::vector<std::string>& arguments);

}  // namespace steadycell::cli
