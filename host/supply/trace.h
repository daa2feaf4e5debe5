#pragma once
#include <array>
#include <cstdint>
#include <functional>
#include <limits>
#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "base/result.h"
#include "supply/cold.h"

// Supply traces as text: `time_s,current_mA,vbus_V` and, when probes were connected, `probe1_V,probe2_V`. The current
// may stand in `current_A` or `current_uA` instead. Lines that start with '#' may stand anywhere: `# key: value`
// describes the recording, `# event: 0.0200 on` marks a moment.
namespace steadycell::supply {

enum class Rail : std::uint8_t { vbus, socket1v8, socket3v3 };
std::string_view name_of(Rail rail);
std::optional<Rail> parse_rail(std::string_view name);
double nominal_volts(Rail rail);  // 5.0, 1.8, 3.3

struct Sample {
  double time_s = 0;  // start of the interval when samples are averages
  double mA = 0;
  double volts = 0;
  std::array<double, 2> probe_volts{std::numeric_limits<double>::quiet_NaN(),
                                    std::numeric_limits<double>::quiet_NaN()};
};

struct TraceEvent {
  double time_s = 0;
  std::string text;  // "on", "limit", "trip", "enumeration", or a note
};

// What the header says; every entry may be missing.
struct TraceHeader {
  std::optional<std::string> kind;  // "averaged" or "point"
  std::optional<Rail> rail;
  std::optional<double> limit_mA;       // the limiter of the supply
  std::optional<double> t_on_s;         // when power was applied
  std::optional<double> full_scale_mA;  // at and above this the converter saturates
  std::vector<TraceEvent> events;       // the first 1000
  std::optional<ColdReadings> cold;       // what the check before this power-up read
  std::optional<ColdReadings> cold_twin;  // and what the twin had read, where one was known
  // Not written: whether the file says that its currents are milliampere, by the names of its columns or its schema.
  bool unit_stated = true;
  // Not written: the file ends before its recording did, at this time. Whoever reads it finds out.
  std::optional<double> broke_off_s;
};

// The commented header and the column line, then one line per sample: what the recorder writes.
void append_header(const TraceHeader& header, bool probes, std::string& out);
// A recorder that says so in its header marks the end, so that a file cut short is known for one, even at the end of a line.
constexpr std::string_view kEndFollows = "# end: follows\n", kEndHere = "# end: here\n";
void append_sample(const Sample& sample, bool probes, std::string& out);

// Reads a trace in pieces of any size, in the memory of one line. Without a column line the order is that above. A
// sample with an empty current or voltage was lost: it is left out, so that time shows the gap. Whatever is not a
// trace (numbers that are none, time that does not rise, foreign columns, endless lines) is bad_input_file with
// its line.
class TraceParser {
 public:
  using Sink = std::function<void(const Sample&)>;

  Result<void> feed(std::string_view text, const Sink& sink);
  // `cut`: the text ends where nobody ended it. A last line without its end is left out then: half a number looks like one.
  Result<void> finish(const Sink& sink, bool cut = false);
  // Complete only after finish(); what stands above the first sample is there when that sample arrives.
  const TraceHeader& header() const { return header_; }
  std::uint64_t samples() const { return samples_; }

 private:
  Result<void> line(std::string_view text, const Sink& sink);
  Result<void> comment(std::string_view text);
  Result<void> cold(std::string_view text, std::optional<ColdReadings>& into, unsigned& seen);
  Result<void> whole_cold() const;
  Result<void> columns(std::string_view text);
  Result<void> row(std::string_view text, const Sink& sink);

  TraceHeader header_;
  std::string rest_;
  std::uint64_t lines_ = 0, samples_ = 0;
  std::vector<std::size_t> order_;  // per column of the file, which value it is; empty until known
  double to_mA_ = 1;                // of the current's column
  bool end_follows_ = false, schema_seen_ = false;
  unsigned cold_seen_ = 0, cold_twin_seen_ = 0;  // which readings came, a bit each
  double last_time_ = -std::numeric_limits<double>::infinity();
};

}  // namespace steadycell::supply
