#pragma once
#include <chrono>
#include <new>
#include <thread>

namespace steadycell::daemon {

// Does what must not be left undone for want of memory: again, until there is some. `work` must have done nothing when it
// throws.
template <typename Work>
void insist(const Work& work) {
  for (;;) {
    try {
      return work();
    } catch (const std::bad_alloc&) {
      std::this_thread::sleep_for(std::chrono::milliseconds(1));
    }
  }
}

}  // namespace steadycell::daemon
