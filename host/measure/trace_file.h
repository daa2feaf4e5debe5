#pragma once
#include <memory>
#include <string>
#include <string_view>

#include "base/sha256.h"
#include "files/file_system.h"
#include "supply/features.h"
#include "supply/trace.h"

// Supply traces on the disk: CSV, gzip-compressed when the name ends in .gz.
namespace steadycell::measure {

struct LoadedTrace {
  supply::TraceHeader header;
  supply::Features features;
  std::uint64_t samples = 0;
};
// Reads and measures a trace in constant memory. One that breaks off is read as far as it is whole, and its header says where. `known` is
// put over what the header says. Errors: not_found, bad_input_file with the line, storage_failed.
Result<LoadedTrace> load_trace(files::FileSystem& system, const std::string& path, const supply::TraceHeader& known);

// The samples of [from_s, to_s), the first 100 000 of them. Errors as load_trace.
Result<std::vector<supply::Sample>> load_samples(files::FileSystem& system, const std::string& path, double from_s, double to_s);

// SHA-256 of the samples as the recorder would write them: the same for one recording whether packed or not, and whatever its
// comments say. Errors as load_trace.
Result<Digest> fingerprint(files::FileSystem& system, const std::string& path);

// A new trace file that is readable up to its last flush at any time.
class TraceWriter {
 public:
  static Result<TraceWriter> create(files::FileSystem& system, const std::string& path);
  TraceWriter(TraceWriter&&) noexcept;
  TraceWriter& operator=(TraceWriter&&) = delete;
  ~TraceWriter();

  Result<void> append(std::string_view text);
  // Puts what was appended on the medium.
  Result<void> sync();
  // Ends the compressed stream and puts everything on the medium.
  Result<void> finish();

 private:
  struct Inside;
  explicit TraceWriter(std::unique_ptr<Inside> inside);
  std::unique_ptr<Inside> inside_;
};

}  // namespace steadycell::measure
