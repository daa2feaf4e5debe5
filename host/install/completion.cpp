#include "completion.h"

#include <fmt/format.h>
#include <fmt/ranges.h>

#include <algorithm>

namespace steadycell::install {
namespace {

using cli::CommandFacts;
using cli::OptionFacts;

// One word of a shell: none of the texts here has a quote that would end it.
std::string shell_word(const std::string& words) { return "'" + words + "'"; }

// The words that may follow a command: "chip" after nothing, "read" after "chip".
std::vector<const CommandFacts*> below(const CommandFacts& command, const std::vector<CommandFacts>& all) {
  const std::string front = command.name.empty() ? "" : command.name + " ";
  std::vector<const CommandFacts*> found;
  for (const CommandFacts& other : all)
    if (!other.name.empty() && other.name != command.name && other.name.starts_with(front) &&
        other.name.find(' ', front.size()) == std::string::npos)
      found.push_back(&other);
  return found;
}

std::string last_word(const CommandFacts& command) { return command.name.substr(command.name.rfind(' ') + 1); }

// What the shells of one family share: tables to ask, by a command's words.
std::string tables(const std::vector<CommandFacts>& all) {
  std::string next = "_steadycell_next() {  # words that may follow a command\n  case $1 in\n";
  std::string options = "_steadycell_options() {\n  case $1 in\n";
  std::string values = "_steadycell_values() {  # of an option that takes one of a few words\n  case $1 in\n";
  std::vector<std::string> flags;
  for (const CommandFacts& command : all) {
    std::vector<std::string> follow, own;
    for (const CommandFacts* other : below(command, all)) follow.push_back(last_word(*other));
    for (const OptionFacts& option : command.options) {
      if (option.positional) continue;
      own.push_back(option.name);
      if (!option.choices.empty())
        values += fmt::format("    {}) echo {} ;;\n", shell_word(command.name + " " + option.name),
                              shell_word(fmt::format("{}", fmt::join(option.choices, " "))));
      if (option.value.empty() && std::find(flags.begin(), flags.end(), option.name) == flags.end()) flags.push_back(option.name);
    }
    next += fmt::format("    {}) echo {} ;;\n", shell_word(command.name), shell_word(fmt::format("{}", fmt::join(follow, " "))));
    options += fmt::format("    {}) echo {} ;;\n", shell_word(command.name), shell_word(fmt::format("{}", fmt::join(own, " "))));
  }
  return next + "  esac\n}\n" + options + "  esac\n}\n" + values + "  esac\n}\n" +
         "_steadycell_flags=" + shell_word(fmt::format(" {} ", fmt::join(flags, " "))) + "\n";
}

// Text between single quotes of fish, where only \ and ' mean something.
std::string fish_text(const std::string& text) {
  std::string out;
  for (const char c : text) {
    if (c == '\\' || c == '\'') out += '\\';
    out += c;
  }
  return "'" + out + "'";
}

}  // namespace

std::string bash_completion(const std::vector<CommandFacts>& all) {
  return "# bash completion of steadycell; made from the program's own commands\n" + tables(all) + R"bash(
_steadycell() {
  local cur=${COMP_WORDS[COMP_CWORD]} prev=${COMP_WORDS[COMP_CWORD-1]} command='' word i words
  COMPREPLY=()
  for ((i = 1; i < COMP_CWORD; i++)); do
    word=${COMP_WORDS[i]}
    [[ $word == -* ]] && break
    [[ " $(_steadycell_next "$command") " == *" $word "* ]] || break
    command=${command:+$command }$word
  done
  if [[ $cur == : || $prev == : ]]; then  # behind sim: or unix:
    [[ $cur == : ]] && cur=''
    compopt -o filenames 2>/dev/null
    mapfile -t COMPREPLY < <(compgen -f -- "$cur")
  elif [[ $prev == --board ]]; then
    compopt -o nospace 2>/dev/null
    mapfile -t COMPREPLY < <(compgen -W 'sim: tcp: unix: usb' -- "$cur")
  elif [[ $prev == -* && $_steadycell_flags != *" $prev "* ]]; then
    words=$(_steadycell_values "$command $prev")
    if [[ -n $words ]]; then
      mapfile -t COMPREPLY < <(compgen -W "$words" -- "$cur")
    else
      compopt -o filenames 2>/dev/null
      mapfile -t COMPREPLY < <(compgen -f -- "$cur")
    fi
  elif [[ $cur == -* ]]; then
    mapfile -t COMPREPLY < <(compgen -W "$(_steadycell_options "$command")" -- "$cur")
  else
    words=$(_steadycell_next "$command")
    if [[ -n $words ]]; then
      mapfile -t COMPREPLY < <(compgen -W "$words" -- "$cur")
    else
      compopt -o filenames 2>/dev/null
      mapfile -t COMPREPLY < <(compgen -f -- "$cur")
    fi
  fi
}
complete -F _steadycell steadycell
)bash";
}

std::string zsh_completion(const std::vector<CommandFacts>& all) {
  return "#compdef steadycell\n# zsh completion of steadycell; made from the program's own commands\n" + tables(all) + R"zsh(
_steadycell() {
  local cur=$words[CURRENT] prev=$words[CURRENT-1] command='' word
  local -a offered
  for word in $words[2,CURRENT-1]; do
    [[ $word == -* ]] && break
    [[ " $(_steadycell_next "$command") " == *" $word "* ]] || break
    command=${command:+$command }$word
  done
  if [[ $prev == --board ]]; then
    if [[ $cur == (sim|unix):* ]]; then
      compset -P '*:'
      _files
    else
      compadd -S '' -- sim: tcp: unix: usb
    fi
    return
  fi
  if [[ $prev == -* && $_steadycell_flags != *" $prev "* ]]; then
    offered=(${=$(_steadycell_values "$command $prev")})
  elif [[ $cur == -* ]]; then
    offered=(${=$(_steadycell_options "$command")})
  else
    offered=(${=$(_steadycell_next "$command")})
  fi
  if ((${#offered})); then
    compadd -- $offered
  else
    _files
  fi
}
_steadycell "$@"
)zsh";
}

std::string fish_completion(const std::vector<CommandFacts>& all) {
  std::string out = "# fish completion of steadycell; made from the program's own commands\n", names;
  for (const CommandFacts& command : all)
    if (!command.name.empty()) names += " " + shell_word(command.name);
  out += "set -g __steadycell_commands" + names + R"fish(

function __steadycell_at --description 'whether the command given so far is this one'
  set -l command
  for word in (commandline -opc)[2..]
    string match -q -- '-*' $word; and break
    set -l longer $command $word
    contains -- "$longer" $__steadycell_commands; or break
    set command $longer
  end
  test "$command" = "$argv"
end

)fish";
  for (const CommandFacts& command : all) {
    const std::string at = fmt::format("complete -c steadycell -n \"__steadycell_at {}\"", command.name);
    for (const CommandFacts* other : below(command, all))
      out += fmt::format("{} -f -a {} -d {}\n", at, last_word(*other), fish_text(other->what));
    for (const OptionFacts& option : command.options) {
      if (option.positional) continue;
      std::string takes = option.value.empty() ? "" : " -r";
      if (!option.choices.empty()) takes = fmt::format(" -x -a {}", fish_text(fmt::format("{}", fmt::join(option.choices, " "))));
      if (option.name == "--board") takes = " -r -a 'sim: tcp: unix: usb'";
      out += fmt::format("{} -l {}{} -d {}\n", at, option.name.substr(2), takes, fish_text(option.help));
    }
  }
  return out;
}

}  // namespace steadycell::install
