#include "files/space.h"

#include "base/text.h"

namespace steadycell::files {

Result<void> require_free(FileSystem& system, const std::string& directory, std::uint64_t needed, const std::string& purpose) {
  const auto free = system.free_bytes(directory);
  if (!free) return failure(free.error());
  if (*free >= kReserveBytes && *free - kReserveBytes >= needed) return {};
  return failure(ErrorCode::storage_full, "{} needs {} and {} kept free, {} has {}", purpose, human_bytes(needed),
                 human_bytes(kReserveBytes), directory, human_bytes(*free));
}

}  // namespace steadycell::files
