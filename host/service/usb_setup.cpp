#include "service/usb_setup.h"

#include <unistd.h>

#include <algorithm>
#include <filesystem>
#include <regex>
#include <utility>

#include "base/text.h"
#include "files/atomic.h"

namespace steadycell::service {
namespace {

namespace fs = std::filesystem;
using State = Finding::State;
constexpr std::uint64_t kMaxRules = 1 << 20;

std::vector<std::string> rule_files(const std::string& root) {
  std::vector<std::string> files;
  for (const char* folder : {"/etc/udev/rules.d", "/run/udev/rules.d", "/usr/lib/udev/rules.d"}) {
    std::error_code code;
    for (fs::directory_iterator entry(root + folder, code), end; !code && entry != end; entry.increment(code)) {
      const std::string name = entry->path().filename().string();
      if (name.find("steadycell") != std::string::npos && name.ends_with(".rules")) files.push_back(entry->path().string());
    }
  }
  std::sort(files.begin(), files.end());
  return files;
}

// The rules' words without comments.
std::string rules_in(const std::string& text) {
  std::string rules;
  std::size_t at = 0;
  while (at < text.size()) {
    const std::size_t end = std::min(text.find('\n', at), text.size());
    if (text[at] != '#') rules += text.substr(at, end - at) + "\n";
    at = end + 1;
  }
  return rules;
}

const char* name_of(State state) {
  switch (state) {
    case State::good:
      return "good";
    case State::note:
      return "note";
    case State::problem:
      break;
  }
  return "problem";
}

// What lets a person open the board's node, by the state of the rule for it.
std::string permission_step(const Finding& rule) {
  if (rule.state != State::good) return fmt::format("{}: {}", rule.found, rule.cure);
  return fmt::format("the rule {} is there: join the group steadycell or sit at the machine, then unplug and plug in the board",
                     rule.found);
}

}  // namespace

Finding finding(std::string check, Finding::State state, std::string found, std::string cure) {
  return {.check = std::move(check), .state = state, .found = std::move(found), .cure = std::move(cure)};
}

json::Object to_json(const Finding& found) {
  return json::Object{{"check", found.check}, {"state", name_of(found.state)}, {"found", found.found},
                      {"cure", found.cure.empty() ? json::Value(nullptr) : json::Value(found.cure)}};
}

Finding check_device_rules(const std::string& root) {
  const std::string check = "device rule";
  const auto files = rule_files(root);
  if (files.empty())
    return finding(check, State::note, "no udev rule for the board: on USB only the system's administrator can open it",
                   "copy host/install/70-steadycell.rules to /etc/udev/rules.d (the package brings it), then unplug and plug in the board");
  std::string rules;
  for (const std::string& path : files) {
    const auto text = files::read_text(files::posix(), path, kMaxRules);
    if (!text) return finding(check, State::problem, printable(path) + " cannot be read", "chmod 0644 " + printable(path));
    const std::string own = rules_in(*text);
    // systemd's 73-seat-late.rules act on the tag; a rule behind them sets it too late.
    if (own.find("uaccess") != std::string::npos && fs::path(path).filename().string() >= "73")
      return finding(check, State::problem, printable(path) + " comes too late for uaccess", "give it a number below 73");
    if (std::regex_search(own, std::regex("MODE:?=\"0?666\"")))
      return finding(check, State::problem, printable(path) + " lets everybody use the board",
                     "use MODE=\"0660\" with GROUP and TAG+=\"uaccess\"");
    if (std::regex_search(own, std::regex("id(Vendor|Product)\\}==\"(0x|[0-9a-f]*[A-F])")))
      return finding(check, State::problem, printable(path) + " has an id that never matches", "write ids in lower-case hex without 0x");
    rules += own;
  }
  const bool usb = rules.find("SUBSYSTEM==\"usb\"") != std::string::npos, hid = rules.find("SUBSYSTEM==\"hidraw\"") != std::string::npos;
  if (!usb || !hid)
    return finding(check, State::problem, fmt::format("there is no rule for the {} node", usb ? "hidraw" : "usb"),
                   "write one rule for each of the two nodes of the board");
  return finding(check, State::good, printable(files.front()));
}

Finding check_usb_suspend(const std::string& root) {
  const std::string check = "usb suspend";
  const auto text = files::read_text(files::posix(), root + "/sys/module/usbcore/parameters/autosuspend", 64);
  if (!text) return finding(check, State::note, "this kernel shows no setting for suspending USB devices");
  const std::string seconds = text->substr(0, text->find('\n'));
  if (seconds.starts_with('-')) return finding(check, State::good, "USB devices are never suspended");
  for (const std::string& path : rule_files(root)) {
    const auto rule = files::read_text(files::posix(), path, kMaxRules);
    if (rule && rules_in(*rule).find("ATTR{power/control}=\"on\"") != std::string::npos)
      return finding(check, State::good, "the board is kept awake by its rule");
  }
  return finding(check, State::note, fmt::format("idle USB devices are suspended after {} s, a board on USB too", printable(seconds)),
                 "before a board is used on USB: a rule with ATTR{power/control}=\"on\", or usbcore.autosuspend=-1 for the kernel");
}

Finding check_usb_memory(const std::string& root) {
  constexpr std::uint64_t kLeastMib = 4;  // a ring of transfers takes a quarter, 1 MiB when it may
  const std::string check = "usb memory";
  const auto text = files::read_text(files::posix(), root + "/sys/module/usbcore/parameters/usbfs_memory_mb", 64);
  if (!text) return finding(check, State::note, "this kernel shows no limit for the memory of USB transfers");
  const auto limit = parse_number(std::string_view(*text).substr(0, text->find('\n')));
  if (!limit) return finding(check, State::note, "the kernel's limit for USB transfers is no number: " + printable(*text));
  if (*limit == 0) return finding(check, State::good, "no limit for USB transfers");
  if (*limit >= kLeastMib) return finding(check, State::good, fmt::format("{} MiB for the USB transfers of all programs", *limit));
  return finding(check, State::note, fmt::format("{} MiB for the USB transfers of all programs: reading is slower", *limit),
                 "set usbcore.usbfs_memory_mb=16, the kernel's own default");
}

bool may_use(const link::UsbBoard& board) { return ::access(board.node.c_str(), R_OK | W_OK) == 0; }

std::vector<Remark> remarks_on(const link::UsbBoard& board, const std::vector<link::UsbBoard>& all, const std::string& root) {
  std::vector<Remark> remarks;
  if (!may_use(board))
    remarks.push_back(
        {true, fmt::format("usb:{}: you may not use {}", board.place, board.node), permission_step(check_device_rules(root))});
  for (const link::UsbBoard& other : all)
    if (other.place != board.place && !board.serial.empty() && other.serial == board.serial)
      remarks.push_back({true, fmt::format("usb:{} and usb:{} say they are the same board", board.place, other.place),
                         "name them by place, as in --board usb:" + board.place});
  if (board.full_speed)
    remarks.push_back({false, fmt::format("usb:{}: full speed instead of high speed, about thirty times slower", board.place),
                       "plug the board into a high-speed port, by another cable"});
  return remarks;
}

Finding judge_usb_boards(const Result<std::vector<link::UsbBoard>>& boards, const std::string& root) {
  const std::string check = "usb boards";
  if (!boards) return finding(check, State::note, boards.error().what(), "nothing, unless a board is to be used on USB here");
  if (boards->empty()) return finding(check, State::good, "none is plugged in");
  std::string found;
  std::optional<Remark> worst;
  for (const link::UsbBoard& board : *boards) {
    found += fmt::format("{}usb:{} {}", found.empty() ? "" : ", ", board.place, board.serial.empty() ? "without a serial" : board.serial);
    for (Remark& remark : remarks_on(board, *boards, root))
      if (!worst || (remark.problem && !worst->problem)) worst = std::move(remark);
  }
  if (!worst) return finding(check, State::good, found);
  return finding(check, worst->problem ? State::problem : State::note, worst->what, worst->next);
}

}  // namespace steadycell::service
