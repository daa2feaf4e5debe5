#pragma once
#include <cstdint>
#include <span>
#include <string>

#include "files/file_system.h"

namespace steadycell::files {

// Kept free beside any job, so that its journal and manifest can still be written when its data fill the disk.
inline constexpr std::uint64_t kReserveBytes = 16 << 20;

// What a job will write, by what it is for: "pass 1", "the journal".
struct RoomPart {
  std::string purpose;
  std::uint64_t bytes = 0;
};
// Adds up; the largest number there is when the sum would be more.
std::uint64_t room_in_all(std::span<const RoomPart> parts);

// storage_full when `free` bytes are less than the parts need. It says each part, the sum, what is there and how much to free; `beside`
// begins the message where something else has failed already, and then the error comes whatever is free.
Result<void> compare_room(const std::string& directory, std::uint64_t free, std::span<const RoomPart> parts);
Error no_room(const std::string& beside, const std::string& directory, std::uint64_t free, std::span<const RoomPart> parts);

// The same with what `directory` has free now.
Result<void> require_free(FileSystem& system, const std::string& directory, std::span<const RoomPart> parts);

}  // namespace steadycell::files
