#pragma once
#include <cstdint>
#include <span>
#include <string>
#include <vector>

#include "base/text.h"
#include "passes/capture.h"

namespace steadycell::passes {

// Units of one pass that are recorded and whose bytes are not there.
struct WithoutBytes {
  std::uint32_t pass = 0;
  std::uint64_t units = 0;
  std::string why;  // "pass-0002.dat is not there"
  friend bool operator==(const WithoutBytes&, const WithoutBytes&) = default;
};

// Looks at the sizes of the pass files alone: a unit lacks its bytes where its file is missing, is no plain file or ends before them, and
// where it is the difference to a unit of pass 1 that lacks its own. Whether bytes that are there are right is verify_capture's to tell.
// Blocks beyond the chip are none. Errors: storage errors, file_damaged where a record can no longer be read.
Result<std::vector<WithoutBytes>> units_without_bytes(files::FileSystem& system, const std::string& folder, CaptureReader& reader,
                                                      NumberRange blocks, std::uint32_t passes);

std::uint64_t units_of(std::span<const WithoutBytes> found);
// One sentence for people, with what to do; `found` is not empty.
std::string note_on(std::span<const WithoutBytes> found, const std::string& folder);

}  // namespace steadycell::passes
