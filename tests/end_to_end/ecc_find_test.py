"""`ecc find` and `ecc check` on pages of an independent encoder (layouts.py), and on pages without any code."""
import json
import os
import unittest

import bench
import layouts

SANITIZED = bool(os.environ.get("STEADYCELL_SANITIZED"))
LONG = bool(os.environ.get("STEADYCELL_LONG"))
# Each searched for half a minute; tests/run --long has them.
SLOW = {"t 40 in chunks with metadata", "t 24, metadata packed", "t 24, metadata first in the codeword"}


def assumed(found):
    """(byte, step) of what the answer calls unproven."""
    return sorted((at, step) for entry in found["unproven"] for at in range(entry["offset"], entry["offset"] + entry["length"]) for step in entry["steps"])


def constant_metadata(scheme):
    """(byte, step) of what layouts.counting() never changes: all metadata of a step but two bytes."""
    return sorted((at + i, number) for number, step in enumerate(scheme["steps"]) for at, length in step.get("metadata", []) for i in range(2, length))


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
        self.assertLessEqual(SLOW, set(layouts.layouts()))
        for number, (name, (scheme, share, whiten)) in enumerate(layouts.layouts().items()):
            if SANITIZED and scheme["page_bytes"] > 4096 or name in SLOW and not LONG:
                continue
            with self.subTest(name):
                large = scheme["page_bytes"] > 4096
                dump = layouts.dump(scheme, 32 if large else 96, share, number, whiten)
                capture = self.imported(f"case{number}", dump, scheme["page_bytes"], scheme["spare_bytes"])
                found = self.find(capture, "--to", f"scheme{number}.json")
                self.assertEqual(found["scheme"], scheme)
                self.assertEqual(assumed(found), constant_metadata(scheme))
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
                self.assertEqual(found["unproven"], [])
                if found["hypotheses"]:  # what was tried is named
                    codes = {entry["code"] for entry in found["tried"]}
                    self.assertLessEqual(codes, {"bch", "hamming", "reed_solomon"})
                    self.assertIn("bch", codes)
                    self.assertTrue(all(entry["places"] and entry["bit_orders"] and entry["step_bytes"] <= page for entry in found["tried"]))

    def test_nothing_found_names_in_words_what_was_tried(self):
        capture = self.imported("none", layouts.without_code("random", 512, 16, 32, 1), 512, 16)
        text = self.run_it("ecc", "find", capture, "--quiet").text
        self.assertIn("bch, steps of 512, m 13, 0x201b, 0x25af: in spare, metadata apart", text.replace("in chunks, ", ""))
        self.assertIn("reed_solomon, steps of 512, m 10", text)

    def test_metadata_that_never_change_are_called_assumed(self):
        scheme = layouts.scheme(2048, 64, layouts.in_spare(2048, 64, 512, 13, 12, metadata=(2, 4)), **layouts.bch_scheme(13, 8, "0x201b"))
        dump = layouts.dump(scheme, 64, 0.25, 5, metadata=lambda number, step, length: b"\x11\x22\x33\x44"[:length])
        found = self.find(self.imported("case", dump, 2048, 64))
        steps = found["scheme"]["steps"]
        # The shift between data and code proves that four bytes stand there, and nothing which.
        self.assertEqual([step["code"] for step in steps], [step["code"] for step in scheme["steps"]])
        taken = sorted((at + i, number) for number, step in enumerate(steps) for at, length in step["metadata"] for i in range(length))
        self.assertEqual(assumed(found), taken)
        self.assertEqual({entry["why"] for entry in found["unproven"]}, {"constant"})
        self.assertTrue(any("assumed, not proven" in note for note in found["notes"]), found["notes"])
        self.assertIn("assumed", self.run_it("ecc", "find", "case", "--quiet").text)

    def test_equal_metadata_in_all_steps_leave_their_place_open(self):
        scheme = layouts.scheme(2048, 64, layouts.in_spare(2048, 64, 512, 13, 12, metadata=(1, 2), packed=True), **layouts.bch_scheme(13, 8, "0x201b"))
        dump = layouts.dump(scheme, 64, 0, 5, metadata=lambda number, step, length: layouts.counting(number, 0, length))
        found = self.find(self.imported("case", dump, 2048, 64))
        self.assertIsNotNone(found["scheme"])
        self.assertEqual({entry["why"] for entry in found["unproven"]}, {"elsewhere"})
        self.assertTrue({1, 2, 3} <= {step for entry in found["unproven"] for step in entry["steps"]}, found["unproven"])

    def test_a_step_that_does_not_decode_is_not_carried_by_the_others(self):
        """One step holds no codewords: the scheme of the others is not the scheme of the page."""
        scheme = layouts.scheme(1024, 32, layouts.in_spare(1024, 32, 512, 13, 4), **layouts.bch_scheme(13, 8, "0x201b"))
        for broken in (0, 1):
            rng, raw = layouts.random.Random(broken), 1056
            dump = bytearray(layouts.dump(scheme, 64, 0, 7, erased=0))
            for at in range(0, len(dump), raw):
                place, length = scheme["steps"][broken]["code"][0]
                dump[at + place:at + place + length] = rng.randbytes(length)
            found = self.find(self.imported(f"broken{broken}", dump, 1024, 32), "--to", f"broken{broken}.json")
            self.assertIsNone(found["scheme"])
            self.assertFalse((self.folder / f"broken{broken}.json").exists())

    def test_an_interrupted_search_promises_nothing(self):
        capture = self.imported("case", layouts.without_code("random", 4096, 224, 64, 1), 4096, 224)  # long enough to be stopped
        process = bench.subprocess.Popen(self.command("ecc", "find", capture), cwd=self.folder, stderr=bench.subprocess.PIPE, stdout=bench.subprocess.PIPE)
        for line in iter(lambda: process.stderr.read1(4096), b""):
            if b"searching" in line:
                break
        process.send_signal(bench.signal.SIGINT)
        _, err = process.communicate(timeout=60)
        self.assertEqual(process.returncode, 130)
        self.assertIn(b"starts anew", err)
        self.assertNotIn(b"go on", err)

    def test_equal_pages_are_said_to_tell_nothing_and_nothing_is_searched(self):
        rng = layouts.random.Random(4)
        page, noisy = rng.randbytes(2048 + 64), bytearray(2112 * 32)
        for _ in range(500):
            noisy[rng.randrange(len(noisy))] |= 1 << rng.randrange(8)
        for name, dump in (("equal", page * 32), ("zero", bytes(2112 * 32)), ("noisy", noisy)):
            found = self.find(self.imported(name, dump, 2048, 64))
            self.assertEqual((found["scheme"], found["hypotheses"], found["tried"]), (None, 0, []), name)
            self.assertIn("all hold the same bytes", found["notes"][0])
            self.assertIn("more varied pages", found["notes"][0])

    def test_pages_without_a_word_on_them_are_said_to_be_missing(self):
        for name, dump, words in (("erased", b"\xff" * 2112 * 32, "no page is written"), ("few", os.urandom(2112), "one written page is too few")):
            found = self.find(self.imported(name, dump, 2048, 64))
            self.assertIsNone(found["scheme"])
            self.assertIn(words, found["notes"][0])
            self.assertIn("at least 8 written pages", found["notes"][0])
        self.assertIn("tried on         1 written page, 0 erased ones beside", self.run_it("ecc", "find", "few", "--quiet").text)

    def test_the_text_tells_every_order_of_a_hamming_code(self):
        scheme, share, whiten = layouts.layouts()["hamming on 512 bytes, low lines first"]
        text = self.run_it("ecc", "find", self.imported("case", layouts.dump(scheme, 96, share, 1, whiten), 2048, 64), "--quiet").text
        self.assertIn("hamming, low_line_first, msb_first", text)

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

    def test_noisy_erased_pages_are_counted_apart(self):
        dump = bytearray(layouts.dump(self.scheme, 24, 0, 3, erased=0)) + b"\xff" * 2112 * 8
        for page in (24, 25, 31):  # three erased pages with zeros in them, five in all
            dump[page * 2112 + 5] ^= 1
        dump[31 * 2112 + 600] ^= 0x81
        (self.folder / "pass.bin").write_bytes(dump)
        self.run_it("capture", "import", "pass.bin", "--page-bytes", 2048, "--spare-bytes", 64, "--pages-per-block", 32, "--into", "case", "--quiet")
        found = self.run_it("ecc", "check", "case", "--scheme", "scheme.json", "--json", "--quiet").json
        self.assertEqual([found[key] for key in ("codewords", "clean", "corrected", "erased", "erased_pages", "erased_bits")], [96, 96, 0, 32, 8, 5])
        self.assertEqual(found["erased_verdicts"], found["erased_verdicts"] | {"confirmed": 5, "corrected": 3, "doubtful": 0})
        self.assertFalse(found["explains_nothing"])
        text = self.run_it("ecc", "check", "case", "--scheme", "scheme.json", "--quiet").text
        self.assertIn("8, apart from the above: 5 all FF, 3 with zeros (5 bits in all)", text)
        self.assertNotRegex(text, r"(?m)^  corrected\b")

    def test_a_scheme_that_explains_nothing_is_said_to(self):
        self.capture({(0, 0): 1})
        # t 1 in another field: about half of all words decode by chance.
        wrong = layouts.scheme(2048, 64, layouts.in_spare(2048, 64, 512, 2, 36), **layouts.bch_scheme(13, 1, "0x25af"))
        (self.folder / "wrong.json").write_text(json.dumps(wrong))
        found = self.run_it("ecc", "check", "case", "--scheme", "wrong.json", "--json", "--quiet").json
        self.assertGreater(found["clean"] + found["corrected"], 30)
        self.assertTrue(found["explains_nothing"])
        self.assertIn("by chance", found["because"])
        self.assertFalse(any("meet the bound" in note for note in found["notes"]), found["notes"])
        text = self.run_it("ecc", "check", "case", "--scheme", "wrong.json", "--quiet").text
        self.assertRegex(text.splitlines()[1], "^explains +nothing: ")
        self.assertNotIn("within the stated odds", text)
        right = self.run_it("ecc", "check", "case", "--scheme", "scheme.json", "--json", "--quiet").json
        self.assertFalse(right["explains_nothing"])
        self.assertIsNone(right["because"])
        self.assertIn("meet the bound", right["notes"][0])

    def test_erased_pages_tell_nothing_about_a_scheme(self):
        (self.folder / "pass.bin").write_bytes(b"\xff" * 2112 * 32)
        self.run_it("capture", "import", "pass.bin", "--page-bytes", 2048, "--spare-bytes", 64, "--pages-per-block", 32, "--into", "case", "--quiet")
        found = self.run_it("ecc", "check", "case", "--scheme", "scheme.json", "--json", "--quiet").json
        self.assertEqual((found["codewords"], found["erased_pages"]), (0, 32))
        self.assertTrue(found["explains_nothing"])
        self.assertIn("nothing is written", found["because"])
        self.assertEqual(found["notes"], [], "no page was judged by the code")
        self.assertRegex(self.run_it("ecc", "check", "case", "--scheme", "scheme.json", "--quiet").text.splitlines()[1],
                         "^explains +nothing: nothing is written")

    def test_pages_of_zeros_are_no_evidence(self):
        """Zeros throughout are a codeword of every linear code without a mask."""
        (self.folder / "pass.bin").write_bytes(bytes(2112) * 32)
        self.run_it("capture", "import", "pass.bin", "--page-bytes", 2048, "--spare-bytes", 64, "--pages-per-block", 32, "--into", "case", "--quiet")
        found = self.run_it("ecc", "check", "case", "--scheme", "scheme.json", "--json", "--quiet").json
        self.assertEqual((found["clean"], found["evidence"]), (128, {"codewords": 0, "decoded": 0}))
        self.assertTrue(found["explains_nothing"])

    def test_a_cut_off_scheme_is_called_that(self):
        self.capture({})
        whole = (self.folder / "scheme.json").read_text()
        for text, word in ((whole[:len(whole) // 2], "cut off"), ("", "before it begins"), ("{]", "JSON")):
            (self.folder / "cut.json").write_text(text)
            done = self.run_it("ecc", "check", "case", "--scheme", "cut.json", "--quiet")
            self.assertEqual(done.code, 2)
            self.assertIn(word, done.err)
            self.assertIn("cut.json", done.err)
            self.assertIn("ecc find --to", done.err)

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
