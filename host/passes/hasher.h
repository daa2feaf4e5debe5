#pragma once
#include <condition_variable>
#include <mutex>
#include <optional>
#include <thread>

#include "base/bytes.h"
#include "base/sha256.h"

namespace steadycell::passes {

// SHA-256 of a unit on a thread of its own, while the same bytes are packed and written: the dearest fixed step of a capture.
// Not for other rooms.
class Hasher {
 public:
  Hasher() = default;
  ~Hasher();
  Hasher(const Hasher&) = delete;
  Hasher& operator=(const Hasher&) = delete;

  // `bytes` stay as they are until finish() or the end of the hasher. The thread begins with the first call; a system that has no
  // thread to give leaves the work to finish().
  void start(ByteSpan bytes);
  Digest finish();

 private:
  void work();

  std::mutex mutex_;
  std::condition_variable changed_;
  std::optional<ByteSpan> task_;  // taken by whoever hashes
  std::optional<Digest> done_;
  bool ending_ = false;
  std::thread thread_;
};

}  // namespace steadycell::passes
