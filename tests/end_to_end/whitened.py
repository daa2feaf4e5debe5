"""Dumps whitened in invented ways: a generator of its own, Python standard library only.

The registers use primitive polynomials from tables that every text on shift registers has (x^7 + x^6 + 1, x^15 + x^14 + 1, x^16 + x^14 + x^13 + x^11 + 1,
x^23 + x^18 + 1: ITU-T O.150 and V.52 use the first three lengths, from memory); check() goes through their periods of 2^n - 1.
"""
import random
import zlib

REVERSED = bytes(int(f"{byte:08b}"[::-1], 2) for byte in range(256))
WORDS = "the of a page is what was read in spare and bit code not to for on with as by from at".split()


def register_bytes(taps, seed, size):
    """Output of s[n] = sum of s[n - tap], the first bits from the seed (never all zero), highest bit of a byte first.

    In long strides: p(x)^2 = p(x^2) over GF(2), so s[n] = sum of s[n - tap * 2^k], too.
    """
    length = max(taps)
    bits, value, stride = length, seed % ((1 << length) - 1) + 1, 1  # bit i of value: s[i]
    while bits < size * 8:
        while length * stride * 2 <= bits:
            stride *= 2
        fresh, further = 0, min(taps) * stride
        for tap in taps:
            fresh ^= value >> (bits - tap * stride)
        value |= (fresh & ((1 << further) - 1)) << bits
        bits += further
    return (value & ((1 << size * 8) - 1)).to_bytes(size, "little").translate(REVERSED)


def polynomial(taps):
    """Characteristic polynomial of s[n] = sum of s[n - tap], bit k for x^k."""
    length = max(taps)
    return 1 << length | sum(1 << (length - tap) for tap in taps)


def text(size, rng):
    return " ".join(rng.choice(WORDS) for _ in range(size // 3)).encode()[:size].ljust(size, b".")


def records(size, rng):
    number, out = rng.randrange(1 << 20), bytearray()
    while len(out) < size:
        number += 1
        out += number.to_bytes(4, "little") + bytes(2) + rng.choice(WORDS).encode().ljust(10, b"\0")
    return bytes(out[:size])


def compressed(size, rng):
    out = b""
    while len(out) < size:
        out += zlib.compress(rng.randbytes(64) + text(3000, rng), 9)[2:]
    return out[:size]


def half(size, rng):
    return text(size // 2, rng) + bytes(size - size // 2)


MIXED = [(0.25, lambda size, rng: bytes(size)), (0.2, text), (0.15, records), (0.1, half), (0.05, lambda size, rng: b"\xff" * size), (0.25, compressed)]


def content(mix, size, rng):
    at = rng.random()
    for share, make in mix:
        at -= share
        if at < 0:
            return make(size, rng)
    return mix[-1][1](size, rng)


def flip(page, rate, rng):
    at = -1
    while rate > 0:
        at += 1 + int(rng.expovariate(1) / rate)
        if at >= len(page) * 8:
            return
        page[at // 8] ^= 1 << at % 8


def dump(shape, blocks, sequence=None, mix=MIXED, erased=0.1, rate=1e-4, seed=1, whiten_spare=False, spare_of=None):
    """Returns (dump, contents): pages of data and spare area; the contents are the data bytes with the same errors, erased pages FF.

    `sequence(block, page in block, size)` is what lies on the data, or on data and spare area. `spare_of(page number)`: another spare area than the usual one.
    """
    page_bytes, spare_bytes, pages_per_block = shape
    rng, out, plain = random.Random(seed), bytearray(), bytearray()
    for number in range(blocks * pages_per_block):
        if rng.random() < erased:
            out += b"\xff" * (page_bytes + spare_bytes)
            plain += b"\xff" * page_bytes
            continue
        data = content(mix, page_bytes, rng)
        spare = b"\xff\xff" + rng.randrange(1 << 12).to_bytes(4, "little") + rng.randbytes(spare_bytes - 6)  # a logical number; the code is as good as random
        if spare_of:
            spare = spare_of(number)
        elif whiten_spare:
            spare = bytes(2) + (number // 7).to_bytes(4, "big") + spare[6:]
        page = bytearray(data + spare)
        flip(page, rate, rng)
        plain += page[:page_bytes]
        if sequence:
            size = page_bytes + (spare_bytes if whiten_spare else 0)
            mask = sequence(number // pages_per_block, number % pages_per_block, size)
            page[:size] = bytes(a ^ b for a, b in zip(page[:size], mask))
        out += page
    return bytes(out), bytes(plain)


# --- ways to whiten

def table(count, seed=99):
    """`count` sequences of random bytes."""
    made = {}

    def sequence(index, size):
        if index not in made:
            made[index] = random.Random(seed * 1000 + index).randbytes(size)
        return made[index]
    return lambda index, size: sequence(index % count, size)


def by_page(period):
    of = table(period)
    return lambda block, page, size: of(page % period, size)


def by_block(period):
    of = table(period)
    return lambda block, page, size: of(block % period, size)


def by_both(pages, blocks):
    of = table(pages * blocks)
    return lambda block, page, size: of(block % blocks * pages + page % pages, size)


def going_on(period, pages_per_block):
    of = table(period)
    return lambda block, page, size: of((block * pages_per_block + page) % period, size)


def short(period_bytes, pages):
    of = table(pages)
    return lambda block, page, size: (of(page % pages, period_bytes) * (size // period_bytes + 1))[:size]


def register(taps, seed_of, lsb_first=False, restart=None):
    """A register seeded by seed_of(block, page), started anew every `restart` bytes."""
    made = {}

    def sequence(block, page, size):
        seed = seed_of(block, page)
        if (seed, size) not in made:
            out, piece = b"", restart or size
            for at in range(0, size, piece):
                out += register_bytes(taps, seed + at, min(piece, size - at))
            made[seed, size] = out.translate(REVERSED) if lsb_first else out
        return made[seed, size]
    return sequence


def page_seed(period):
    return lambda block, page: page % period * 2654435761


def address_seed(block, page):
    return (block << 9 | page) * 2654435761


X7, X15, X16, X23 = (7, 6), (15, 14), (16, 14, 13, 11), (23, 18)


def check():
    for taps in (X7, X15, X16):
        bits, size = (1 << max(taps)) - 1, (1 << max(taps)) // 4
        value = bin(1 << size * 8 | int.from_bytes(register_bytes(taps, 5, size), "big"))[3:]
        assert value[bits:] == value[:len(value) - bits], "the period is 2^n - 1"
        assert value[:bits].count("1") == (bits + 1) // 2, "one more one than zeros (Golomb's first postulate)"
        state, slow = [int(bit) for bit in value[:max(taps)]], ""
        for _ in range(200):
            slow += str(state[0])
            state = state[1:] + [sum(state[-tap] for tap in taps) % 2]
        assert value.startswith(slow)
