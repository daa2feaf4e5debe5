#pragma once
#include <optional>
#include <string>
#include <vector>

#include "base/json.h"
#include "files/file_system.h"

// Healthy boards kept for comparison: a folder each, with `twin.json` (board number, controller marking), a trace a run, and
// what the check before power read on it. A run that is dropped stays on the disk under another name.
namespace steadycell::measure {

struct StoredTwin {
  std::string folder, board_number, controller;  // as they were given; the controller may be empty
  std::vector<std::string> runs;                 // trace files, in the order they were kept
  std::string cold;                              // readings before power; empty: there are none
};

// Copies a trace into the twin of this board number and controller, made when there is none. Errors: bad_input_file for a
// trace beyond 64 MiB; already_exists for a run whose samples are kept already, packed or not; those of the disk.
Result<StoredTwin> keep_twin(files::FileSystem& system, const std::string& twins_folder, const std::string& board_number,
                             const std::string& controller, const std::string& trace);
// The number in the name of a run, "run-3.csv.gz".
int number_of_run(const std::string& path);
// Takes one run out of the comparison: it is called dropped-N from then on. Its new path. not_found when there is no such run.
Result<std::string> drop_run(files::FileSystem& system, const StoredTwin& twin, int number);

// Keeps the readings before power beside the traces; the first ones stay.
struct KeptCold {
  std::string path;
  bool is_new = false;  // false: there were some already, nothing was changed
};
Result<KeptCold> keep_twin_cold(files::FileSystem& system, const std::string& twins_folder, const std::string& board_number,
                            const std::string& controller, const json::Object& readings);

// The twin by board number and controller, however they are spelt (case, spaces, dashes, dots, slashes, underscores do not
// count). Without a controller any twin of that board number, when there is only one; wrong_usage when several fit.
// A twin that cannot be read is left out and told.
struct FoundTwin {
  std::optional<StoredTwin> twin;
  std::vector<std::string> damaged;  // why, one each
};
Result<FoundTwin> find_twin(files::FileSystem& system, const std::string& twins_folder,
                                            const std::string& board_number, const std::string& controller);

}  // namespace steadycell::measure
