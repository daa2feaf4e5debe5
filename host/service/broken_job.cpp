#include "service/broken_job.h"

#include <fmt/format.h>

#include "base/text.h"
#include "files/file_system.h"
#include "passes/capture.h"
#include "service/supply_job.h"

namespace steadycell::service {
namespace {

// Empty when absent.
std::string text_in(const json::Value& params, std::string_view key) {
  const json::Object* given = params.if_object();
  const json::Value* value = given != nullptr ? given->if_contains(key) : nullptr;
  return value != nullptr && value->is_string() ? std::string(value->get_string()) : std::string();
}

std::uint64_t acknowledged_units(const passes::CaptureReader& capture) {
  std::uint64_t units = 0;
  const auto& head = capture.head();
  for (std::uint32_t pass = 1; pass <= capture.units().passes(); ++pass)
    for (const passes::TargetIdentity& target : head.targets)
      for (std::uint8_t lun = 0; lun < head.geometry.luns; ++lun)
        for (std::uint32_t block = 0; block < head.geometry.blocks; ++block) {
          const auto record =
              capture.units().record_of({.place = {target.target, lun}, .block = {block}, .pass = pass});
          if (record && *record < capture.contents().synced_end) ++units;
        }
  return units;
}

}  // namespace

bool goes_on(std::string_view method) {
  return method == "chip.read" || method == "capture.import";
}

std::string advice_on_broken_job(std::string_view method, const json::Value& params) {
  const std::string trace = text_in(params, "to");
  if (method == "supply.record" && !trace.empty()) return advice_on_broken_recording(trace);
  return goes_on(method) ? "repeat the command: it goes on where it stopped"
                         : "repeat the command: it begins anew";
}

std::string kept_by_broken_job(std::string_view method, const json::Value& params) {
  const std::string folder = text_in(params, "into");
  if (method != "chip.read" || folder.empty()) return {};
  const auto capture = passes::CaptureReader::open(files::posix(), folder);
  return capture ? fmt::format("{} safe in {}", counted(acknowledged_units(*capture), "unit"), folder)
                 : std::string();
}

}  // namespace steadycell::service
