#include "files/space.h"

#include "base/text.h"

namespace steadycell::files {

std::uint64_t room_in_all(std::span<const RoomPart> parts) {
  std::uint64_t sum = 0;
  for (const RoomPart& part : parts)
    if (__builtin_add_overflow(sum, part.bytes, &sum)) return ~std::uint64_t{0};
  return sum;
}

Error no_room(const std::string& beside, const std::string& directory, std::uint64_t free, std::span<const RoomPart> parts) {
  const std::uint64_t needed = room_in_all(parts);
  const std::string where = printable(directory);
  std::string list;
  for (std::size_t i = 0; i < parts.size(); ++i)
    list += fmt::format("{}{} for {}", i == 0 ? "" : i + 1 == parts.size() ? " and " : ", ", human_bytes(parts[i].bytes), parts[i].purpose);
  Error error(ErrorCode::storage_full, fmt::format("{}{}: {} in all; the disk of {} has {} free",
                                                   beside.empty() ? "" : beside + "; still needed: ", list,
                                                   human_bytes(needed), where, human_bytes(free)));
  if (free >= needed) return std::move(error).advising("see whether a quota keeps you from that room, then run the same command again");
  return std::move(error).advising(fmt::format("free {} on that disk, then run the same command again", human_bytes(needed - free)));
}

Result<void> compare_room(const std::string& directory, std::uint64_t free, std::span<const RoomPart> parts) {
  if (free >= room_in_all(parts)) return {};
  return failure(no_room("", directory, free, parts));
}

Result<void> require_free(FileSystem& system, const std::string& directory, std::span<const RoomPart> parts) {
  const auto free = system.free_bytes(directory);
  return free ? compare_room(directory, *free, parts) : failure(free.error());
}

}  // namespace steadycell::files
