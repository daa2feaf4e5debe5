// Preloaded into steadycell or steadycelld by a test: refuses memory, as a machine does that has none left. Counted are the
// calls by which a program asks for memory, by `new` and by the C libraries that it uses.
//
//   FAIL_AT=n        refuses the n-th call, from 1
//   FAIL_ROW=n       and those behind it, n in all; 1 when missing
//   FAIL_IN=name     only in the program of this name
//   FAIL_COUNT=file  where a process that lives to its end leaves how often it asked
#include <dlfcn.h>
#include <malloc.h>

#include <atomic>
#include <cerrno>
#include <cstdio>
#include <cstdlib>
#include <cstring>

extern "C" {
void* __libc_malloc(size_t size);
void* __libc_calloc(size_t count, size_t size);
void* __libc_realloc(void* old, size_t size);
void* __libc_memalign(size_t alignment, size_t size);
}

namespace {

std::atomic<unsigned long> asked{0};
unsigned long first = 0, last = 0;
std::atomic<bool> armed{false};

unsigned long number(const char* name, unsigned long otherwise) {
  const char* const text = std::getenv(name);
  return text == nullptr ? otherwise : std::strtoul(text, nullptr, 10);
}

// What the loader asks for before this runs is not counted: it differs between machines.
__attribute__((constructor)) void arm() {
  const char* const program = std::getenv("FAIL_IN");
  if (program == nullptr || std::strcmp(program, program_invocation_short_name) != 0) return;
  first = number("FAIL_AT", 0);
  last = first == 0 ? 0 : first + number("FAIL_ROW", 1) - 1;
  armed = true;
}

__attribute__((destructor)) void tell() {
  const char* const path = std::getenv("FAIL_COUNT");
  if (!armed || path == nullptr) return;
  armed = false;
  std::FILE* const file = std::fopen(path, "w");
  if (file == nullptr) return;
  std::fprintf(file, "%lu\n", asked.load());
  (void)std::fclose(file);
}

bool refused() {
  if (!armed) return false;
  const unsigned long mine = ++asked;
  if (mine < first || mine > last) return false;
  errno = ENOMEM;
  return true;
}

}  // namespace

extern "C" {

void* malloc(size_t size) { return refused() ? nullptr : __libc_malloc(size); }
void* calloc(size_t count, size_t size) { return refused() ? nullptr : __libc_calloc(count, size); }
void* realloc(void* old, size_t size) { return refused() ? nullptr : __libc_realloc(old, size); }
void* memalign(size_t alignment, size_t size) { return refused() ? nullptr : __libc_memalign(alignment, size); }
void* aligned_alloc(size_t alignment, size_t size) { return memalign(alignment, size); }
int posix_memalign(void** into, size_t alignment, size_t size) {
  void* const got = memalign(alignment, size);
  if (got == nullptr) return ENOMEM;
  *into = got;
  return 0;
}

}  // extern "C"
