#include "service/service.h"

#include <map>

#include "service/broken_job.h"
#include "service/methods.h"

namespace steadycell::service {

bool needs_board(std::string_view method) {
  for (const std::string_view known :
       {"chip.identify", "chip.read", "socket.check", "board.check", "board.conform", "supply.cold", "supply.record"})
    if (method == known) return true;
  return false;
}

Result<json::Object> Service::call(std::string_view method, const json::Value& params, const JobHooks& hooks) {
  using Method = Result<json::Object> (*)(json::Reader&, const JobHooks&);
  static const std::map<std::string_view, Method> kMethods = {
      {"chip.identify", chip_identify},   {"chip.decode", chip_decode},         {"chip.read", chip_read},
      {"socket.check", socket_check},     {"supply.record", supply_record},     {"supply.cold", supply_cold},
      {"supply.keep_twin", supply_keep_twin}, {"supply.plot", supply_plot},         {"supply.diagnose", supply_diagnose},
      {"supply.drop_twin", supply_drop_twin},
      {"capture.import", capture_import}, {"capture.settle", capture_settle},   {"image.show", image_show},
      {"capture.export", capture_export}, {"image.verify", image_verify},       {"image.export", image_export},
      {"socket.judge", socket_judge},     {"board.check", board_check},         {"ecc.find", ecc_find},
      {"ecc.check", ecc_check},           {"board.conform", board_conform}, {"board.list", board_list},     {"image.assess", image_assess},
      {"capture.verify", capture_verify}};
  const auto found = kMethods.find(method);
  if (found == kMethods.end()) return failure(ErrorCode::wrong_usage, "there is no method \"{}\"", method);
  json::Reader reader(params, "");
  auto result = found->second(reader, hooks);
  // The table's next step is for what goes on.
  if (!result && result.error().code() == ErrorCode::interrupted && !goes_on(method) &&
      result.error().next() == facts_of(ErrorCode::interrupted).next)
    return failure(Error(result.error()).advising("run the same command again: it begins anew"));
  return result;
}

}  // namespace steadycell::service
