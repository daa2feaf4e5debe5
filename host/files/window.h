#pragma once
#include <cstdint>

#include "files/file_system.h"

namespace steadycell::files {

// Looks at a file through one buffer, mostly forwards: few system calls, memory of the buffer whatever the file's size.
class Window {
 public:
  Window(File& file, std::size_t capacity) : file_(&file), capacity_(capacity) {}

  // The bytes at `offset`, at most `count`, fewer only at the end of the file; valid until the next call. The buffer grows
  // when `count` is more than it holds, so callers bound it.
  Result<ByteSpan> at(std::uint64_t offset, std::size_t count);

 private:
  File* file_;
  std::size_t capacity_;
  Bytes buffer_;
  std::uint64_t start_ = 0;
  std::size_t filled_ = 0;
};

}  // namespace steadycell::files
