#include "passes/hasher.h"

#include <algorithm>
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

Hasher::Digests Hasher::Task::hash() const {
  Digests digests{};
  Sha256Group::of_each(std::span(messages).first(count), std::span(digests).first(count));
  return digests;
}

void Hasher::start(std::span<const ByteSpan> messages) {
  {
    const std::lock_guard lock(mutex_);
    assert(!task_ && !done_ && messages.size() <= Sha256Group::kMost);
    std::copy(messages.begin(), messages.end(), task_.emplace().messages.begin());
    task_->count = messages.size();
  }
  changed_.notify_all();
  if (thread_.joinable()) return;
  try {
    thread_ = std::thread([this] { work(); });
  } catch (const std::system_error&) {
    // Tried again with the next unit.
  }
}

Hasher::Digests Hasher::finish_each() {
  std::unique_lock lock(mutex_);
  if (task_) {  // not begun: no thread, or none that came to run yet
    const Task task = *task_;
    task_.reset();
    return task.hash();
  }
  changed_.wait(lock, [this] { return done_.has_value(); });
  const Digests digests = *done_;
  done_.reset();
  return digests;
}

void Hasher::work() {
  std::unique_lock lock(mutex_);
  for (;;) {
    changed_.wait(lock, [this] { return ending_ || task_; });
    if (ending_) return;
    const Task task = *task_;
    task_.reset();
    lock.unlock();
    const Digests digests = task.hash();
    lock.lock();
    done_ = digests;
    changed_.notify_all();
  }
}

}  // namespace steadycell::passes
