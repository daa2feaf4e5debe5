"""`ecc find` and `ecc check` on pages of an independent encoder (layouts.py), and on pages without any code."""
import json
import os
import unittest

import bench
import layouts

SANITIZED = bool(os.environ.get("STEADYCELL_SANITIZED"))


class Find(bench.BenchTest):
    def imported(self, name, dump, page, spare):
        (self.folder / f"{name}.bin").write_bytes(dump)
        raw = page + spare
        done = self.run_it("capture", "import", f"{name}.bin", "--page-bytes", page, "--spare-bytes", spare, "--pages-per-block", min(32, len(dump) // raw),
                           "--into", name, "--quiet")
        self.assertEqual(done.code, 0, done.err)
        return name

    def find(self, name, *more):
        done = self.run_it("ecc", "find", name, "--json", "--quiet", *more, timeout=600)
        self.assertEqual(done.code, 0, done.err)
        return done.json

    def test_the_encoder_agrees_with_published_values(self):
        layouts.check()

    def test_every_layout_is_found(self):
        for number, (name, (scheme, share, whiten)) in enumerate(layouts.layouts().items()):
            if SANITIZED and scheme["page_bytes"] > 4096:
                continue
            with self.subTest(name):
                large = scheme["page_bytes"] > 4096
                dump = layouts.dump(scheme, 32 if large else 96, share, number, whiten)
                capture = self.imported(f"case{number}", dump, scheme["page_bytes"], scheme["spare_bytes"])
                found = self.find(capture, "--to", f"scheme{number}.json")
                self.assertEqual(found["scheme"], scheme)
                self.assertEqual(json.loads((self.folder / f"scheme{number}.json").read_text()), scheme)
                self.assertLess(found["odds"], 1e-12)
                self.assertLessEqual(found["pages_explained"], found["pages_tried"])
                # What was found decodes: ecc check agrees with the number of errors that were put in.
                checked = self.run_it("ecc", "check", capture, "--scheme", f"scheme{number}.json", "--json", "--quiet")
                self.assertEqual(checked.code, 0, checked.err)
                self.assertEqual(checked.json["clean"] + checked.json["corrected"] + checked.json["failed"], checked.json["codewords"])
                self.assertEqual(sum(checked.json["histogram"]), checked.json["clean"] + checked.json["corrected"])

    def test_no_code_is_told_as_none(self):
        tried = layouts.negatives()
        self.assertGreaterEqual(len(tried), 20)
        for number, (kind, page, spare) in enumerate(tried):
            if SANITIZED and page > 512:
                continue
            with self.subTest(f"{kind} {page}+{spare}"):
                dump = layouts.without_code(kind, page, spare, 64, number)
                capture = self.imported(f"none{number}", dump, page, spare)
                found = self.find(capture, "--to", f"none{number}.json")
                self.assertIsNone(found["scheme"])
                self.assertEqual(found["pages_explained"], 0)
                self.assertIsNone(found["odds"])
                self.assertFalse((self.folder / f"none{number}.json").exists(), "nothing is written where nothing was found")

    def test_equal_pages_are_said_to_tell_nothing(self):
        page = os.urandom(2048 + 64)
        found = self.find(self.imported("equal", page * 32, 2048, 64))
        self.assertIsNone(found["scheme"])
        self.assertIn("all hold the same bytes", found["notes"][0])

    def test_three_passes_of_a_noisy_chip_are_voted_first(self):
        scheme, _, _ = layouts.layouts()["t 8, FF is a codeword"]
        passes = []
        for number in range(3):  # the same pages; each pass with errors of its own, beyond what one pass could bear
            rng = layouts.random.Random(100 + number)
            clean = bytearray(layouts.dump(scheme, 64, 0, 9))
            raw = scheme["page_bytes"] + scheme["spare_bytes"]
            for at in range(0, len(clean), raw):
                page = bytearray(clean[at:at + raw])
                layouts.flip(scheme, page, 1.5, rng)
                clean[at:at + raw] = page
            (self.folder / f"pass{number}.bin").write_bytes(clean)
            passes.append(f"pass{number}.bin")
        done = self.run_it("capture", "import", *passes, "--page-bytes", 2048, "--spare-bytes", 64, "--pages-per-block", 32, "--into", "case", "--quiet")
        self.assertEqual(done.code, 0, done.err)
        self.assertEqual(self.find("case")["scheme"], scheme)


class Check(bench.BenchTest):
    def setUp(self):
        super().setUp()
        self.scheme, _, _ = layouts.layouts()["t 4 at the end"]
        (self.folder / "scheme.json").write_text(json.dumps(self.scheme))

    def capture(self, flips):
        """32 pages; `flips`[page, step] bits are wrong in a step."""
        dump = bytearray(layouts.dump(self.scheme, 32, 0, 3, erased=0))
        for (page, step), bits in flips.items():
            for bit in range(bits):
                dump[page * 2112 + step * 512 + 7 * bit] ^= 1 << bit
        (self.folder / "pass.bin").write_bytes(dump)
        done = self.run_it("capture", "import", "pass.bin", "--page-bytes", 2048, "--spare-bytes", 64, "--pages-per-block", 32, "--into", "case", "--quiet")
        self.assertEqual(done.code, 0, done.err)

    def test_counts_are_those_of_the_flips(self):
        self.capture({(0, 0): 1, (0, 1): 2, (5, 3): 4, (9, 2): 5})
        found = self.run_it("ecc", "check", "case", "--scheme", "scheme.json", "--json", "--quiet").json
        self.assertEqual([found[key] for key in ("codewords", "clean", "corrected", "failed", "corrected_bits", "erased")], [128, 124, 3, 1, 7, 0])
        self.assertEqual(found["histogram"], [124, 1, 1, 0, 1])
        self.assertAlmostEqual(found["raw_error_rate"], 7 / (127 * 4148))
        self.assertEqual(sum(found["verdicts"].values()), 32)
        self.assertGreaterEqual(found["verdicts"]["doubtful"], 1)

    def test_an_image_brings_its_own_scheme(self):
        self.capture({(0, 0): 1})
        done = self.run_it("capture", "settle", "case", "--image", "image", "--ecc", "scheme.json", "--quiet")
        self.assertIn(done.code, (0, 3), done.err)
        found = self.run_it("ecc", "check", "image", "--json", "--quiet").json
        self.assertEqual((found["clean"], found["corrected"], found["failed"]), (128, 0, 0), "the image is corrected")
        self.assertEqual(found["kind"], "image")
        text = self.run_it("ecc", "check", "image", "--quiet").text
        self.assertIn("128", text)

    def test_refused_with_a_reason(self):
        self.capture({})
        self.refuse("e101", 2, "ecc", "check", "case")  # a capture has no scheme of its own
        (self.folder / "other.json").write_text(json.dumps(self.scheme | {"page_bytes": 4096}))
        self.assertNotEqual(self.run_it("ecc", "check", "case", "--scheme", "other.json", "--quiet").code, 0)
        (self.folder / "empty").mkdir()
        for arguments in (("ecc", "check", "empty", "--scheme", "scheme.json"), ("ecc", "find", "empty"), ("ecc", "find", "nowhere")):
            done = self.run_it(*arguments, "--quiet")
            self.assertNotEqual(done.code, 0)
            self.assertTrue(done.err.startswith("e"), done.err)
        # A scheme file is never written over.
        self.assertEqual(self.run_it("ecc", "find", "case", "--to", "scheme.json", "--quiet").code, 2)


if __name__ == "__main__":
    bench.main()
