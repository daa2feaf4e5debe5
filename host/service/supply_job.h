#pragma once
#include <boost/asio/awaitable.hpp>
#include <optional>
#include <string>

#include "board/client.h"
#include "service/service.h"
#include "supply/cold.h"

// What supply.cold and supply.record do with a connected board.
namespace steadycell::service {

// Whose stick it is, as far as the bench knows; all may be empty.
struct PatientNames {
  std::string bench, patient, board_number, controller;
};
Result<PatientNames> patient_names(json::Reader& params);

struct SupplyRequest {
  PatientNames names;
  std::string to, burst;
  std::uint64_t seconds = 10;
  std::uint16_t limit_mA = 0;       // 0: what the check before power allows
  bool despite_short = false;       // the user's word
  bool whole = false;               // also through a boot loop
};
// Reads its keys; the caller finishes the reader. Everything that can be known to be wrong is found before any power.
Result<SupplyRequest> supply_request(json::Reader& params);

boost::asio::awaitable<Result<json::Object>> cold_job(board::BoardClient& board, PatientNames names, bool keep_as_twin);
// The check before power, the count of this power-up in the bench log, the recording.
boost::asio::awaitable<Result<json::Object>> record_job(board::BoardClient& board, SupplyRequest request, const JobHooks& hooks);

// What to do when a recording ended before its time: the words every error says that leaves such a file.
std::string advice_on_broken_recording(std::string_view trace);

// The runs of the twin that the names lead to; none when they name nothing or there is no such twin.
struct TwinRuns {
  std::vector<std::string> runs;
  std::vector<std::string> notes;  // twins of this bench that cannot be read
};
Result<TwinRuns> twin_runs(const PatientNames& names);

}  // namespace steadycell::service
