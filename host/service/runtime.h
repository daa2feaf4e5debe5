#pragma once
#include <string>

#include "base/result.h"

// Where everything lives that ends with the login: the daemon's socket and the locks of boards. Client, daemon and
// commands that run by themselves must find the same place.
namespace steadycell::service {

// $XDG_RUNTIME_DIR/steadycell; without that variable /run/user/UID/steadycell; without that folder
// /tmp/steadycell-UID. Only the name: nothing is made or looked at.
std::string runtime_path();

// The same, made when missing (mode 0700). no_permission when it belongs to somebody else, is a link, or lets others in.
Result<std::string> runtime_folder();

std::string socket_path(const std::string& runtime);

}  // namespace steadycell::service
