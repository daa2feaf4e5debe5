#pragma once
#include <string>

#include "base/json.h"

namespace steadycell::cli {

// Results of capture.settle, image.show, image.verify, image.export, image.assess, ecc.find and ecc.check, for people.
std::string print_image(const json::Object& result);
std::string print_ecc_check(const json::Object& result);
std::string print_ecc_find(const json::Object& result);
std::string print_assess(const json::Object& result);
std::string print_verify(const json::Object& result);
std::string print_export(const json::Object& result);

}  // namespace steadycell::cli
