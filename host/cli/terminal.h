#pragma once
#include <chrono>
#include <cstdio>
#include <iosfwd>
#include <string>
#include <string_view>
#include <vector>

#include "api/progress.h"

namespace steadycell::cli {

enum class ProgressStyle { automatic, quiet, json };

// Progress on standard error: one line that is redrawn where that is a terminal, else a line every 10 s; JSON lines when asked.
class ProgressLine {
 public:
  explicit ProgressLine(ProgressStyle style);
  ~ProgressLine() { clear(); }
  ProgressLine(const ProgressLine&) = delete;
  ProgressLine& operator=(const ProgressLine&) = delete;

  void show(const api::Progress& progress);
  void note(std::string_view text);
  // The notes that a person has seen already.
  const std::vector<std::string>& told() const { return told_; }
  // Takes the line off the screen, so that other text starts at the left.
  void clear();

 private:
  ProgressStyle style_;
  bool terminal_;
  bool drawn_ = false;
  std::string last_stage_;
  std::vector<std::string> told_;
  std::chrono::steady_clock::time_point last_{};
};

// "reading pass 2 of 5  38 of 64 blocks  27.1 MB/s  0:42 left"
std::string describe(const api::Progress& progress);

// True when a person can be asked: standard input and standard error are both terminals.
bool can_ask();
// Asks and waits for a line. Only "yes", typed in full, is yes; "no" and the end of the input are no. Anything else is asked for once
// more, and then is no. A no is never silent: `otherwise` says what it means.
bool ask_yes(std::istream& in, std::ostream& out, std::string_view question, std::string_view otherwise);

// True when standard output and standard error show in one place, such as a terminal: what stands there need not be said twice.
bool one_place();

// Writes all of `text` to standard output; false when that failed. A closed pipe is no failure: the reader has seen enough.
bool write_out(std::string_view text);

}  // namespace steadycell::cli
