#pragma once
#include "base/bytes.h"
#include "base/sha256.h"
#include "files/side_thread.h"

namespace steadycell::passes {

// SHA-256 of a unit on a thread of its own, while its bytes or others are packed and written: the dearest fixed step of a capture.
// Not for other rooms.
class Hasher {
 public:
  // `bytes` stay as they are until finish() or the end of the hasher.
  void start(ByteSpan bytes) {
    thread_.start([this, bytes] { digest_ = Sha256::of(bytes); });
  }
  Digest finish() {
    thread_.wait();
    return digest_;
  }

 private:
  Digest digest_{};
  files::SideThread thread_;
};

}  // namespace steadycell::passes
