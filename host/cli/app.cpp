#include "cli/app.h"

#include <unistd.h>

#include <algorithm>
#include <csignal>
#include <iostream>
#include <sstream>

#include "api/failure.h"
#include "base/text.h"
#include "cli/print.h"
#include "service/last_words.h"

namespace steadycell::cli {
namespace {

std::atomic<bool> stop_requested{false};
std::atomic<int> stop_signal{0};
static_assert(std::atomic<bool>::is_always_lock_free && std::atomic<int>::is_always_lock_free);

// Runs in signal context: only lock-free atomics and _exit.
void on_signal(int number) {
  if (stop_requested.exchange(true)) _exit(128 + number);
  stop_signal = number;
}

// Names of files and bytes of a chip may stand in a message: nothing of them steers the terminal.
std::string for_terminal(const std::string& text) {
  std::istringstream lines(text);
  std::string out;
  for (std::string line; std::getline(lines, line);) out += printable(line) + "\n";
  return out;
}

void leave_out_notes(json::Object& result, const std::vector<std::string>& told) {
  json::Value* notes = result.if_contains("notes");
  if (notes == nullptr || !notes->is_array()) return;
  json::Array left;
  for (json::Value& note : notes->get_array())
    if (!note.is_string() || std::find(told.begin(), told.end(), note.get_string()) == told.end()) left.push_back(std::move(note));
  *notes = std::move(left);
}

// The service speaks of its parameters: "board_number" has 5000 bytes. Who typed an option hears of that.
Error in_words_of(const Invocation& invocation, const Error& error) {
  if (error.code() != ErrorCode::wrong_usage || !error.what().starts_with('"')) return error;
  const std::size_t end = error.what().find('"', 1);
  const auto given =
      end == std::string::npos ? invocation.given.end() : invocation.given.find(error.what().substr(1, end - 1));
  if (given == invocation.given.end()) return error;
  const json::Value& value = invocation.params.at(given->first);
  if (value.is_string() && value.get_string() == given->first)
    return error;  // perhaps the value is quoted, not the parameter
  return Error(error.code(), given->second + error.what().substr(end + 1))
      .at(error.where())
      .keeping(error.kept())
      .advising(error.next());
}

int report(const Error& told, const Invocation& invocation, const StopOnSignal& stop) {
  const Error error = in_words_of(invocation, told);
  if (invocation.as_json)
    write_out(json::text_of(api::to_json(error)) + "\n");
  else
    std::cerr << for_terminal(error.text());
  if (error.code() == ErrorCode::interrupted && stop.exit_code() != 0) return stop.exit_code();
  return error.exit_code();
}

std::uint64_t verdict_count(const json::Object& result, std::string_view name) {
  const json::Value* verdicts = result.if_contains("verdicts");
  const json::Value* count = verdicts && verdicts->is_object() ? verdicts->get_object().if_contains(name) : nullptr;
  return count ? count->to_number<std::uint64_t>() : 0;
}

// Done, but not all of it can be relied on: exit code 3.
bool left_something(const std::string& method, const json::Object& result) {
  if (method == "capture.settle")
    return result.at("partial").as_bool() || verdict_count(result, "doubtful") + verdict_count(result, "unread") > 0;
  if (method == "capture.export") return result.at("partial").as_bool();
  if (method == "chip.read") return result.at("pages_not_transferred").to_number<std::uint64_t>() > 0;
  return false;
}

// Measured, and what was found forbids power: exit code 6. A table on the disk endangers nothing.
bool forbids_power(const std::string& method, const json::Object& result) {
  if (method == "supply.cold") return result.at("verdict").is_string() && result.at("verdict").get_string() == "shorted";
  const json::Value* good = method == "socket.check"  ? result.if_contains("power_allowed")
                            : method == "board.check" ? result.if_contains("passed")
                                                      : nullptr;
  return good && good->is_bool() && !good->get_bool();
}

// A board that was tried and does not do what the protocol asks: exit code 7.
bool does_not_conform(const std::string& method, const json::Object& result) {
  return method == "board.conform" && !result.at("passed").get_bool();
}

// Compared, and not all is as it was recorded: exit code 7, as of an image.
bool is_damaged(const std::string& method, const json::Object& result) {
  return method == "capture.verify" && !result.at("whole").get_bool();
}

}  // namespace

StopOnSignal::StopOnSignal() {
  struct sigaction action {};
  action.sa_handler = on_signal;
  sigemptyset(&action.sa_mask);
  sigaction(SIGINT, &action, nullptr);
  sigaction(SIGTERM, &action, nullptr);
  // A terminal that was closed stops the job as Ctrl-C does; nohup, which has it ignored, means what it says.
  struct sigaction hangup {};
  sigaction(SIGHUP, nullptr, &hangup);
  if (hangup.sa_handler != SIG_IGN) sigaction(SIGHUP, &action, nullptr);
  std::signal(SIGPIPE, SIG_IGN);  // a closed pipe shows as EPIPE where it is written to
}

const std::atomic<bool>& StopOnSignal::requested() const { return stop_requested; }
int StopOnSignal::exit_code() const { return stop_signal == 0 ? 0 : 128 + stop_signal; }

int run(const std::vector<std::string>& arguments) {
  auto parsed = parse_command_line(arguments);
  if (const Answer* answer = std::get_if<Answer>(&parsed)) {
    write_out(answer->out);
    std::cerr << for_terminal(answer->err);
    return answer->exit_code;
  }
  Invocation& invocation = std::get<Invocation>(parsed);

  if (invocation.as_json) service::end_without_memory(json::text_of(api::to_json(service::without_memory())) + "\n", STDOUT_FILENO);
  const StopOnSignal stop;
  ProgressLine progress(invocation.progress);
  Caller service;
  if (invocation.method == "demo") return run_demo(invocation, service, progress, stop);

  // Bytes and a JSON object cannot share standard output.
  const json::Value* to = invocation.params.if_contains("to");
  const bool bytes_to_stdout =
      (invocation.method == "image.export" || invocation.method == "capture.export") && to && to->is_string() && to->get_string() == "-";
  if (bytes_to_stdout && invocation.as_json)
    return report(Error(ErrorCode::wrong_usage, "--to - and --json both want standard output").advising("give a file name to --to"),
                  invocation, stop);
  if (bytes_to_stdout) std::signal(SIGPIPE, SIG_DFL);  // a filter: when its reader has enough, it ends without a word

  const service::JobHooks hooks{.progress = [&](const api::Progress& p) { progress.show(p); },
                                .note = [&](std::string_view text) { progress.note(text); },
                                .stop = &stop.requested()};
  auto result = service.call(invocation.method, invocation.params, hooks);
  if (!result && result.error().code() == ErrorCode::needs_consent && !invocation.params.contains("supply_mV") && can_ask()) {
    progress.clear();
    if (ask_yes(std::cin, std::cerr, "The chip is silent at 1.8 V. A 1.8 V part dies at 3.3 V: does the marking say that 3.3 V is right?",
                "No yes was given: the chip was not powered at 3.3 V, and is off.")) {
      invocation.params["supply_mV"] = 3300;
      result = service.call(invocation.method, invocation.params, hooks);
    }
  }
  progress.clear();
  if (!result) return report(result.error(), invocation, stop);
  bool told = true;
  if (invocation.as_json) {
    told = write_out(json::text_of(*result) + "\n");
  } else if (!bytes_to_stdout) {
    if (one_place()) leave_out_notes(*result, progress.told());
    told = write_out(text_for_people(invocation.method, *result));
  }
  if (!told) {
    std::cerr << for_terminal(Error(ErrorCode::storage_failed, "the answer could not be written to standard output").text());
    return facts_of(ErrorCode::storage_failed).exit_code;
  }
  if (invocation.method == "doctor") return result->at("healthy").get_bool() ? 0 : 1;
  if (forbids_power(invocation.method, *result)) return facts_of(ErrorCode::contact_bad).exit_code;
  if (does_not_conform(invocation.method, *result)) return facts_of(ErrorCode::proof_failed).exit_code;
  if (is_damaged(invocation.method, *result)) return facts_of(ErrorCode::file_damaged).exit_code;
  return left_something(invocation.method, *result) ? 3 : 0;
}

}  // namespace steadycell::cli
