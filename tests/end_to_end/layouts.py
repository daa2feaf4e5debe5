"""Pages encoded by a scheme file (steadycell-ecc/1): an encoder of its own, from the definitions, Python standard library only.

BCH: Lin and Costello's definition of the generator (least common multiple of minimal polynomials); Hamming: ST AN1823 and the
bits as tests/data/kernel-nand/README.md writes them down; Reed-Solomon: the product of (x - a^i). check() compares with what the
kernel wrote and with published generators, so that the encoder does not only agree with itself.
"""
import functools
import random
import zlib

REVERSED = bytes(int(f"{byte:08b}"[::-1], 2) for byte in range(256))


def field(m, polynomial):
    log, antilog, element = [0] * (1 << m), [], 1
    for exponent in range((1 << m) - 1):
        antilog.append(element)
        log[element] = exponent
        element <<= 1
        if element >> m:
            element ^= polynomial
    assert element == 1, "not primitive"
    return log, antilog


@functools.cache
def bch_generator(m, polynomial, t):
    log, antilog = field(m, polynomial)
    order, product, done = (1 << m) - 1, 1, set()
    for power in range(1, 2 * t, 2):
        conjugates = {power * 2 ** k % order for k in range(m)}
        if min(conjugates) in done:
            continue
        done.add(min(conjugates))
        minimal = [1]  # highest power first
        for conjugate in conjugates:
            root = antilog[conjugate]
            times = [0] + [antilog[(log[c] + log[root]) % order] if c else 0 for c in minimal]
            minimal = [a ^ b for a, b in zip(minimal + [0], times)]
        factor, total = int("".join(map(str, minimal)), 2), 0
        for bit in range(factor.bit_length()):
            if factor >> bit & 1:
                total ^= product << bit
        product = total
    return product


@functools.cache
def byte_table(generator):
    degree, table = generator.bit_length() - 1, []
    for byte in range(256):
        value = byte << degree
        for bit in range(degree + 7, degree - 1, -1):
            if value >> bit & 1:
                value ^= generator << (bit - degree)
        table.append(value)
    return degree, table


def bch(data, m, polynomial, t):
    degree, table = byte_table(bch_generator(m, polynomial, t))
    mask, remainder = (1 << degree) - 1, 0
    for byte in data:
        remainder = (remainder << 8 & mask) ^ table[remainder >> (degree - 8) ^ byte]
    size = (degree + 7) // 8
    return (remainder << (size * 8 - degree)).to_bytes(size, "big")


def hamming(data, order):
    lines = 8 if len(data) == 256 else 9
    index_sum = columns = 0
    total = 0
    for index, byte in enumerate(data):
        columns ^= byte
        if byte.bit_count() & 1:
            index_sum ^= index
            total ^= 1
    even = lambda bits: 1 - (bits & 1)
    pairs = []  # lowest pair first: (clear, set)
    for k in range(lines):
        one = index_sum >> k & 1
        pairs.append((even(one ^ total), even(one)))
    parity = [bit for pair in pairs for bit in pair]
    column_bits = [even((columns & mask).bit_count()) for mask in (0x55, 0xAA, 0x33, 0xCC, 0x0F, 0xF0)]
    low = sum(bit << i for i, bit in enumerate(parity[:8]))
    high = sum(bit << i for i, bit in enumerate(parity[8:16]))
    last = sum(bit << (i + 2) for i, bit in enumerate(column_bits))
    last |= 3 if lines == 8 else parity[16] | parity[17] << 1
    return bytes([high, low, last] if order == "high_line_first" else [low, high, last])


@functools.cache
def rs_generator(m, polynomial, t, first_root):
    log, antilog = field(m, polynomial)
    order, product = (1 << m) - 1, [1]
    for i in range(2 * t):
        root = (first_root + i) % order
        times = [0] + [antilog[(log[c] + root) % order] if c else 0 for c in product]
        product = [a ^ b for a, b in zip(product + [0], times)]
    return log, antilog, product


def reed_solomon(data, m, polynomial, t, first_root):
    log, antilog, generator = rs_generator(m, polynomial, t, first_root)
    order, bits = (1 << m) - 1, len(data) * 8
    symbols = -(-bits // m)
    value = int.from_bytes(data, "big") << (symbols * m - bits)
    remainder = [0] * (2 * t)
    for i in range(symbols):
        feedback = (value >> (symbols - 1 - i) * m & order) ^ remainder[0]
        remainder = remainder[1:] + [0]
        if feedback:
            for k in range(2 * t):
                if generator[k + 1]:
                    remainder[k] ^= antilog[(log[feedback] + log[generator[k + 1]]) % order]
    size = (2 * t * m + 7) // 8
    packed = 0
    for symbol in remainder:
        packed = packed << m | symbol
    return (packed << (size * 8 - 2 * t * m)).to_bytes(size, "big")


def code_of(scheme, covered):
    if scheme["bit_order"] == "lsb_first":
        covered = covered.translate(REVERSED)
    if scheme["code"] == "bch":
        code = bch(covered, scheme["m"], int(scheme["polynomial"], 16), scheme["t"])
    elif scheme["code"] == "hamming":
        code = hamming(covered, scheme["order"])
    else:
        code = reed_solomon(covered, scheme["m"], int(scheme["polynomial"], 16), scheme["t"], scheme["first_root"])
    if scheme["bit_order"] == "lsb_first":
        code = code.translate(REVERSED)
    if scheme["mask"]:
        code = bytes(a ^ b for a, b in zip(code, bytes.fromhex(scheme["mask"])))
    return code


def gather(page, ranges):
    return b"".join(bytes(page[at:at + length]) for at, length in ranges)


def covered(scheme, step):
    """The ranges that a step protects, in the order of its codeword."""
    data, metadata = step["data"], step.get("metadata", [])
    return metadata + data if scheme.get("metadata_place") == "before_data" else data + metadata


def encode(scheme, page):
    for step in scheme["steps"]:
        code = code_of(scheme, gather(page, covered(scheme, step)))
        for at, length in step["code"]:
            page[at:at + length], code = code[:length], code[length:]


def flip(scheme, page, share, rng):
    """Each bit of a step is wrong with one chance; a step has share x t wrong bits on average."""
    bits = 0
    for step in scheme["steps"]:
        places = [at + i for at, length in step["data"] + step.get("metadata", []) + step["code"] for i in range(length)]
        chance = share * scheme.get("t", 1) / (len(places) * 8)
        at = -1
        while chance > 0:
            at += 1 + int(rng.expovariate(1) / chance)
            if at >= len(places) * 8:
                break
            page[places[at // 8]] ^= 1 << at % 8
            bits += 1
    return bits


WORDS = "the of a page is what was read in spare and bit code not to".split()


def content(kind, size, rng):
    if kind == "text":
        return " ".join(rng.choice(WORDS) for _ in range(size // 3)).encode()[:size].ljust(size, b" ")
    if kind == "table":
        start = rng.randrange(1 << 16)
        return b"".join((start + i).to_bytes(4, "little") for i in range(size // 4))
    if kind == "zero":
        return bytes(size)
    return rng.randbytes(size)


def whitening(page, size):
    """An LFSR of 15 bits (x^15 + x^14 + 1), its seed made from the page's number."""
    state, out = page * 2654435761 % 32767 + 1, bytearray()
    for _ in range(size):
        byte = 0
        for _ in range(8):
            bit = (state >> 14 ^ state >> 13) & 1
            state = (state << 1 | bit) & 0x7FFF
            byte = byte << 1 | bit
        out.append(byte)
    return bytes(out)


def counting(number, step, length):
    """Metadata that differ from page to page and from step to step, in two bytes."""
    return ((number * 40503 + step * 7919) % 65536).to_bytes(2, "little").ljust(length, b"\x5a")[:length]


def dump(scheme, pages, share, seed, whiten=False, erased=0.1, metadata=counting):
    """Pages with 10 % erased, of mixed content, whitened before the code if asked, with errors."""
    rng = random.Random(seed)
    raw, out = scheme["page_bytes"] + scheme["spare_bytes"], bytearray()
    streams = [whitening(i, scheme["page_bytes"]) for i in range(16)] if whiten else None
    for number in range(pages):
        page = bytearray(b"\xff" * raw)
        if rng.random() >= erased:
            data = content(rng.choice(["random", "random", "text", "table", "zero"]), scheme["page_bytes"], rng)
            if streams:
                data = bytes(a ^ b for a, b in zip(data, streams[number % 16]))
            data = iter(data)
            for index, step in enumerate(scheme["steps"]):
                for at, length in step["data"]:
                    page[at:at + length] = bytes(next(data) for _ in range(length))
                for at, length in step.get("metadata", []):
                    page[at:at + length] = metadata(number, index, length)
            encode(scheme, page)
        flip(scheme, page, share, rng)
        out += page
    return bytes(out)


# --- layouts

def scheme(page, spare, steps, **keys):
    return {"schema": "steadycell-ecc/1", "bit_order": "msb_first", "mask": None, "page_bytes": page, "spare_bytes": spare,
            "erased": "all_ff", "steps": steps} | keys


def in_spare(page, spare, step, code, offset, stride=None, metadata=None, reverse=False, packed=False, first_only=False):
    """Data in front, code bytes in the spare area; metadata = (place before the code, length) or a shared place; `packed`: that of
    each step behind that of the step before; `first_only`: only the first step has some."""
    count = page // step
    steps = []
    for i in range(count):
        at = page + offset + (count - 1 - i if reverse else i) * (stride or code)
        entry = {"data": [[i * step, step]], "code": [[at, code]]}
        if metadata:
            before, length = metadata
            if not (first_only and i):
                entry["metadata"] = [[(page + before if before >= 0 else at + before) + packed * i * length, length]]
        steps.append(entry)
    return steps


def in_chunks(page, spare, step, code, metadata=0, mark=0):
    """Data, metadata and code one behind the other; `mark` bytes at the start of the spare area are stepped over."""
    steps, at = [], 0

    def take(length):
        nonlocal at
        ranges = []
        while length:
            if at == page:
                at += mark
            piece = min(length, page - at) if mark and at < page else length
            ranges.append([at, piece])
            at += piece
            length -= piece
        return ranges

    for _ in range(page // step):
        entry = {"data": take(step)}
        if metadata:
            entry["metadata"] = take(metadata)
        entry["code"] = take(code)
        steps.append(entry)
    return steps


def erased_mask(of):
    """The mask that makes FF everywhere a codeword."""
    step = of["steps"][0]
    size = sum(length for _, length in step["data"] + step.get("metadata", []))
    code = code_of(of | {"mask": None}, b"\xff" * size)
    return of | {"mask": bytes(byte ^ 0xFF for byte in code).hex(), "erased": "codeword"}


def bch_scheme(m, t, polynomial):
    return {"code": "bch", "m": m, "t": t, "polynomial": polynomial}


def rs_scheme(m, t, polynomial, first_root):
    return {"code": "reed_solomon", "m": m, "t": t, "polynomial": polynomial, "symbol_bits": m, "first_root": first_root}


def layouts():
    """Name -> (scheme, errors as a share of t, whitened)."""
    b4, b8 = bch_scheme(13, 4, "0x201b"), bch_scheme(13, 8, "0x201b")
    return {
        "t 4 at the end": (scheme(2048, 64, in_spare(2048, 64, 512, 7, 36), **b4), 0.5, False),
        "t 4, one in each quarter of the spare area": (scheme(2048, 64, in_spare(2048, 64, 512, 7, 9, 16), **b4), 0.25, True),
        "t 8, FF is a codeword": (erased_mask(scheme(2048, 64, in_spare(2048, 64, 512, 13, 12), **b8)), 0.5, True),
        "t 8, inverted code": (scheme(2048, 64, in_spare(2048, 64, 512, 13, 2), **b8, ) | {"mask": "ff" * 13}, 0.5, False),
        "t 8, a mask of its own": (scheme(2048, 64, in_spare(2048, 64, 512, 13, 2), **b8) | {"mask": "00112233445566778899aabbcc"}, 0.5, False),
        "t 8, lsb first": (scheme(2048, 64, in_spare(2048, 64, 512, 13, 12), **b8) | {"bit_order": "lsb_first"}, 0.5, True),
        "t 8, steps in reverse order": (scheme(2048, 64, in_spare(2048, 64, 512, 13, 12, reverse=True), **b8), 0.25, False),
        "t 8, metadata before each code": (scheme(2048, 64, in_spare(2048, 64, 512, 13, 3, 16, (-3, 3)), **b8), 0.5, False),
        "t 8, shared metadata": (scheme(2048, 64, in_spare(2048, 64, 512, 13, 12, metadata=(2, 4)), **b8), 0.5, False),
        "t 8, the other polynomial": (scheme(2048, 64, in_spare(2048, 64, 512, 13, 12), **bch_scheme(13, 8, "0x25af")), 0.5, False),
        "t 8 in chunks": (scheme(2048, 64, in_chunks(2048, 64, 512, 13), **b8), 0.5, True),
        "t 8 in chunks around the bad-block mark": (scheme(2048, 64, in_chunks(2048, 64, 512, 13, 2, 1), **b8), 0.5, False),
        "t 1": (scheme(2048, 64, in_spare(2048, 64, 512, 2, 40), **bch_scheme(13, 1, "0x201b")), 0.5, False),
        "t 2": (scheme(2048, 64, in_spare(2048, 64, 512, 4, 8), **bch_scheme(13, 2, "0x201b")), 0.5, False),
        "t 4 on 256 bytes": (scheme(2048, 64, in_spare(2048, 64, 256, 6, 16), **bch_scheme(12, 4, "0x1053")), 0.25, False),
        "t 4, small page": (scheme(512, 16, in_spare(512, 16, 512, 7, 8), **b4), 0.5, False),
        "t 24 on 1024 bytes": (scheme(4096, 224, in_spare(4096, 224, 1024, 42, 56), **bch_scheme(14, 24, "0x402b")), 0.5, True),
        "t 24, the other field": (scheme(4096, 224, in_spare(4096, 224, 1024, 42, 8), **bch_scheme(14, 24, "0x4443")), 0.5, False),
        "t 40 on 1024 bytes": (scheme(8192, 640, in_spare(8192, 640, 1024, 70, 80), **bch_scheme(14, 40, "0x402b")), 0.5, True),
        "t 40 in chunks with metadata": (scheme(8192, 640, in_chunks(8192, 640, 1024, 70, 4), **bch_scheme(14, 40, "0x402b")), 0.5, False),
        "t 40, large page": (scheme(16384, 1216, in_spare(16384, 1216, 1024, 70, 96), **bch_scheme(14, 40, "0x402b")), 0.25, False),
        "t 40 on 2048 bytes, large page": (scheme(16384, 1216, in_spare(16384, 1216, 2048, 75, 32), **bch_scheme(15, 40, "0x8003")), 0.5, False),
        "hamming": (scheme(2048, 64, in_spare(2048, 64, 256, 3, 40), code="hamming", order="high_line_first") | {"erased": "codeword"}, 0.5, False),
        "hamming on 512 bytes, low lines first": (scheme(2048, 64, in_spare(2048, 64, 512, 3, 8, 16), code="hamming", order="low_line_first") |
                                                  {"erased": "codeword"}, 0.5, True),
        "9-bit symbols": (scheme(2048, 64, in_spare(2048, 64, 512, 9, 28), **rs_scheme(9, 4, "0x211", 1)), 0.5, False),
        "10-bit symbols, lsb first": (scheme(2048, 64, in_spare(2048, 64, 512, 10, 6, 16), **rs_scheme(10, 4, "0x409", 0)) |
                                      {"bit_order": "lsb_first"}, 0.5, True),
        "9-bit symbols over 518 bytes": (scheme(2048, 64, in_spare(2048, 64, 512, 9, 6, 16, (-6, 6)), **rs_scheme(9, 4, "0x211", 1)), 0.5, False),
        "8-bit symbols on 128 bytes": (scheme(2048, 64, in_spare(2048, 64, 128, 4, 0), **rs_scheme(8, 2, "0x11d", 1)), 0.25, True),
        "11-bit symbols on 1024 bytes": (scheme(2048, 64, in_spare(2048, 64, 1024, 22, 16), **rs_scheme(11, 8, "0x805", 0)), 0.25, False),
        "12-bit symbols on 2048 bytes": (scheme(2048, 64, in_spare(2048, 64, 2048, 48, 8), **rs_scheme(12, 16, "0x1053", 1)), 0.25, True),
        "t 8 without a wrong bit": (scheme(2048, 64, in_spare(2048, 64, 512, 13, 12), **b8), 0, False),
        "t 40 without a wrong bit": (scheme(8192, 640, in_spare(8192, 640, 1024, 70, 80), **bch_scheme(14, 40, "0x4443")), 0, True),
        "t 40, large page, half of t": (scheme(16384, 1216, in_spare(16384, 1216, 1024, 70, 96), **bch_scheme(14, 40, "0x402b")), 0.5, True),
        "t 8, metadata packed before all codes": (scheme(2048, 64, in_spare(2048, 64, 512, 13, 12, metadata=(1, 2), packed=True), **b8), 0.5, False),
        "t 4, metadata of four bytes packed, right before the codes": (scheme(2048, 64, in_spare(2048, 64, 512, 7, 20, metadata=(4, 4), packed=True), **b4), 0.25, True),
        "t 8, metadata with the first step": (scheme(2048, 64, in_spare(2048, 64, 512, 13, 12, metadata=(2, 6), first_only=True), **b8), 0.5, False),
        "t 8, metadata with the first step, right before its code":
            (scheme(2048, 64, in_spare(2048, 64, 512, 13, 8, metadata=(-4, 4), first_only=True), **b8), 0.25, True),
        "t 8, shared metadata right before the first code": (scheme(2048, 64, in_spare(2048, 64, 512, 13, 8, metadata=(4, 4)), **b8), 0.5, False),
        "t 8, shared metadata first in the codeword":
            (scheme(2048, 64, in_spare(2048, 64, 512, 13, 12, metadata=(2, 4)), metadata_place="before_data", **b8), 0.5, False),
        "t 8, metadata packed, first in the codeword":
            (scheme(2048, 64, in_spare(2048, 64, 512, 13, 12, metadata=(1, 2), packed=True), metadata_place="before_data", **b8), 0.5, True),
        "t 4, metadata beside each code, first in the codeword":
            (scheme(2048, 64, in_spare(2048, 64, 512, 7, 9, 16, (-5, 5)), metadata_place="before_data", **b4), 0.25, False),
        "t 8, metadata of the first step first in the codeword":
            (scheme(2048, 64, in_spare(2048, 64, 512, 13, 12, metadata=(4, 8), first_only=True), metadata_place="before_data", **b8), 0.25, False),
        "t 24, metadata packed": (scheme(4096, 224, in_spare(4096, 224, 1024, 42, 40, metadata=(4, 4), packed=True), **bch_scheme(14, 24, "0x402b")), 0.25, False),
        "t 24, the third field": (scheme(4096, 224, in_spare(4096, 224, 1024, 42, 56), **bch_scheme(14, 24, "0x5803")), 0.5, False),
        "t 24, metadata first in the codeword":
            (scheme(4096, 224, in_spare(4096, 224, 1024, 42, 40, metadata=(4, 8)), metadata_place="before_data", **bch_scheme(14, 24, "0x402b")), 0.25, False),
        "t 1, metadata packed": (scheme(2048, 64, in_spare(2048, 64, 512, 2, 40, metadata=(4, 2), packed=True), **bch_scheme(13, 1, "0x201b")), 0.25, False),
        "9-bit symbols in a rare field": (scheme(2048, 64, in_spare(2048, 64, 512, 9, 28), **rs_scheme(9, 4, "0x259", 1)), 0.25, False),
    }


# --- dumps without any such code

def sparse_parity(data, checks, rng):
    """LDPC-like: each parity bit is the sum of a few data bits and of the parity bit before it (repeat-accumulate)."""
    value, bits, parity, last = int.from_bytes(data, "big"), len(data) * 8, 0, 0
    for _ in range(checks):
        for _ in range(12):
            last ^= value >> rng.randrange(bits) & 1
        parity = parity << 1 | last
    return parity.to_bytes(checks // 8, "big")


def without_code(kind, page, spare, pages, seed):
    rng, out = random.Random(seed), bytearray()
    for number in range(pages):
        if kind == "random":
            out += rng.randbytes(page + spare)
        elif kind == "erased":
            raw = bytearray(b"\xff" * (page + spare))
            for _ in range(3):
                raw[rng.randrange(len(raw))] ^= 1 << rng.randrange(8)
            out += raw
        elif kind == "ldpc":
            data = content(rng.choice(["random", "text"]), page, rng)
            out += data + sparse_parity(data, spare * 8, random.Random(1))
        elif kind == "compressed":
            packed = b"".join(zlib.compress(content("text", 4096, rng)) for _ in range(8))
            out += (packed * (page // len(packed) + 1))[:page] + b"\xff" * spare
        elif kind == "counted":  # a sum of the data in the spare area: linear over the integers, no code
            data = content(rng.choice(["random", "table"]), page, rng)
            out += data + (zlib.crc32(data).to_bytes(4, "big") + number.to_bytes(4, "big")).ljust(spare, b"\xff")[:spare]
        else:
            out += content(kind, page, rng) + b"\xff" * spare
    return bytes(out)


def negatives():
    """(kind, page, spare)"""
    kinds = ["random", "ldpc", "text", "erased", "table", "zero", "compressed", "counted"]
    return [(kind, 512, 16) for kind in kinds] + [(kind, 2048, 64) for kind in kinds] + \
        [("random", 1024, 32), ("ldpc", 1024, 32), ("compressed", 1024, 32), ("text", 1024, 32)]


def check():
    """Against generators of the tables in Lin and Costello (octal, from memory) and vectors of a general-purpose library."""
    for m, polynomial, t, generator in [(4, 0x13, 2, 0o721), (5, 0x25, 3, 0o107657), (6, 0x43, 6, 0o157464165547), (8, 0x11D, 4, 0o75626641375)]:
        assert bch_generator(m, polynomial, t) == generator
    assert bch(bytes(range(256)) * 2, 13, 0x201B, 4).hex() == "ecd0e0a751c490"
    assert bch(b"\xff" * 512, 13, 0x201B, 8).hex() == "10aed1f6126c653d68861adb4a"
    assert hamming(bytes([1]) + bytes(255), "high_line_first").hex() == "aaaaab"
    assert hamming(b"123456789" + bytes(247), "high_line_first").hex() == "aaa5a7"
