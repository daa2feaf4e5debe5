#include "files/side_thread.h"

#include <cassert>
#include <system_error>
#include <utility>

namespace steadycell::files {

SideThread::~SideThread() {
  {
    const std::lock_guard lock(mutex_);
    ending_ = true;
  }
  changed_.notify_all();
  if (thread_.joinable()) thread_.join();
}

void SideThread::start(std::function<void()> work) {
  {
    const std::lock_guard lock(mutex_);
    assert(!task_ && !working_);
    task_ = std::move(work);
  }
  changed_.notify_all();
  if (thread_.joinable()) return;
  try {
    thread_ = std::thread([this] { run(); });
  } catch (const std::system_error&) {
    // Tried again with the next task.
  }
}

void SideThread::wait() {
  std::unique_lock lock(mutex_);
  if (task_) {  // not begun: no thread, or none that came to run yet
    const auto work = std::exchange(task_, nullptr);
    lock.unlock();
    return work();
  }
  changed_.wait(lock, [this] { return !working_; });
}

void SideThread::run() {
  std::unique_lock lock(mutex_);
  for (;;) {
    changed_.wait(lock, [this] { return ending_ || task_; });
    if (ending_) return;
    const auto work = std::exchange(task_, nullptr);
    working_ = true;
    lock.unlock();
    work();
    lock.lock();
    working_ = false;
    changed_.notify_all();
  }
}

}  // namespace steadycell::files
