// Writes the manual pages and the shells' completions from the command tree, at build time.
//   steadycell-write-manual FOLDER      makes FOLDER/man1/*.1 and FOLDER/steadycell.bash, .zsh and .fish
#include <fmt/format.h>

#include <algorithm>
#include <cctype>
#include <cstdio>
#include <filesystem>
#include <fstream>

#include "completion.h"

namespace {

using steadycell::cli::CommandFacts;
using steadycell::cli::OptionFacts;

// Text as roff takes it: nothing of it is a request, and a dash is the dash that can be typed again.
std::string roff(const std::string& text) {
  std::string out;
  bool at_start = true;
  for (const char c : text) {
    if (at_start && (c == '.' || c == '\'')) out += "\\&";
    at_start = c == '\n';
    if (c == '\\')
      out += "\\e";
    else if (c == '-')
      out += "\\-";
    else
      out += c;
  }
  return out;
}

std::string dashed(const std::string& command) {
  std::string out = "steadycell";
  for (const char c : command.empty() ? "" : " " + command) out += c == ' ' ? '-' : c;
  return out;
}

std::string synopsis(const CommandFacts& command) {
  std::string out = fmt::format(".B {}\n", roff(command.name.empty() ? "steadycell" : "steadycell " + command.name));
  for (const OptionFacts& option : command.options) {
    if (option.name == "--help") continue;
    std::string word = option.positional ? "\\fI" + roff(option.name) + "\\fR" : "\\fB" + roff(option.name) + "\\fR";
    if (!option.value.empty() && !option.positional) word += " \\fI" + roff(option.value) + "\\fR";
    out += option.required ? word + "\n" : "[" + word + "]\n";
  }
  return out;
}

std::string option_list(const CommandFacts& command) {
  std::string out;
  for (const OptionFacts& option : command.options) {
    const std::string value = option.value.empty() || option.positional ? "" : " \\fI" + roff(option.value) + "\\fR";
    out += fmt::format(".TP\n\\fB{}\\fR{}\n{}{}\n", roff(option.name), value, roff(option.help), option.required ? " (required)" : "");
  }
  return out;
}

// The footer of --help: a line that ends with a colon is a heading, what is set in is shown as it stands.
std::string footer(const std::string& text) {
  std::string out;
  std::size_t at = 0;
  bool shown = false;
  const auto show = [&](bool on) {
    if (on != shown) out += on ? ".PP\n.nf\n" : ".fi\n";
    shown = on;
  };
  while (at < text.size()) {
    const std::size_t end = std::min(text.find('\n', at), text.size());
    const std::string line = text.substr(at, end - at);
    at = end + 1;
    if (line == "Examples:") {
      show(false);
      out += ".SH EXAMPLES\n";
    } else if (line.starts_with("Exit codes: ")) {
      show(false);
      out += ".SH EXIT STATUS\n" + roff(line.substr(line.find(' ', 5) + 1)) + "\n";
    } else {
      show(line.starts_with("  steadycell"));
      out += roff(line.substr(std::min(line.find_first_not_of(' '), line.size()))) + "\n";
    }
  }
  show(false);
  return out;
}

std::string page(const CommandFacts& command, const std::vector<CommandFacts>& all) {
  std::string title = dashed(command.name);
  for (char& c : title) c = static_cast<char>(std::toupper(static_cast<unsigned char>(c)));
  std::string out = fmt::format(
      ".\\\" made from the program's own commands\n.TH {} 1 \"\" \"steadycell {}\" \"User Commands\"\n.SH NAME\n{} \\- {}\n", title,
      STEADYCELL_VERSION, roff(dashed(command.name)), roff(command.what));
  out += ".SH SYNOPSIS\n" + synopsis(command);
  std::string below;
  for (const CommandFacts& other : all) {
    const bool within = other.name.size() > command.name.size() && (command.name.empty() || other.name.starts_with(command.name + " "));
    if (within) below += fmt::format(".TP\n\\fB{}\\fR\n{}\n", roff(other.name), roff(other.what));
  }
  if (!below.empty()) out += ".SH COMMANDS\nEach has a page of its own, such as \\fBsteadycell\\-chip\\-read\\fR(1).\n" + below;
  out += ".SH OPTIONS\n" + option_list(command) + footer(command.footer);
  if (command.name.empty())
    out +=
        ".SH ENVIRONMENT\n"
        ".TP\n.B STEADYCELL_BENCH\nbench folder, where \\-\\-bench names none\n"
        ".TP\n.B STEADYCELL_DAEMON\noff: commands work by themselves; only: work with a board goes through the daemon\n"
        ".SH SAFETY\nThe usual cautions of the trade against static discharge, shorted rails, heat and solder fumes come before these "
        "pages, and so do local codes, the law and licensed practice: see safety.md beside the other documents.\n";
  out += ".SH SEE ALSO\n" + std::string(command.name.empty() ? "" : "\\fBsteadycell\\fR(1), ") +
         "\\fBsteadycelld\\fR(1), \\fBsteadycell\\-simboard\\fR(1)\n";
  return out;
}

bool write(const std::filesystem::path& file, const std::string& text) {
  std::ofstream out(file, std::ios::binary);
  out << text;
  return static_cast<bool>(out.flush());
}

}  // namespace

int main(int argc, char** argv) {
  if (argc != 2) {
    fmt::print(stderr, "usage: steadycell-write-manual FOLDER\n");
    return 2;
  }
  const std::filesystem::path folder = argv[1];
  std::error_code code;
  std::filesystem::create_directories(folder / "man1", code);
  const auto commands = steadycell::cli::describe_commands();
  namespace install = steadycell::install;
  bool good = !code && write(folder / "steadycell.bash", install::bash_completion(commands)) &&
              write(folder / "steadycell.zsh", install::zsh_completion(commands)) &&
              write(folder / "steadycell.fish", install::fish_completion(commands));
  for (const CommandFacts& command : commands)
    good = good && write(folder / "man1" / (dashed(command.name) + ".1"), page(command, commands));
  if (!good) fmt::print(stderr, "{} cannot be written\n", folder.string());
  return good ? 0 : 1;
}
