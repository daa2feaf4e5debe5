#pragma once
#include <vector>

#include "base/json.h"
#include "supply/diagnosis.h"
#include "supply/features.h"
#include "supply/twin.h"

namespace steadycell::supply {

// [{"fault", "says", "confidence", "evidence": [...], "next_step", "caution"}], most likely first.
json::Value to_json(const std::vector<Diagnosis>& diagnoses);
// Every feature with its unit in its name; {"value", "sigma", "at_least"} where it has an uncertainty, null where
// the trace does not show it. The bins are left out.
json::Value to_json(const Features& features);
json::Object to_json(const TwinReport& report);

}  // namespace steadycell::supply
