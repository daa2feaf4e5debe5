#include "api/progress.h"

namespace steadycell::api {

json::Value to_json(const Progress& progress) {
  json::Object object;
  object["event"] = "progress";
  object["stage"] = progress.stage;
  object["unit"] = progress.unit;
  object["done"] = progress.done;
  object["total"] = progress.total;
  object["bytes"] = progress.bytes;
  object["bytes_per_second"] = progress.bytes_per_second > 0 ? json::Value(progress.bytes_per_second) : json::Value(nullptr);
  object["seconds_left"] = progress.seconds_left >= 0 ? json::Value(progress.seconds_left) : json::Value(nullptr);
  return object;
}

}  // namespace steadycell::api
