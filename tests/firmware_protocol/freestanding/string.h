/* All that the firmware's parts may want of a C library, so that more of it does not even compile. */
#ifndef STEADYCELL_FREESTANDING_STRING_H
#define STEADYCELL_FREESTANDING_STRING_H

#include <stddef.h>

void* memcpy(void* to, const void* from, size_t n);
void* memmove(void* to, const void* from, size_t n);
void* memset(void* to, int byte, size_t n);
int memcmp(const void* a, const void* b, size_t n);

#endif
