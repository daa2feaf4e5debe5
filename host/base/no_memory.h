#pragma once

namespace steadycell {

// For code that got no memory by other ways than `new`: ends as a failed `new` does, by what the program has set with
// std::set_new_handler, or by std::bad_alloc.
[[noreturn]] void no_memory();

}  // namespace steadycell
