"""`image assess` and `image export --unwhiten` on dumps of an independent generator (whitened.py), figures against `ent`."""
import json
import os
import random
import shutil
import subprocess
import unittest
import zlib

import bench
import layouts
import whitened

SANITIZED = bool(os.environ.get("STEADYCELL_SANITIZED"))
SHAPE = (2048, 64, 64)
same_code = unittest.skipIf(SANITIZED, "the same code on other sequences")


class Assess(bench.BenchTest):
    def image(self, dump, shape=SHAPE, name="case", settle=()):
        """Imports and settles; returns the image's name."""
        page, spare, pages_per_block = shape
        (self.folder / f"{name}.bin").write_bytes(dump)
        done = self.run_it("capture", "import", f"{name}.bin", "--page-bytes", page, "--spare-bytes", spare, "--pages-per-block", pages_per_block, "--into", name,
                           "--quiet")
        self.assertEqual(done.code, 0, done.err)
        done = self.run_it("capture", "settle", name, "--image", f"{name}-image", "--quiet", *settle)
        self.assertIn(done.code, (0, 3), done.err)
        return f"{name}-image"

    def contents(self, image, key, to="contents.bin"):
        told = self.succeed("image", "export", image, "--what", "data", "--unwhiten", key, "--to", to)
        outcomes = told["unwhitening"]
        left, out = outcomes.pop("left"), outcomes.pop("left_out")
        self.assertEqual(sum(outcomes.values()), told["pages"], "each page is in one of the counts")
        self.assertEqual(told["unwhitened"], outcomes["proven"] + outcomes["partly"] + outcomes["assumed"])
        self.assertEqual(sum(run["count"] for run in left) + out, told["pages"] - outcomes["proven"] - outcomes["assumed"] - outcomes["erased"])
        return told, (self.folder / to).read_bytes()


class Whitened(Assess):
    def check(self, shape, blocks, sequence, period, right=1.0, register=None, **options):
        """Assesses the dump, takes the whitening off, and compares with what lay beneath it."""
        dump, plain = whitened.dump(shape, blocks, sequence, **options)
        image = self.image(dump, shape)
        found = self.succeed("image", "assess", image, "--to", "key.json")
        self.assertEqual(found["content"], "scrambled", found["because"])
        whitening = found["whitening"]
        self.assertEqual([whitening[key] for key in ("period_pages", "period_blocks", "step")], period)
        verified = whitening["verified"]
        self.assertGreaterEqual(verified["plainer"], 8, "pages that had no part in finding it")
        self.assertEqual(verified["noisier"], 0)
        self.assertLess(verified["entropy_after"], verified["entropy_before"] - 1)
        if register:
            self.assertEqual(whitening["register"]["polynomial"], hex(whitened.polynomial(register)))
            self.assertEqual(found["linear_complexity"]["constant_pages"]["lowest"], max(register))
            self.assertEqual(found["linear_complexity"]["xors"]["lowest"], max(register))
        else:
            self.assertIsNone(whitening["register"])
        told, contents = self.contents(image, "key.json")
        size = shape[0]
        written = [at for at in range(0, len(plain), size) if plain[at:at + size] != b"\xff" * size]
        good = sum(contents[at:at + size] == plain[at:at + size] for at in written)
        self.assertGreaterEqual(good, right * len(written))
        self.assertLessEqual(good, told["unwhitened"] + 1)
        for at in set(range(0, len(plain), size)) - set(written):  # erased pages stay erased, except FF pages that were written
            self.assertIn(contents[at:at + size].count(0xFF), range(size - 8, size + 1))
        return found

    def test_the_generator_does_what_it_says(self):
        whitened.check()

    def test_sequences_by_page(self):
        found = self.check(SHAPE, 12, whitened.by_page(16), [16, 1, 0])
        best = max(found["cancellation"]["pages"], key=lambda of: of[2] / max(1, of[1]))
        self.assertEqual(best[0] % 16, 0, "pages cancel at multiples of the period")
        self.assertEqual(sum(cancelled for apart, _, cancelled in found["cancellation"]["pages"] if apart % 16), 0, "and nowhere else")
        self.assertEqual(found["whitening"]["bytes"], [[0, 2048]])
        self.assertIsNone(found["whitening"]["repeats_bytes"])

    @same_code
    def test_one_sequence_for_each_page_of_a_block(self):
        self.check((512, 16, 32), 48, whitened.by_page(32), [32, 1, 0])

    @same_code
    def test_one_sequence_for_all(self):
        self.check(SHAPE, 8, whitened.by_page(1), [1, 1, 0])

    @same_code
    def test_sequences_by_block(self):
        found = self.check((2048, 64, 32), 48, whitened.by_block(6), [1, 6, 0])
        self.assertEqual(sum(cancelled for apart, _, cancelled in found["cancellation"]["blocks"] if apart % 6), 0)

    @same_code
    def test_sequences_by_page_and_block(self):
        self.check((2048, 64, 32), 48, whitened.by_both(8, 3), [8, 3, 0])

    def test_sequences_that_go_on_from_block_to_block(self):
        self.check(SHAPE, 16, whitened.going_on(24, 64), [24, 1, 64 % 24])

    def test_a_short_sequence_that_repeats_within_the_page(self):
        found = self.check(SHAPE, 12, whitened.short(64, 4), [4, 1, 0])
        self.assertEqual(found["whitening"]["repeats_bytes"], 64)

    @same_code
    def test_large_pages(self):
        self.check((16384, 1216, 16), 24, whitened.by_page(8), [8, 1, 0])

    def test_many_wrong_bits(self):
        # At one in a thousand each page has some 16 wrong bits, in known places of the contents: all others must be right.
        self.check(SHAPE, 12, whitened.by_page(8), [8, 1, 0], rate=1e-3)

    @same_code
    def test_registers_by_page(self):
        for lsb_first, taps in ((False, whitened.X15), (True, whitened.X16), (False, whitened.X7)):
            with self.subTest(f"{taps}, {'lsb' if lsb_first else 'msb'} first"):
                self.folder = self.folder / f"{taps[0]}"
                self.folder.mkdir()
                found = self.check(SHAPE, 8, whitened.register(taps, whitened.page_seed(16), lsb_first), [16, 1, 0], register=taps)
                self.assertEqual(found["whitening"]["register"]["bit_order"], "lsb_first" if lsb_first else "msb_first")
                self.assertEqual(found["whitening"]["repeats_bytes"], 127 if taps == whitened.X7 else None)

    def test_a_register_with_another_seed_on_each_page(self):
        # 25 % of the pages hold compressed data, on which no register can be caught: they stay as they are.
        mix = [(0.25, lambda size, rng: bytes(size)), (0.3, whitened.text), (0.2, whitened.half), (0.25, whitened.compressed)]
        found = self.check(SHAPE, 6, whitened.register(whitened.X16, whitened.address_seed, True), [None] * 3, right=0.65, register=whitened.X16, mix=mix)
        self.assertEqual(found["whitening"]["kind"], "register")
        self.assertEqual(found["whitening"]["register"]["restart_bytes"], 2048)

    def test_a_register_that_starts_anew_within_the_page(self):
        found = self.check(SHAPE, 6, whitened.register(whitened.X23, whitened.address_seed, restart=512), [None] * 3, right=0.55, register=whitened.X23)
        self.assertEqual(found["whitening"]["register"]["restart_bytes"], 512)

    def test_whitened_bytes_of_the_spare_area_are_found(self):
        dump, _ = whitened.dump(SHAPE, 12, whitened.by_page(16), whiten_spare=True)
        found = self.succeed("image", "assess", self.image(dump))
        # The first bytes of the spare area hold zeros and a number, the rest is as good as random.
        self.assertEqual(found["content"], "scrambled")
        self.assertEqual(found["whitening"]["bytes"][0][0], 0)
        covered = sum(length for _, length in found["whitening"]["bytes"])
        self.assertIn(covered, range(2050, 2055))

    def test_page_numbers_in_the_spare_area_are_not_taken_for_whitened(self):
        """A counter comes back like a whitening where the periods have to do with each other, but is none."""
        def counters(number):
            inverted = number ^ 0xFFFFFFFF
            return (b"\xff" * 8 + number.to_bytes(4, "little") + inverted.to_bytes(4, "big") + (2 * number).to_bytes(4, "little") +
                    bytes([number % 64, 255 - number % 64, zlib.crc32(number.to_bytes(4, "little")) & 255, number // 64 & 255, number // 2 & 255])).ljust(64, b"\xff")
        for name, shape, blocks, sequence in (("page", SHAPE, 12, whitened.by_page(32)), ("block", SHAPE, 32, whitened.by_block(8)),
                                              ("both", (2048, 64, 32), 48, whitened.by_both(8, 4)), ("on", SHAPE, 24, whitened.going_on(24, 64)),
                                              ("each", SHAPE, 12, whitened.by_page(64))):
            with self.subTest(name):
                dump, _ = whitened.dump(shape, blocks, sequence, spare_of=counters)
                found = self.succeed("image", "assess", self.image(dump, shape, name), "--to", f"{name}.json")
                self.assertEqual(found["content"], "scrambled")
                self.assertEqual(found["whitening"]["bytes"], [[0, 2048]])
                self.succeed("image", "export", f"{name}-image", "--what", "raw", "--unwhiten", f"{name}.json", "--to", f"{name}.raw")
                out = (self.folder / f"{name}.raw").read_bytes()
                self.assertEqual([out[at + 2048:at + 2112] for at in range(0, len(dump), 2112)], [dump[at + 2048:at + 2112] for at in range(0, len(dump), 2112)])

    @same_code
    def test_every_byte_of_a_whitened_spare_area_is_found(self):
        flag = lambda number: b"\xff" * 4 + bytes([number * 2654435761 >> 16 & 3]) + bytes(59)
        for name, sequence, blocks in (("random", whitened.by_page(16), 12), ("block", whitened.by_block(8), 32),
                                       ("register", whitened.register(whitened.X16, whitened.page_seed(16)), 12)):
            with self.subTest(name):
                found = self.succeed("image", "assess", self.image(whitened.dump(SHAPE, blocks, sequence, whiten_spare=True, spare_of=flag)[0], name=name))
                self.assertEqual(found["content"], "scrambled")
                covered = {at for first, length in found["whitening"]["bytes"] for at in range(first, first + length)}
                self.assertEqual(set(range(2048, 2112)) - covered, set())

    @same_code
    def test_pages_that_are_not_whitened_stay_as_they_are(self):
        of = whitened.by_page(16)
        mixed = lambda block, page, size: bytes(size) if block % 4 == 0 else of(block, page, size)
        dump, plain = whitened.dump(SHAPE, 16, mixed)
        image = self.image(dump)
        found = self.succeed("image", "assess", image, "--to", "key.json")
        self.assertEqual(found["content"], "scrambled")
        _, contents = self.contents(image, "key.json")
        pages = range(0, len(plain), 2048)
        good = sum(contents[at:at + 2048] == plain[at:at + 2048] for at in pages)
        self.assertGreater(good, 0.93 * len(pages))  # all but the compressed pages of the blocks that are not whitened

    def test_beneath_a_code(self):
        """Whitened, then encoded, then read with errors: corrected first, unwhitened when exported."""
        scheme, _, _ = layouts.layouts()["t 8, FF is a codeword"]
        clean = layouts.dump(scheme, 16 * 64, 0, 5, whiten=True, erased=0)
        noisy = bytearray(clean)
        rng = random.Random(8)
        for at in range(0, len(noisy), 2112):
            page = noisy[at:at + 2112]
            layouts.flip(scheme, page, 0.2, rng)
            noisy[at:at + 2112] = page
        (self.folder / "scheme.json").write_text(json.dumps(scheme))
        image = self.image(bytes(noisy), settle=("--ecc", "scheme.json"))
        found = self.succeed("image", "assess", image, "--to", "key.json")
        self.assertEqual((found["content"], found["whitening"]["period_pages"]), ("scrambled", 16))
        self.assertEqual(found["whitening"]["register"]["polynomial"], hex(whitened.polynomial((15, 14))))
        _, contents = self.contents(image, "key.json")
        for number in range(0, 1024, 9):
            data, mask = clean[number * 2112:number * 2112 + 2048], layouts.whitening(number % 16, 2048)
            self.assertEqual(contents[number * 2048:][:2048], bytes(a ^ b for a, b in zip(data, mask)), f"page {number}")

    def test_a_capture_is_assessed_as_well(self):
        dump, _ = whitened.dump(SHAPE, 8, whitened.by_page(8))
        self.image(dump)
        found = self.succeed("image", "assess", "case")
        self.assertEqual((found["kind"], found["content"], found["to"]), ("capture", "scrambled", None))

    def test_people_are_told_in_words(self):
        dump, _ = whitened.dump(SHAPE, 8, whitened.register(whitened.X15, whitened.page_seed(8)))
        image = self.image(dump)
        text = self.run_it("image", "assess", image, "--to", "key.json", "--quiet").text
        for words in ("scrambled", "8 sequences, 8 known", "15 stages", "key.json", "bits a byte before"):
            self.assertIn(words, text)
        text = self.run_it("image", "export", image, "--what", "data", "--to", "out.bin", "--unwhiten", "key.json", "--quiet").text
        self.assertIn("unwhitened", text)


class NotWhitened(Assess):
    def assessed(self, dump, shape=SHAPE, name="case"):
        image = self.image(dump, shape, name)
        found = self.succeed("image", "assess", image, "--to", f"{name}.json")
        self.assertNotEqual(found["content"], "scrambled", found)
        self.assertIsNone(found["whitening"])
        self.assertIsNone(found["to"])
        self.assertFalse((self.folder / f"{name}.json").exists())
        self.assertEqual(found["pages"]["read"], len(dump) // (shape[0] + shape[1]))
        return found

    def of(self, make, shape=SHAPE, blocks=8, erased=0.1, seed=3, name="case"):
        return self.assessed(whitened.dump(shape, blocks, None, [(1, make)], erased, seed=seed)[0], shape, name)

    def test_random_pages_have_no_key(self):
        for seed in range(3 if SANITIZED else 12):
            with self.subTest(seed):
                shape = [(512, 16, 32), (2048, 64, 64), (4096, 224, 64)][seed % 3]
                found = self.of(lambda size, rng: rng.randbytes(size), shape, blocks=8, seed=seed, name=f"case{seed}")
                self.assertEqual(found["content"], "no_key_found")
                self.assertEqual(sum(cancelled for _, _, cancelled in found["cancellation"]["pages"] + found["cancellation"]["blocks"]), 0)
                self.assertGreater(found["linear_complexity"]["pages"]["lowest"], 490)
                self.assertGreater(found["entropy"], 7.99)

    def test_what_no_key_found_does_not_claim(self):
        found = self.of(lambda size, rng: rng.randbytes(size))
        for words in ("seeded by block or page address", "compressed", "cannot tell"):
            self.assertIn(words, found["because"])
        self.assertNotIn("is encrypted", found["because"])

    def test_compressed_pages_have_no_key(self):
        self.assertEqual(self.of(whitened.compressed)["content"], "no_key_found")

    @same_code
    def test_plain_pages_are_plain(self):
        for name, make in (("text", whitened.text), ("records", whitened.records), ("half", whitened.half), ("zero", lambda size, rng: bytes(size)),
                           ("count", lambda size, rng: bytes(i & 255 for i in range(rng.randrange(256), rng.randrange(256) + 2 * size))[:size]),
                           ("fill", lambda size, rng: bytes([rng.randrange(1, 255)]) * size), ("program", self.program)):
            with self.subTest(name):
                self.assertEqual(self.of(make, name=name)["content"], "plain")

    def program(self, size, rng):
        """A piece of the program under test: machine code."""
        if not hasattr(self, "code"):
            self.code = bench.STEADYCELL.read_bytes()[0x10000:0x80000]
        at = rng.randrange(len(self.code) - size)
        return self.code[at:at + size]

    def test_a_volume_written_by_the_kernel_is_plain(self):
        import gzip
        dump = gzip.decompress((bench.DATA / "kernel-nand/fat16-bch4-2k.raw.gz").read_bytes())
        self.assertEqual(self.assessed(dump[:len(dump) // (2112 * 64) * (2112 * 64)])["content"], "plain")

    def test_mixed_plain_pages_are_plain(self):
        self.assertEqual(self.assessed(whitened.dump(SHAPE, 8)[0])["content"], "plain")

    def test_an_erased_chip_is_erased(self):
        found = self.assessed(whitened.dump(SHAPE, 8, erased=1)[0])
        self.assertEqual(found["content"], "erased")
        self.assertIsNone(found["entropy"])

    def test_the_same_random_pages_again_and_again_are_no_whitening(self):
        """They cancel as whitened pages full of zeros would: nobody can tell."""
        pages = [random.Random(i).randbytes(2048) for i in range(16)]
        numbers = iter(range(1 << 20))
        found = self.of(lambda size, rng: pages[next(numbers) % 16], erased=0)
        self.assertEqual(found["content"], "unsure")
        self.assertIn("again and again", found["because"])

    def test_random_pages_that_begin_alike_are_no_whitening(self):
        head = random.Random(1).randbytes(1024)
        self.assertEqual(self.of(lambda size, rng: head + rng.randbytes(size - 1024))["content"], "unsure")

    def test_few_pages_are_too_few(self):
        self.assertEqual(self.of(lambda size, rng: rng.randbytes(size), blocks=1, erased=0.9)["content"], "unsure")

    def test_a_few_plain_pages_among_random_ones_decide_nothing(self):
        mix = [(0.05, whitened.text), (0.95, lambda size, rng: rng.randbytes(size))]
        self.assertEqual(self.assessed(whitened.dump(SHAPE, 8, None, mix)[0])["content"], "unsure")


class Figures(Assess):
    def test_entropy_and_chi_square_are_those_of_ent(self):
        """ent 1.2, a general-purpose program for byte statistics."""
        self.assertTrue(shutil.which("ent"), "the package ent is listed in tests/packages")
        for number, mix in enumerate(([(0.5, whitened.records), (0.5, whitened.compressed)], [(1, whitened.text)], [(1, lambda size, rng: rng.randbytes(size))])):
            with self.subTest(number):
                image = self.image(whitened.dump(SHAPE, 4, None, mix, erased=0)[0], name=f"case{number}")
                found = self.succeed("image", "assess", image)
                self.succeed("image", "export", image, "--what", "data", "--to", f"data{number}")
                told = subprocess.run(["ent", "-t", self.folder / f"data{number}"], capture_output=True, text=True, check=True).stdout.splitlines()
                ent = dict(zip(told[0].split(","), told[1].split(",")))
                self.assertEqual(found["bytes"], int(ent["File-bytes"]))
                self.assertAlmostEqual(found["entropy"], float(ent["Entropy"]), places=5)
                self.assertAlmostEqual(found["chi_square"] / float(ent["Chi-square"]), 1, places=5)

    def test_memory_does_not_grow_with_the_chip(self):
        peaks = []
        for blocks in (64, 512):
            rng = random.Random(1)
            masks = [rng.randbytes(512) for _ in range(8)]
            dump = b"".join(bytes(a ^ b for a, b in zip(masks[n % 8], whitened.text(512, rng) if n % 64 < 8 else bytes(512))) + bytes(16)
                            for n in range(64 * 32)) * (blocks // 64)
            image = self.image(dump, (512, 16, 32), f"case{blocks}")
            process = subprocess.Popen(self.command("image", "assess", image, "--json"), cwd=self.folder, stdout=subprocess.PIPE)
            told = process.stdout.read()
            process.stdout.close()
            _, status, usage = os.wait4(process.pid, 0)
            process.returncode = os.waitstatus_to_exitcode(status)
            self.assertEqual(json.loads(told)["content"], "scrambled")
            peaks.append(usage.ru_maxrss)
        self.assertLess(peaks[1], 1.5 * peaks[0], "eight times the chip")


class Refused(Assess):
    def setUp(self):
        super().setUp()
        dump, _ = whitened.dump((512, 16, 32), 8, whitened.by_page(4))
        self.name = self.image(dump, (512, 16, 32))
        self.succeed("image", "assess", self.name, "--to", "key.json")

    def test_a_key_file_is_never_written_over(self):
        before = (self.folder / "key.json").read_bytes()
        self.assertEqual(self.run_it("image", "assess", self.name, "--to", "key.json", "--quiet").code, 2)
        self.assertEqual((self.folder / "key.json").read_bytes(), before)

    def test_a_key_for_other_pages(self):
        key = json.loads((self.folder / "key.json").read_text())
        for change in ({"page_bytes": 1024}, {"spare_bytes": 32}, {"pages_per_block": 64}):
            (self.folder / "other.json").write_text(json.dumps(key | change))
            said = self.said(self.refuse("e102", 2, "image", "export", self.name, "--what", "data", "--unwhiten", "other.json", "--to", "out.bin"))
            self.assertIn("32 of 512 + 16", said)
        self.assertFalse((self.folder / "out.bin").exists())

    def test_the_key_of_another_chip(self):
        """It would turn contents into noise: a plain image, one under another whitening, one of random pages, and pages a sequence further."""
        key = json.loads((self.folder / "key.json").read_text())
        table = key["table"]
        (self.folder / "further.json").write_text(json.dumps(key | {"table": table | {"sequences": table["sequences"][1:] + table["sequences"][:1]}}))
        shape, random_pages = (512, 16, 32), [(1, lambda size, rng: rng.randbytes(size))]
        images = {"plain": whitened.dump(shape, 8)[0], "other": whitened.dump(shape, 8, lambda block, page, size: random.Random(page % 4).randbytes(size))[0],
                  "random": whitened.dump(shape, 8, None, random_pages)[0]}
        tries = [(self.image(dump, shape, name), "key.json") for name, dump in images.items()] + [(self.name, "further.json")]
        for image, given in tries:
            with self.subTest(image):
                for part in ((), ("--pages", "0-31")):
                    said = self.said(self.refuse("e102", 2, "image", "export", image, "--what", "raw", "--unwhiten", given, "--to", "out.bin", *part))
                    for words in ("written pages", "random-looking", "nothing was written", "image assess", image):
                        self.assertIn(words, said)
                    self.assertFalse((self.folder / "out.bin").exists())

    def test_a_wrong_sequence_beside_right_ones(self):
        key = json.loads((self.folder / "key.json").read_text())
        key["table"]["sequences"][2] = random.Random(1).randbytes(len(key["table"]["sequences"][2]) // 2).hex()
        (self.folder / "one-wrong.json").write_text(json.dumps(key))
        told = self.succeed("image", "export", self.name, "--what", "raw", "--unwhiten", "one-wrong.json", "--to", "out.bin")["unwhitening"]
        self.assertGreater(told["proven"], 0)
        self.assertGreater(told["unproven"], 40)
        before, after = (self.folder / "case.bin").read_bytes(), (self.folder / "out.bin").read_bytes()
        for page in range(2, 256, 4):
            self.assertEqual(before[page * 528:][:528], after[page * 528:][:528], "pages under it stand as they are")
        said = self.run_it("image", "export", self.name, "--what", "raw", "--unwhiten", "one-wrong.json", "--to", "again.bin", "--quiet").text
        self.assertIn("no page here speaks for the key's sequence", said)

    def test_a_damaged_block_is_told_only_when_it_is_exported(self):
        pages = self.folder / self.name / "pages.raw"
        whole = bytearray(pages.read_bytes())
        whole[100] ^= 1
        pages.chmod(0o644)
        pages.write_bytes(whole)
        export = ("image", "export", self.name, "--what", "data", "--unwhiten", "key.json", "--to", "out.bin")
        self.refuse("e504", 7, *export)
        self.succeed(*export, "--pages", "32-63")

    def test_an_erased_image_has_nothing_to_prove_a_key_by_nor_to_spoil(self):
        image = self.image(whitened.dump((512, 16, 32), 8, erased=1)[0], (512, 16, 32), "erased")
        told = self.succeed("image", "export", image, "--what", "data", "--unwhiten", "key.json", "--to", "out.bin")
        self.assertEqual((told["unwhitened"], told["unwhitening"]["erased"]), (0, 256))

    def test_no_key_at_all(self):
        for text in ("", "{}", "[1]", '{"schema": "steadycell-ecc/1"}'):
            (self.folder / "bad.json").write_text(text)
            done = self.run_it("image", "export", self.name, "--what", "data", "--unwhiten", "bad.json", "--to", "out.bin", "--quiet")
            self.assertEqual(done.code, 2, done.err)
            self.assertIn("bad.json", done.err)
        (self.folder / "bad.json").write_text('{"schema": "steadycell-whitening/1", "page_bytes": 20')
        done = self.run_it("image", "export", self.name, "--what", "data", "--unwhiten", "bad.json", "--to", "out.bin", "--quiet")
        self.assertIn("cut off", done.err)
        self.assertIn("image assess --to", done.err)
        self.assertEqual(self.run_it("image", "export", self.name, "--what", "data", "--unwhiten", "nowhere", "--to", "out.bin", "--quiet").code, 2)
        (self.folder / "empty").mkdir()
        for folder in ("empty", "nowhere"):
            self.assertNotEqual(self.run_it("image", "assess", folder, "--quiet").code, 0)


if __name__ == "__main__":
    bench.main()
