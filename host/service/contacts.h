#pragma once
#include <optional>
#include <string>

#include "base/json.h"
#include "contact/contact.h"

// A contact check as a result, for the board's own measurement and for tables. Not for other rooms.
namespace steadycell::service {

// The name of a built-in map, or a file with one. Errors: wrong_usage for a name that is neither.
Result<contact::SocketMap> load_map(const std::string& name_or_file);

// The keys of the verdict (results.h), the readings position by position, and the drawing for a terminal.
json::Object contact_json(const contact::Readings& readings, const contact::Verdict& verdict);

// Refuses before anything is measured when the drawing could not be written.
Result<void> check_drawing_target(const std::string& path);
Result<void> write_drawing(const std::string& path, const contact::Readings& readings, const contact::Verdict& verdict,
                           const std::string& title);

}  // namespace steadycell::service
