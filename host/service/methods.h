#pragma once
#include "service/service.h"

// One function a method; docs/service.md lists parameters and results. Not for other rooms.
namespace steadycell::service {

inline constexpr const char* kTool = "steadycell " STEADYCELL_VERSION;

// board_methods.cpp: these talk to a board
Result<json::Object> chip_identify(json::Reader& params, const JobHooks& hooks);
Result<json::Object> chip_read(json::Reader& params, const JobHooks& hooks);
Result<json::Object> socket_check(json::Reader& params, const JobHooks& hooks);
Result<json::Object> board_check(json::Reader& params, const JobHooks& hooks);
Result<json::Object> board_conform(json::Reader& params, const JobHooks& hooks);
Result<json::Object> supply_cold(json::Reader& params, const JobHooks& hooks);
Result<json::Object> supply_record(json::Reader& params, const JobHooks& hooks);

// board_list.cpp: what the kernel tells of boards; none is opened
Result<json::Object> board_list(json::Reader& params, const JobHooks& hooks);

// contacts.cpp: a table of contact readings; needs no board
Result<json::Object> socket_judge(json::Reader& params, const JobHooks& hooks);

// supply_methods.cpp: traces on the disk
Result<json::Object> supply_diagnose(json::Reader& params, const JobHooks& hooks);
Result<json::Object> supply_keep_twin(json::Reader& params, const JobHooks& hooks);
Result<json::Object> supply_drop_twin(json::Reader& params, const JobHooks& hooks);
Result<json::Object> supply_plot(json::Reader& params, const JobHooks& hooks);

// ecc_methods.cpp: captures and images on the disk
Result<json::Object> ecc_find(json::Reader& params, const JobHooks& hooks);
Result<json::Object> ecc_check(json::Reader& params, const JobHooks& hooks);

// capture_verify.cpp: captures on the disk
Result<json::Object> capture_verify(json::Reader& params, const JobHooks& hooks);

// assess_methods.cpp: captures and images on the disk
Result<json::Object> image_assess(json::Reader& params, const JobHooks& hooks);

// file_methods.cpp: these never need one
Result<json::Object> chip_decode(json::Reader& params, const JobHooks& hooks);
Result<json::Object> capture_import(json::Reader& params, const JobHooks& hooks);
Result<json::Object> capture_export(json::Reader& params, const JobHooks& hooks);
Result<json::Object> capture_settle(json::Reader& params, const JobHooks& hooks);
Result<json::Object> image_show(json::Reader& params, const JobHooks& hooks);
Result<json::Object> image_verify(json::Reader& params, const JobHooks& hooks);
Result<json::Object> image_export(json::Reader& params, const JobHooks& hooks);

}  // namespace steadycell::service
