#pragma once
#include <map>
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
  std::map<std::string, std::string> given;  // how each parameter was written: "board_number" -> "--board-number"
  bool as_json = false;
  ProgressStyle progress = ProgressStyle::automatic;
};

// The command line is wrong, or only help or the version was asked for: what to print, and how to leave.
struct Answer {
  std::string out, err;
  int exit_code = 0;
};

std::variant<Invocation, Answer> parse_command_line(const std::vector<std::string>& arguments);

// What --help tells, as facts: manual pages and shell completion are made from it.
struct OptionFacts {
  std::string name;                  // "--passes", or "CAPTURE" for what stands without a name
  std::string value;                 // "N", "TEXT"; empty: a flag
  std::vector<std::string> choices;  // all that it takes; empty: anything of its kind
  std::string help;
  bool required = false, positional = false;
};
struct CommandFacts {
  std::string name;  // "chip read"; empty: the program itself
  std::string what, footer;
  std::vector<OptionFacts> options;
};
// The program itself first, then every command, in the order of --help; "chip" alone is one, too.
std::vector<CommandFacts> describe_commands();

}  // namespace steadycell::cli
