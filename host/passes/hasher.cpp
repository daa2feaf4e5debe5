#include "passes/hasher.h"

#include <cassert>
#include <system_error>

namespace steadycell::passes {

Hasher::~Hasher() {
  {
    const std::lock_guard lock(mutex_);
    ending_ = true;
  }
  changed_.notify_all();
  if (thread_.joinable()) thread_.join();
}

void Hasher::start(ByteSpan bytes) {
  {
    const std::lock_guard lock(mutex_);
    assert(!task_ && !done_);
    task_ = bytes;
  }
  changed_.notify_all();
  if (thread_.joinable()) return;
  try {
    thread_ = std::thread([this] { work(); });
  } catch (const std::system_error&) {
    // Tried again with the next unit.
  }
}

Digest Hasher::finish() {
  std::unique_lock lock(mutex_);
  if (task_) {  // not begun: no thread, or none that came to run yet
    const ByteSpan bytes = *task_;
    task_.reset();
    return Sha256::of(bytes);
  }
  changed_.wait(lock, [this] { return done_.has_value(); });
  const Digest digest = *done_;
  done_.reset();
  return digest;
}

void Hasher::work() {
  std::unique_lock lock(mutex_);
  for (;;) {
    changed_.wait(lock, [this] { return ending_ || task_; });
    if (ending_) return;
    const ByteSpan bytes = *task_;
    task_.reset();
    lock.unlock();
    const Digest digest = Sha256::of(bytes);
    lock.lock();
    done_ = digest;
    changed_.notify_all();
  }
}

}  // namespace steadycell::passes
