#include "service/bench.h"

#include <cstdlib>

namespace steadycell::service {

Result<records::BenchRoot> open_bench(const std::string& given) {
  if (!given.empty()) return records::BenchRoot::open(files::posix(), given);
  const char* named = std::getenv("STEADYCELL_BENCH");
  if (named && *named) return records::BenchRoot::open(files::posix(), named);
  const char* home = std::getenv("HOME");
  if (home && *home) return records::BenchRoot::open(files::posix(), std::string(home) + "/steadycell-bench");
  return failure(Error(ErrorCode::wrong_usage, "there is no home folder to keep the bench in").advising("name a folder with --bench"));
}

}  // namespace steadycell::service
