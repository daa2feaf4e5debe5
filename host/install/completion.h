#pragma once
#include <string>
#include <vector>

#include "cli/command_line.h"

// Completion of commands, options and the few words that some options take, from the command tree, each in the shell's own language.
namespace steadycell::install {

std::string bash_completion(const std::vector<cli::CommandFacts>& all);
// For a folder of zsh's fpath, as _steadycell.
std::string zsh_completion(const std::vector<cli::CommandFacts>& all);
std::string fish_completion(const std::vector<cli::CommandFacts>& all);

}  // namespace steadycell::install
