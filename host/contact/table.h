#pragma once
#include <string>
#include <string_view>
#include <vector>

#include "base/result.h"
#include "contact/contact.h"

namespace steadycell::contact {

struct Case {
  std::string name;
  Readings readings;
};

// A measured table in CSV (docs/contacts.md): columns case, position (1..48 or RAIL), v_at_plus100uA_mV, v_at_minus100uA_mV
// and short_to, in any order; `case` and `short_to` may be missing. Voltages are in mV; blank at a supply position means not
// measured. Each case needs the row RAIL and all positions that are no supply. Errors are bad_input_file and name the line.
Result<std::vector<Case>> parse_table(std::string_view csv);

}  // namespace steadycell::contact
