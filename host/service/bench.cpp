#include "service/bench.h"

namespace steadycell::service {

Result<records::BenchRoot> open_bench(const std::string& folder) {
  if (folder.empty())
    return failure(Error(ErrorCode::wrong_usage, "there is no folder to keep the bench in").advising("name one with --bench"));
  return records::BenchRoot::open(files::posix(), folder);
}

Result<void> check_bench(const std::string& folder) {
  const auto bench = open_bench(folder);
  const auto writable = bench ? bench->check_writable() : failure(bench.error());
  if (!writable) return failure(Error(writable.error()).keeping("nothing got power"));
  return {};
}

}  // namespace steadycell::service
