#include "service/bench.h"

namespace steadycell::service {

Result<records::BenchRoot> open_bench(const std::string& folder) {
  if (folder.empty())
    return failure(Error(ErrorCode::wrong_usage, "there is no folder to keep the bench in").advising("name one with --bench"));
  return records::BenchRoot::open(files::posix(), folder);
}

}  // namespace steadycell::service
