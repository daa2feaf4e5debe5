#pragma once
#include <map>
#include <regex>
#include <string>

// What may reach a chip, as text over the cycles that a RecordingHal wrote down: written from PROTOCOL.md as regular
// expressions, and knowing nothing of the filter's own states.
inline bool is_allowed_on_the_bus(const std::string& cycles, bool small_page, bool only_identification, unsigned row_cycles = 3) {
  const std::string any = "A[0-9A-F]{2} ";
  const std::string status = "(?:C70 (?:R )?(?:C00 )?)";
  static const std::string side_1v8 = "(?:C90 A(?:00|20|40) |CEC A(?:00|40) )";
  static const std::string side_more = "(?:CED A00 |CEE A[0-9A-F]{2} )";
  if (only_identification) {
    static const std::regex probing("(?:CFF |" + status + "|" + side_1v8 + "(?:R |" + status + ")*)*");
    return std::regex_match(cycles, probing);
  }
  // One of each for as many row cycles as BUS_SETUP may say.
  const auto of_rows = [&](unsigned rows) {
    if (small_page)
      return std::regex("(?:CFF |" + status + "|" + side_1v8 + "(?:R |" + status + ")*|" + side_more + "(?:R |" + status +
                        ")*|C(?:00|01|50) (?:" + any + "){" + std::to_string(1 + rows) + "}(?:R |C70 (?:R )?)*)*");
    const std::string row_status = "(?:C78 (?:" + any + "){" + std::to_string(rows) + "}(?:R )?(?:C00 )?)";
    const std::string looking = "(?:R |" + status + "|" + row_status + ")*";
    const std::string address = "C00 (?:" + any + "){" + std::to_string(2 + rows) + "}";
    const std::string planes = "(?:" + address + "C32 (?:C70 (?:R )?)*)*";
    const std::string column = "C05 (?:" + any + "){2}CE0 ";
    return std::regex("(?:CFF |" + status + "|" + row_status + "|" + side_1v8 + looking + "|" + side_more + looking + "|(?:" + planes +
                      address + "C30 (?:R |" + status + "|" + row_status + "|" + column + "|C31 |C3F )*)|(?:" + address +
                      "C32 (?:C70 (?:R )?)*)+CFF )*");
  };
  static std::map<std::pair<bool, unsigned>, std::regex> made;
  const auto [found, fresh] = made.try_emplace({small_page, row_cycles});
  if (fresh) found->second = of_rows(row_cycles);
  return std::regex_match(cycles, found->second);
}
