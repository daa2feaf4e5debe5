#pragma once
#include <array>
#include <span>

#include "base/bytes.h"
#include "base/sha256_group.h"
#include "files/side_thread.h"

namespace steadycell::passes {

// SHA-256 of units on a thread of its own, while their bytes or others are packed and written: the dearest fixed step of a capture.
// Not for other rooms.
class Hasher {
 public:
  // `bytes` stay as they are until finish() or the end of the hasher.
  void start(ByteSpan bytes) { start(std::span(&bytes, 1)); }
  Digest finish() { return finish_each()[0]; }
  // Up to Sha256Group::kMost messages side by side; their digests in the same order.
  using Digests = std::array<Digest, Sha256Group::kMost>;
  void start(std::span<const ByteSpan> messages);
  Digests finish_each();

 private:
  std::array<ByteSpan, Sha256Group::kMost> messages_;
  std::size_t count_ = 0;
  Digests digests_{};
  files::SideThread thread_;
};

}  // namespace steadycell::passes
