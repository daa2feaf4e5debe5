#include "base/no_memory.h"

#include <new>

namespace steadycell {

void no_memory() {
  if (const std::new_handler handler = std::get_new_handler()) handler();
  throw std::bad_alloc();
}

}  // namespace steadycell
