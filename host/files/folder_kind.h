#pragma once
#include <string>
#include <string_view>

#include "files/file_system.h"

namespace steadycell::files {

// The folders a bench has, each with the file that only it holds.
enum class FolderKind : std::uint8_t { capture, image };
inline constexpr std::string_view kCaptureMark = "capture.json", kImageMark = "manifest.json";

// `error` is why the mark of a `wanted` folder could not be read at `path`. Where something else bears that name (the other
// kind, a plain file, a folder of somebody else's) or nothing does, the answer says so, and what to do; else it is `error`.
Error explain_folder(FileSystem& system, const std::string& path, FolderKind wanted, Error error);

}  // namespace steadycell::files
