#pragma once
#include <array>
#include <condition_variable>
#include <mutex>
#include <optional>
#include <thread>

#include "base/bytes.h"
#include "base/sha256_group.h"

namespace steadycell::passes {

// SHA-256 of units on a thread of its own, while their bytes or others are packed and written: the dearest fixed step of a capture.
// Not for other rooms.
class Hasher {
 public:
  Hasher() = default;
  ~Hasher();
  Hasher(const Hasher&) = delete;
  Hasher& operator=(const Hasher&) = delete;

  // `bytes` stay as they are until finish() or the end of the hasher. The thread begins with the first call; a system that has no
  // thread to give leaves the work to finish().
  void start(ByteSpan bytes) { start(std::span(&bytes, 1)); }
  Digest finish() { return finish_each()[0]; }
  // Up to Sha256Group::kMost messages side by side; their digests in the same order.
  using Digests = std::array<Digest, Sha256Group::kMost>;
  void start(std::span<const ByteSpan> messages);
  Digests finish_each();

 private:
  void work();

  std::mutex mutex_;
  std::condition_variable changed_;
  struct Task {
    std::array<ByteSpan, Sha256Group::kMost> messages;
    std::size_t count = 0;
    Digests hash() const;
  };
  std::optional<Task> task_;  // taken by whoever hashes
  std::optional<Digests> done_;
  bool ending_ = false;
  std::thread thread_;
};

}  // namespace steadycell::passes
