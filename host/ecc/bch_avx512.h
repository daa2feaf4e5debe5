#pragma once
// What the .cpp files of the 512-bit path begin with; for them only.
#if defined(__x86_64__)
#if defined(__GNUC__) && !defined(__clang__)
#pragma GCC diagnostic ignored "-Wuninitialized"  // g++ 12 warns of its own intrinsics (GCC bug 105593)
#pragma GCC diagnostic ignored "-Wmaybe-uninitialized"
#endif
#include <immintrin.h>

#define STEADYCELL_AVX512 [[gnu::target("avx512f,avx512bw,avx512dq,avx512vl,avx512vbmi,vpclmulqdq,pclmul,gfni")]]

#endif
