#include <algorithm>

#include "base/text.h"
#include "link/uuid_digits.h"
#include "service/hold.h"
#include "service/methods.h"
#include "service/usb_setup.h"

namespace steadycell::service {
namespace {

// Text form of RFC 4122; empty when the serial is none.
std::string uuid_of(const std::string& serial) {
  const std::string digits = link::uuid_digits(serial);
  if (digits.size() != 32 || digits.find_first_not_of("0123456789abcdef") != std::string::npos) return {};
  const std::string_view d = digits;
  return fmt::format("{}-{}-{}-{}-{}", d.substr(0, 8), d.substr(8, 4), d.substr(12, 4), d.substr(16, 4), d.substr(20));
}

json::Value or_null(const std::string& text) { return text.empty() ? json::Value(nullptr) : json::Value(text); }

json::Value holder_json(const Holder* holder) {
  if (holder == nullptr) return nullptr;
  return json::Object{{"program", holder->program}, {"method", holder->method}, {"process", holder->process}, {"since", holder->since}};
}

// What only who holds a board tells of it: a claimed interface that none of our locks explains.
std::vector<Remark> remarks_on_use(const link::UsbBoard& board, const Holder* holder) {
  if (holder != nullptr || board.driver.empty()) return {};
  if (board.driver == "usbfs")
    return {{true, fmt::format("usb:{}: another program has the board's interface 0", board.place),
             "end that program: sudo fuser -v " + board.node + " shows it"}};
  return {{true, fmt::format("usb:{}: the kernel's driver {} has the board's interface 0", board.place, board.driver),
           fmt::format("echo {}:1.0 | sudo tee /sys/bus/usb/drivers/{}/unbind", board.place, board.driver)}};
}

json::Object board_json(const link::UsbBoard& board, const std::vector<link::UsbBoard>& all, const std::vector<Holder>& held,
                        const std::string& root) {
  const std::string uuid = uuid_of(board.serial);
  const bool alone = !uuid.empty() && std::count_if(all.begin(), all.end(), [&](const link::UsbBoard& other) {
                                        return uuid_of(other.serial) == uuid;
                                      }) == 1;
  const auto found = std::find_if(held.begin(), held.end(), [&](const Holder& one) { return !uuid.empty() && one.board == uuid; });
  const Holder* holder = found == held.end() ? nullptr : &*found;
  std::vector<Remark> remarks = remarks_on(board, all, root);
  if (uuid.empty())
    remarks.push_back(
        {false, fmt::format("usb:{}: its serial is no UUID: somebody else's test device, or a firmware that is not finished", board.place),
         "say board conform --board usb:" + board.place + " if it is to be a board (docs/board.md)"});
  for (Remark& remark : remarks_on_use(board, holder)) remarks.push_back(std::move(remark));
  json::Array told;
  for (const Remark& remark : remarks)
    told.push_back(json::Object{{"problem", remark.problem}, {"what", remark.what}, {"next", remark.next}});
  return json::Object{{"board", "usb:" + (alone ? uuid : board.place)},
                      {"uuid", or_null(uuid)},
                      {"place", board.place},
                      {"node", board.node},
                      {"speed", board.speed},
                      {"full_speed", board.full_speed},
                      {"device_release", board.release},
                      {"driver", or_null(board.driver)},
                      {"permitted", may_use(board)},
                      {"held", holder_json(holder)},
                      {"remarks", std::move(told)}};
}

}  // namespace

Result<json::Object> usb_boards(link::UsbCalls& calls, const std::string& root) {
  const auto boards = link::list_usb_boards(calls);
  const auto held = held_boards();
  if (!held) return failure(held.error());
  json::Array listed, findings;
  if (boards)
    for (const link::UsbBoard& board : *boards) listed.push_back(board_json(board, *boards, *held, root));
  std::vector<Finding> all{check_device_rules(root), check_usb_suspend(root), check_usb_memory(root)};
  if (!boards) all.push_back(judge_usb_boards(boards, root));
  for (const Finding& found : all)
    if (found.state != Finding::State::good && !found.cure.empty()) findings.push_back(to_json(found));
  const bool none = listed.empty();
  return json::Object{{"boards", std::move(listed)}, {"findings", std::move(findings)},
                      {"next", none ? json::Value("plug the board into a port of this machine or a powered hub, switch it on, and repeat; "
                                                  "steadycell doctor tells what stands in the way; without a board: steadycell demo, or "
                                                  "--board sim:FIXTURE.json")
                                    : json::Value(nullptr)}};
}

Result<json::Object> board_list(json::Reader& params, const JobHooks&) {
  if (const auto done = params.finish(); !done) return failure(done.error());
  return usb_boards(link::real_usb(), "");
}

}  // namespace steadycell::service
