#pragma once
#include <array>
#include <optional>
#include <span>
#include <string>
#include <string_view>

#include "files/file_system.h"

namespace steadycell::files {

// The folders a bench has, each with the file by which it is opened.
enum class FolderKind : std::uint8_t { capture, image };
inline constexpr std::string_view kCaptureMark = "capture.json", kImageMark = "manifest.json";
// Other programs have files of these names as well: one of these stands beside the mark. Two, since one may be lost.
inline constexpr std::array<std::string_view, 2> kCaptureFiles{"journal", "pass-0001.dat"}, kImageFiles{"blocks.sha256", "verdicts.csv"};

// What a folder with these names is, sorted as FileSystem::list gives them; nothing for somebody else's.
std::optional<FolderKind> folder_kind(std::span<const std::string> names);

// `error` is why the mark of a `wanted` folder could not be read at `path`. Where something else bears that name (the other
// kind, a plain file, a folder of somebody else's, one that has lost its mark) or nothing does, the answer says so, and what to do; else
// it is `error`.
Error explain_folder(FileSystem& system, const std::string& path, FolderKind wanted, Error error);

}  // namespace steadycell::files
