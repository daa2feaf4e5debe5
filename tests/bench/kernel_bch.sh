#!/usr/bin/env bash
# Builds the Linux kernel's software BCH code as a user-space library, for bch_bench to be measured against:
#   tests/bench/kernel_bch.sh DIR      makes DIR/libkernelbch.so (DIR outside the tree)
#   KERNEL_BCH=DIR/libkernelbch.so build/dev/bench/bch_bench
# The code comes from Debian's package linux-source-6.1 (GPL-2.0-only); none of it is part of this project, and nothing but the
# benchmark ever loads the library. Built as the kernel has it for any m and t (no constant parameters), with -O3 -march=native.
set -euo pipefail
[ $# = 1 ] || { sed -n '2,6s/^# \{0,1\}//p' "$0" >&2; exit 2; }
archive=/usr/src/linux-source-6.1.tar.xz
[ -f "$archive" ] || { echo "$archive is missing: apt-get install linux-source-6.1" >&2; exit 1; }
mkdir -p "$1"
cd "$1"
tar -xf "$archive" --strip-components=1 linux-source-6.1/lib/bch.c linux-source-6.1/include/linux/bch.h

# What the file takes from the kernel, in the few words that user space needs for it.
mkdir -p shim/linux shim/asm
cp include/linux/bch.h shim/linux/bch.h
for header in kernel errno init module slab bitops; do echo '#include "kernel_shim.h"' > "shim/linux/$header.h"; done
echo '#include "kernel_shim.h"' > shim/asm/byteorder.h
cat > shim/kernel_shim.h <<'SHIM'
#pragma once
#include <endian.h>
#include <stdbool.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>
#define EINVAL 22
#define EBADMSG 74
typedef uint8_t u8;
typedef uint32_t u32;
#define DIV_ROUND_UP(a, b) (((a) + (b) - 1) / (b))
#define ARRAY_SIZE(a) (sizeof(a) / sizeof((a)[0]))
#define EXPORT_SYMBOL_GPL(name)
#define MODULE_LICENSE(text)
#define MODULE_AUTHOR(text)
#define MODULE_DESCRIPTION(text)
#define GFP_KERNEL 0
#define WARN_ON(condition) (condition)
#define cpu_to_be32 htobe32
#define kmalloc(size, flags) malloc(size)
#define kzalloc(size, flags) calloc(1, size)
#define kfree free
#define fls(x) ((x) ? 32 - __builtin_clz(x) : 0)
SHIM
"${CC:-gcc}" -O3 -march=native -w -shared -fPIC -Ishim lib/bch.c -o libkernelbch.so
echo "$PWD/libkernelbch.so"
