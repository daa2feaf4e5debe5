#include "files/folder_kind.h"

#include <algorithm>

#include "base/text.h"
#include "files/atomic.h"

namespace steadycell::files {
namespace {

Error wrong_kind(const std::string& path, FolderKind wanted) {
  if (wanted == FolderKind::image)
    return Error(ErrorCode::wrong_usage, fmt::format("{} is a capture, no image yet", path))
        .advising(fmt::format("settle it first: steadycell capture settle {} --image NEW-FOLDER", path));
  return Error(ErrorCode::wrong_usage, fmt::format("{} is an image; the passes it was made of are wanted here", path))
      .advising("give the folder of the capture itself");
}

bool holds(std::span<const std::string> names, std::string_view name) { return std::ranges::binary_search(names, name); }

}  // namespace

std::optional<FolderKind> folder_kind(std::span<const std::string> names) {
  const auto there = [&](std::string_view name) { return holds(names, name); };
  if (there(kCaptureMark) && std::ranges::any_of(kCaptureFiles, there)) return FolderKind::capture;
  if (there(kImageMark) && std::ranges::any_of(kImageFiles, there)) return FolderKind::image;
  return std::nullopt;
}

Error explain_folder(FileSystem& system, const std::string& path, FolderKind wanted, Error error) {
  if (error.code() != ErrorCode::not_found) return error;
  const bool wants_image = wanted == FolderKind::image;
  const std::string_view mark = wants_image ? kImageMark : kCaptureMark;
  const std::string_view name = wants_image ? "image" : "capture";
  const auto names = system.list(path);
  const auto kind = names ? folder_kind(*names) : std::nullopt;
  if (kind && *kind != wanted) return wrong_kind(path, wanted);
  if (names && std::ranges::all_of(wants_image ? kImageFiles : kCaptureFiles, [&](std::string_view file) { return holds(*names, file); }))
    return Error(ErrorCode::file_damaged, fmt::format("{} {} has lost its {}: the other files are there", name, printable(path), mark))
        .advising(wants_image ? "put it back from a copy; without one, settle the capture into a new image"
                              : "put it back from a copy of the capture; without one, nothing tells how its pass files are to be read");
  if (!system.exists(path).value_or(false)) return Error(ErrorCode::not_found, fmt::format("there is no {} {}", name, printable(path)));
  if (names)
    return Error(ErrorCode::not_found, fmt::format("folder {} is no {}: it holds no {}", printable(path), name, mark))
        .advising(fmt::format("check the path: give the folder of the {} itself", name));
  return Error(ErrorCode::not_found, fmt::format("{} is a file; {} {} is a folder", printable(path), wants_image ? "an" : "a", name))
      .advising("give the folder; passes read elsewhere become a capture with \"steadycell capture import\"");
}

}  // namespace steadycell::files
