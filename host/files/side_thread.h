#pragma once
#include <condition_variable>
#include <functional>
#include <mutex>
#include <thread>

namespace steadycell::files {

// A thread that works beside its owner, one task at a time: hashing beside writing, for one. Used from one thread.
class SideThread {
 public:
  SideThread() = default;
  // Lets a task that has begun end; one that has not is dropped.
  ~SideThread();
  SideThread(const SideThread&) = delete;
  SideThread& operator=(const SideThread&) = delete;

  // `work`, which must not throw, is done when wait() returns; until then, or the end of this object, what it refers to stays.
  // The thread begins with the first call; a system that has no thread to give leaves the work to wait().
  void start(std::function<void()> work);
  // Does the work itself where nobody has begun it.
  void wait();

 private:
  void run();

  std::mutex mutex_;
  std::condition_variable changed_;
  std::function<void()> task_;  // taken by whoever does it
  bool working_ = false, ending_ = false;
  std::thread thread_;
};

}  // namespace steadycell::files
