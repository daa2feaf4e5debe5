#include "cli/terminal.h"

#include <fmt/format.h>
#include <sys/stat.h>
#include <unistd.h>

#include <algorithm>
#include <cctype>
#include <cerrno>
#include <cmath>
#include <cstdlib>
#include <iostream>

namespace steadycell::cli {
namespace {

bool is_terminal(int fd) {
  const char* term = std::getenv("TERM");
  return isatty(fd) == 1 && (term == nullptr || std::string_view(term) != "dumb");
}

}  // namespace

ProgressLine::ProgressLine(ProgressStyle style) : style_(style), terminal_(is_terminal(STDERR_FILENO)) {}

std::string describe(const api::Progress& progress) {
  std::string line = fmt::format("{}  {} of {} {}", progress.stage, progress.done, progress.total, progress.unit);
  if (progress.bytes_per_second > 0) line += fmt::format("  {:.1f} MB/s", progress.bytes_per_second / 1e6);
  if (progress.seconds_left >= 0) {
    const auto seconds = static_cast<std::uint64_t>(std::llround(progress.seconds_left));
    line += seconds >= 3600 ? fmt::format("  {}:{:02}:{:02} left", seconds / 3600, seconds / 60 % 60, seconds % 60)
                            : fmt::format("  {}:{:02} left", seconds / 60, seconds % 60);
  }
  return line;
}

void ProgressLine::show(const api::Progress& progress) {
  if (style_ == ProgressStyle::quiet) return;
  const auto now = std::chrono::steady_clock::now();
  const auto pause = style_ == ProgressStyle::json || terminal_ ? std::chrono::milliseconds(200) : std::chrono::seconds(10);
  const bool finished = progress.done == progress.total;
  const bool new_stage = progress.stage != last_stage_;
  if (!finished && !new_stage && now - last_ < pause) return;
  // Off a terminal short jobs stay silent: the first line of a stage comes after the pause only.
  if (!terminal_ && style_ == ProgressStyle::automatic && (new_stage || finished)) {
    if (new_stage) last_ = now;
    last_stage_ = progress.stage;
    return;
  }
  last_ = now;
  last_stage_ = progress.stage;
  if (style_ == ProgressStyle::json) {
    std::cerr << json::text_of(to_json(progress)) << '\n';
  } else if (terminal_) {
    std::cerr << "\r\x1b[K" << describe(progress) << std::flush;
    drawn_ = true;
  } else {
    std::cerr << describe(progress) << '\n';
  }
}

void ProgressLine::note(std::string_view text) {
  if (style_ == ProgressStyle::quiet) return;
  clear();
  if (style_ == ProgressStyle::json) {
    json::Object event;
    event["event"] = "note";
    event["text"] = text;
    std::cerr << json::text_of(event) << '\n';
  } else {
    std::cerr << text << '\n';
    told_.emplace_back(text);
  }
}

void ProgressLine::clear() {
  if (drawn_) std::cerr << "\r\x1b[K" << std::flush;
  drawn_ = false;
}

bool can_ask() { return isatty(STDIN_FILENO) == 1 && isatty(STDERR_FILENO) == 1; }

bool ask_yes(std::istream& in, std::ostream& out, std::string_view question, std::string_view otherwise) {
  out << question << " [yes/no] " << std::flush;
  for (int asked = 1;; ++asked) {
    std::string answer;
    if (!std::getline(in, answer)) {
      out << '\n';
      break;
    }
    const auto first = answer.find_first_not_of(" \t\r"), last = answer.find_last_not_of(" \t\r");
    answer = first == std::string::npos ? std::string() : answer.substr(first, last - first + 1);
    std::transform(answer.begin(), answer.end(), answer.begin(), [](unsigned char c) { return static_cast<char>(std::tolower(c)); });
    if (answer == "yes") return true;
    if (answer == "no" || asked == 2) break;
    out << "Type the whole word yes, or no: " << std::flush;
  }
  out << otherwise << '\n';
  return false;
}

bool one_place() {
  struct stat out {}, err {};
  return ::fstat(STDOUT_FILENO, &out) == 0 && ::fstat(STDERR_FILENO, &err) == 0 && out.st_dev == err.st_dev && out.st_ino == err.st_ino;
}

bool write_out(std::string_view text) {
  while (!text.empty()) {
    const ssize_t written = ::write(STDOUT_FILENO, text.data(), text.size());
    if (written < 0 && errno == EINTR) continue;
    if (written <= 0) return errno == EPIPE;
    text.remove_prefix(static_cast<std::size_t>(written));
  }
  return true;
}

}  // namespace steadycell::cli
