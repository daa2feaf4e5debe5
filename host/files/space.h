#pragma once
#include <cstdint>
#include <string>

#include "files/file_system.h"

namespace steadycell::files {

// Kept free beside any job, so that its journal and manifest can still be written when its data fill the disk.
inline constexpr std::uint64_t kReserveBytes = 16 << 20;

// storage_full when `directory` has less than `needed` + kReserveBytes free; `purpose` begins the message ("pass 1").
Result<void> require_free(FileSystem& system, const std::string& directory, std::uint64_t needed, const std::string& purpose);

}  // namespace steadycell::files
