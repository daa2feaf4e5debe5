"""Captures, images, schemes and passes that are not what they should be: told, and nothing lost."""
import json

import bench
from bench import BLOCKS, DATA, PAGE, PAGES_PER_BLOCK, RAW, SPARE, random_pages

PAGES = BLOCKS * PAGES_PER_BLOCK


class WithImage(bench.BenchTest):
    def setUp(self):
        super().setUp()
        self.content = random_pages(PAGES)
        self.settled(self.content)
        self.before = self.snapshot("image")

    def untouched(self):
        self.assertEqual(self.snapshot("image"), self.before)

    def damage(self, name, at, bit=1, folder="image"):
        path = self.folder / folder / name
        data = bytearray(path.read_bytes())
        data[at] ^= bit
        path.write_bytes(data)


class Image(WithImage):
    def test_flipped_bit_names_its_pages(self):
        self.damage("pages.raw", 50 * RAW + 17)
        found = self.refuse("e504", 7, "image", "verify", "image")
        self.assertIn("pages.raw", self.said(found))
        # The grain of the recorded hashes is the block; page 50 lies in block 1, pages 32 to 63.
        self.assertRegex(self.said(found), r"32\D+63")
        # A damaged block is not handed over as if it were good, the rest is.
        self.refuse("e504", 7, "image", "export", "image", "--what", "raw", "--to", "all.bin")
        self.assertFalse((self.folder / "all.bin").exists())
        self.succeed("image", "export", "image", "--what", "raw", "--pages", "64-95", "--to", "good.bin")
        self.assertEqual((self.folder / "good.bin").read_bytes(), self.content[64 * RAW:96 * RAW])

    def test_truncated_pages(self):
        (self.folder / "image/pages.raw").write_bytes(self.content[:100 * RAW])
        self.assertIn("pages.raw", self.said(self.refuse("e504", 7, "image", "verify", "image")))
        self.assertEqual(self.run_it("image", "export", "image", "--what", "raw", "--to", "all.bin", "--json").code, 7)
        self.assertFalse((self.folder / "all.bin").exists())

    def test_verdicts_that_were_edited(self):
        path = self.folder / "image/verdicts.csv"
        path.write_text(path.read_text().replace("steady", "doubtful", 1))
        self.assertIn("verdicts.csv", self.said(self.refuse("e504", 7, "image", "verify", "image")))
        self.assertEqual(self.run_it("image", "show", "image", "--json").code, 7)

    def test_missing_file(self):
        (self.folder / "image/margins.bin").unlink()
        self.assertIn("margins.bin", self.said(self.refuse("e504", 7, "image", "verify", "image")))

    def test_F39_manifest_of_garbage(self):
        (self.folder / "image/manifest.json").write_bytes(b"{ \xff")
        for command in (("show",), ("verify",), ("export", "--what", "raw", "--to", "x")):
            done = self.run_it("image", command[0], "image", *command[1:], "--json")
            self.assertIn(done.code, (2, 7), done.text)
            self.assertIn("manifest.json", self.said(self.only_object(done)["error"]))
        self.assertFalse((self.folder / "x").exists())

    def test_F39_manifest_of_a_newer_program(self):
        path = self.folder / "image/manifest.json"
        path.write_text(path.read_text().replace("steadycell-image/1", "steadycell-image/2"))
        self.refuse("e106", 2, "image", "show", "image")

    def test_never_overwritten(self):
        self.refuse("e103", 2, "capture", "settle", "capture", "--image", "image")
        (self.folder / "kept.bin").write_bytes(b"kept")
        self.refuse("e103", 2, "image", "export", "image", "--what", "raw", "--to", "kept.bin")
        self.assertEqual((self.folder / "kept.bin").read_bytes(), b"kept")
        self.untouched()

    def test_pages_outside(self):
        found = self.refuse("e101", 2, "image", "export", "image", "--what", "raw", "--pages", f"0-{PAGES}", "--to", "x")
        self.assertIn(f"page {PAGES} is not in the image", found["what"])
        self.assertIn(f"pages 0-{PAGES - 1}", found["next"])
        self.refuse("e101", 2, "image", "export", "image", "--what", "raw", "--pages", "9-3", "--to", "x")
        self.assertFalse((self.folder / "x").exists())

    def test_not_an_image(self):
        self.refuse("e505", 2, "image", "show", "nowhere")
        for command in ("show", "verify"):
            found = self.refuse("e101", 2, "image", command, "capture")
            self.assertIn("capture is a capture", found["what"])
            self.assertIn("steadycell capture settle capture --image", found["next"])

    def test_not_a_capture(self):
        found = self.refuse("e101", 2, "capture", "settle", "image", "--image", "again")
        self.assertIn("image is an image", found["what"])
        self.refuse("e505", 2, "capture", "settle", "nowhere", "--image", "again")


class Capture(bench.BenchTest):
    def setUp(self):
        super().setUp()
        self.content = random_pages(PAGES)
        self.board = self.fixture(content=self.content)
        self.read(self.board)

    def test_F38_damage_inside_the_journal_is_told_and_the_rest_kept(self):
        path = self.folder / "capture/journal"
        data = bytearray(path.read_bytes())
        data[len(data) // 2] ^= 0x10
        path.write_bytes(data)
        done = self.run_it("capture", "settle", "capture", "--image", "image", "--json")
        if done.code == 7:
            self.assertEqual(self.only_object(done)["error"]["code"], "e503")
            self.assertFalse((self.folder / "image").exists())
        else:
            self.assertIn(done.code, (0, 3))
            self.assertTrue(any("journal" in note for note in done.json["notes"]), done.text)
        self.assertEqual(path.read_bytes(), bytes(data), "settling never mends what it reads")

    def test_F38_torn_tail_of_the_journal_is_its_end(self):
        path = self.folder / "capture/journal"
        path.write_bytes(path.read_bytes()[:-5])
        self.assertEqual(self.read(self.board, passes=3)["units_held"] // BLOCKS, 2)
        self.succeed("capture", "settle", "capture", "--image", "image")
        self.assertEqual((self.folder / "image/pages.raw").read_bytes(), self.content)

    def test_damaged_pass_is_not_voted_with(self):
        path = self.folder / "capture/pass-0001.dat"
        data = bytearray(path.read_bytes())
        data[len(data) // 2] ^= 1
        path.write_bytes(data)
        done = self.run_it("capture", "settle", "capture", "--image", "image", "--json")
        self.assertIn(done.code, (3, 7), done.text)
        if done.code == 7:
            self.assertIn("pass-0001.dat", self.said(self.only_object(done)["error"]))
        else:
            self.assertGreater(done.json["verdicts"]["doubtful"] + done.json["verdicts"]["unread"], 0)

    def test_not_a_capture(self):
        (self.folder / "folder").mkdir()
        (self.folder / "folder/letter.txt").write_text("dear client")
        for folder in ("nowhere", "folder"):
            self.refuse("e505", 2, "capture", "settle", folder, "--image", "image")
        done = self.run_it("chip", "read", "--board", self.board, *bench.CONSENT, "--passes", "1", "--blocks", "0-0", "--into", "folder", "--json")
        self.assertEqual(done.code, 2, done.text)
        self.assertEqual([path.name for path in (self.folder / "folder").iterdir()], ["letter.txt"])
        self.assertFalse((self.folder / "image").exists())

    def test_capture_head_of_garbage(self):
        (self.folder / "capture/capture.json").write_text("[]")
        done = self.run_it("capture", "settle", "capture", "--image", "image", "--json")
        self.assertIn(done.code, (2, 7))
        self.assertIn("capture.json", self.said(self.only_object(done)["error"]))

    def scheme(self, **changes):
        value = json.loads((DATA / "schemes/hamming-512.json").read_text()) | changes
        (self.folder / "scheme.json").write_text(json.dumps(value))
        return self.run_it("capture", "settle", "capture", "--image", "image", "--ecc", "scheme.json", "--json")

    def test_wrong_schemes(self):
        for name, changes, word in [("unknown key", {"sparkle": 1}, "sparkle"), ("another code", {"code": "magic"}, "code"),
                                    ("newer schema", {"schema": "steadycell-ecc/9"}, "steadycell-ecc/9"),
                                    ("another page", {"page_bytes": 2048, "spare_bytes": 64}, "2048"),
                                    ("beyond the page", {"steps": [{"data": [[0, 256]], "code": [[5000, 3]]}]}, "5000"),
                                    ("no steps", {"steps": []}, "steps")]:
            with self.subTest(name):
                done = self.scheme(**changes)
                self.assertEqual(done.code, 2, done.text)
                self.assertIn(word, self.said(self.only_object(done)["error"]))
                self.assertFalse((self.folder / "image").exists())

    def test_scheme_that_is_none(self):
        (self.folder / "text").write_text("not a scheme")
        self.refuse("e102", 2, "capture", "settle", "capture", "--image", "image", "--ecc", "text")
        self.refuse("e505", 2, "capture", "settle", "capture", "--image", "image", "--ecc", "nowhere")

    def test_right_scheme_on_cells_it_was_not_written_with_confirms_nothing(self):
        done = self.scheme()
        self.assertEqual(done.code, 3, done.text)
        self.assertEqual(done.json["verdicts"]["confirmed"] + done.json["verdicts"]["corrected"], 0)


class Import(bench.BenchTest):
    def bring(self, *names):
        return ("capture", "import", *names, "--page-bytes", PAGE, "--spare-bytes", SPARE, "--pages-per-block", PAGES_PER_BLOCK, "--into", "capture")

    def setUp(self):
        super().setUp()
        whole = random_pages(PAGES)
        for name, data in (("a", whole), ("b", whole), ("short", whole[:-RAW]), ("odd", whole[:-1]), ("empty", b"")):
            (self.folder / name).write_bytes(data)

    def test_wrong_sizes(self):
        for names, word in ((("a", "short"), "short"), (("odd",), "odd"), (("a", "odd"), "odd"), (("empty",), "empty")):
            with self.subTest(names=names):
                self.assertIn(word, self.said(self.refuse("e102", 2, *self.bring(*names))))
                self.assertFalse((self.folder / "capture").exists())
        self.refuse("e505", 2, *self.bring("a", "nowhere"))

    def test_other_bytes_into_the_same_capture(self):
        self.succeed(*self.bring("a", "b"))
        (self.folder / "b").write_bytes(random_pages(PAGES, seed=2))
        self.refuse("e105", 7, *self.bring("a", "b"))
        self.succeed("capture", "settle", "capture", "--image", "image")


class Words(bench.BenchTest):
    def test_a_missing_schema_is_named(self):
        (self.folder / "image").mkdir()
        (self.folder / "image/manifest.json").write_text('{"uuid": "x"}')
        self.assertIn('key "schema" is missing', self.refuse("e102", 2, "image", "show", "image")["what"])

    def test_a_wrong_fixture_is_told_with_its_next_step_once(self):
        (self.folder / "empty.json").write_text("{}")
        done = self.run_it("socket", "check", "--board", "sim:empty.json")
        self.assertEqual((done.code, done.err.count("check the file named in the message")), (2, 1), done.err)
        self.assertIn('key "schema" is missing', done.err)

    def test_a_link_is_told_with_the_way_round_it(self):
        (self.folder / "image").mkdir()
        (self.folder / "there.json").write_text("{}")
        (self.folder / "image/manifest.json").symlink_to("../there.json")
        found = self.refuse("e104", 2, "image", "show", "image")
        self.assertIn("path that the link leads to", found["next"])


if __name__ == "__main__":
    bench.main()
