#pragma once
#include <string>
#include <vector>

#include "contact/contact.h"

// The package seen from above, pin 1 marked, with what each position shows. Told apart by marks and words, never by colour
// alone, so that a print in black and white says the same.
namespace steadycell::contact {

// One line a pair of pins, for a terminal of 80 columns; ASCII only.
std::vector<std::string> draw_text(const Readings& readings, const Verdict& verdict);

// A drawing of its own (SVG 1.1, no script, no outside reference); `title` is escaped.
std::string draw_svg(const Readings& readings, const Verdict& verdict, const std::string& title);

}  // namespace steadycell::contact
