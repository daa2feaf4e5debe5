#pragma once
#include <string>
#include <string_view>

#include "base/json.h"

// What is told of a job that ended before its time by whoever knows only what was asked for: its daemon ended or
// hangs.
namespace steadycell::service {

// True when the same command goes on where it stopped; any other job begins anew.
bool goes_on(std::string_view method);

// The next step once a daemon, or none, can do the job: "repeat the command: it goes on where it stopped".
std::string advice_on_broken_job(std::string_view method, const json::Value& params);

// "12 units safe in k4": what a power cut would not take, by the journal as it stands now. Looks at the disk,
// changes nothing and waits for no lock. Empty when the job keeps nothing or it cannot be told.
std::string kept_by_broken_job(std::string_view method, const json::Value& params);

}  // namespace steadycell::service
