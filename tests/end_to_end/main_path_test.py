"""The main path, command by command: identify, read, settle, show, verify, export, against the chip's true content."""
import gzip
import hashlib
import json
import os
import subprocess
import sys
from pathlib import Path

import bench
from bench import BLOCKS, CONSENT, DATA, PAGE, PAGES_PER_BLOCK, RAW, SMALL, TESTS, WEAK, random_pages

PAGES = BLOCKS * PAGES_PER_BLOCK
VERDICTS = {"confirmed", "corrected", "steady", "doubtful", "unread"}


def column(raw, page_bytes, spare_bytes, what):
    step = page_bytes + spare_bytes
    cut = slice(0, page_bytes) if what == "data" else slice(page_bytes, step)
    return b"".join(raw[at:at + step][cut] for at in range(0, len(raw), step))


class Identify(bench.BenchTest):
    def test_small_page_chip_by_its_id(self):
        found = self.succeed("chip", "identify", "--board", self.fixture(), *CONSENT)
        # Data sheets of 512-byte-page parts: device code 76h is 64 MiB x8, 32 pages a block.
        expected = {"maker": "Samsung", "page_bytes": 512, "spare_bytes": 16, "pages_per_block": 32, "blocks": 4096,
                    "total_bytes": 64 << 20, "bus_bits": 8, "supply_mV": 3300}
        self.assertEqual({key: found[key] for key in expected}, expected)
        self.assertTrue(found["source"])
        self.assertEqual(len(found["targets"]), 1)

    def test_large_page_chip_by_its_id(self):
        target = {"id_bytes": "98 D1 90 15 76 14 01 00",
                  "geometry": {"page_bytes": 2048, "spare_bytes": 64, "pages_per_block": 64, "blocks": 2, "row_cycles": 2}}
        found = self.succeed("chip", "identify", "--board", self.fixture(target=target), *CONSENT)
        # Linux kernel, drivers/mtd/nand/raw/nand_ids.c, row TC58NVG0S3E.
        expected = {"page_bytes": 2048, "spare_bytes": 64, "pages_per_block": 64, "blocks": 1024, "total_bytes": 128 << 20,
                    "bus_bits": 8}
        self.assertEqual({key: found[key] for key in expected}, expected)
        self.assertEqual(found["ecc_need"], {"bits": 1, "per_bytes": 512})

    def test_two_chip_enables(self):
        # Two enables of one package: total_bytes speaks of one target.
        found = self.succeed("chip", "identify", "--board", self.fixture(targets=[SMALL, SMALL]), *CONSENT)
        self.assertEqual([target["target"] for target in found["targets"]], [0, 1])
        self.assertEqual(found["total_bytes"], 64 << 20)

    def test_low_voltage_chip_never_sees_more(self):
        # Kernel nand_ids.c: A1h is 128 MiB x8 at 1.8 V. No word of the user is needed.
        target = {"id_bytes": "EC A1 80 15 40",
                  "geometry": {"page_bytes": 2048, "spare_bytes": 64, "pages_per_block": 64, "blocks": 2, "row_cycles": 2}}
        found = self.succeed("chip", "identify", "--board", self.fixture(target=target, supply_mV=1800))
        self.assertEqual((found["supply_mV"], found["total_bytes"]), (1800, 128 << 20))

    def test_a_person_reads_plain_lines(self):
        done = self.run_it("chip", "identify", "--board", self.fixture(), *CONSENT)
        self.assertEqual((done.code, done.err), (0, ""))
        for word in ("Samsung", "EC 76", "512", "64 MiB"):
            self.assertIn(word, done.text)
        self.assertNotIn("\x1b", done.text)


class Decode(bench.BenchTest):
    def test_the_same_keys_without_a_board(self):
        found = self.succeed("chip", "decode", "--id", "98 D1 90 15 76 14 01 00")
        for key in ("maker", "page_bytes", "spare_bytes", "pages_per_block", "blocks", "total_bytes", "bus_bits", "source"):
            self.assertIn(key, found)
        self.assertEqual((found["page_bytes"], found["total_bytes"]), (2048, 128 << 20))

    def test_parameter_page_from_a_file(self):
        text = (DATA / "onfi-pages/H27U2G8F2CTR-BC.hex").read_text()
        page = bytes.fromhex("".join(line for line in text.splitlines() if not line.startswith("#")))
        (self.folder / "page.bin").write_bytes(page * 3)
        found = self.succeed("chip", "decode", "--parameter-page", "page.bin")
        expected = {"page_bytes": 2048, "spare_bytes": 64, "pages_per_block": 64, "blocks": 2048, "total_bytes": 256 << 20, "bus_bits": 8}
        self.assertEqual({key: found[key] for key in expected}, expected)


class PerfectCells(bench.BenchTest):
    """Perfect cells: what comes out must be the fixture's content to the byte."""

    def setUp(self):
        super().setUp()
        self.content = random_pages(PAGES)
        self.board = self.fixture(content=self.content)

    def test_read_goes_on_and_counts(self):
        first = self.read(self.board, passes=2)
        self.assertEqual((first["units_read"], first["units_held"], first["bytes"]), (2 * BLOCKS, 0, 2 * len(self.content)))
        self.assertEqual((first["first_block"], first["last_block"], first["pages_not_transferred"]), (0, BLOCKS - 1, 0))
        second = self.read(self.board, passes=5)
        self.assertEqual((second["units_read"], second["units_held"]), (3 * BLOCKS, 2 * BLOCKS))
        self.assertEqual(second["uuid"], first["uuid"])
        third = self.read(self.board, passes=5)
        self.assertEqual((third["units_read"], third["units_held"]), (0, 5 * BLOCKS))
        self.assertEqual((third["uuid"], third["journal_head"]), (first["uuid"], second["journal_head"]))
        self.assertEqual({key: third[key] for key in ("maker", "id_bytes", "ecc_need", "supply_mV", "source")},
                         {key: second[key] for key in ("maker", "id_bytes", "ecc_need", "supply_mV", "source")})
        self.assertTrue(any("everything asked for is already in" in note for note in third["notes"]), third["notes"])
        self.assertEqual(self.succeed("capture", "settle", "capture", "--image", "image")["passes"], 5)

    def test_a_range_first_then_the_rest(self):
        self.read(self.board, passes=3, last_block=1)
        rest = self.read(self.board, passes=2)
        self.assertEqual((rest["units_read"], rest["units_held"]), (4, 4))
        self.succeed("capture", "settle", "capture", "--image", "image")
        self.assertEqual((self.folder / "image/pages.raw").read_bytes(), self.content)

    def test_image_is_the_content(self):
        self.read(self.board, passes=2)
        settled = self.succeed("capture", "settle", "capture", "--image", "image")
        shown = self.succeed("image", "show", "image")
        digest = hashlib.sha256(self.content).hexdigest()
        for found in (settled, shown):
            self.assertEqual(found["pages"], PAGES)
            self.assertEqual(set(found["verdicts"]), VERDICTS)
            self.assertEqual(found["verdicts"]["steady"], PAGES)
            self.assertEqual((found["unstable_bits"], found["corrected_bits"], found["sha256"]), (0, 0, digest))
        self.succeed("image", "verify", "image")
        self.assertEqual((self.folder / "image/pages.raw").read_bytes(), self.content)

    def test_show_tells_where_and_why(self):
        board = self.fixture(content=self.content, cells=WEAK)
        self.read(board, passes=1)
        self.succeed("capture", "settle", "capture", "--image", "one", code=3)
        self.assertEqual(self.succeed("image", "show", "one")["unsafe_pages"],
                         [{"target": 0, "lun": 0, "first_page": 0, "count": PAGES, "verdict": "doubtful"}])
        self.assertRegex(self.run_it("image", "show", "one").text, rf"(?m)^doubtful +pages 0-{PAGES - 1}$")
        self.read(board, passes=7)
        self.succeed("capture", "settle", "capture", "--image", "seven", code=3)
        shown, said = self.succeed("image", "show", "seven"), self.run_it("image", "show", "seven").text
        self.assertTrue(shown["causes"])
        for cause, pages in shown["causes"].items():
            self.assertRegex(said, rf"(?m)^  {cause} +{pages} ")
        run = shown["unsafe_pages"][0]
        where = f"page {run['first_page']}" if run["count"] == 1 else f"pages {run['first_page']}-{run['first_page'] + run['count'] - 1}"
        self.assertRegex(said, rf"(?m)^doubtful +{where}$")

    def test_exports(self):
        self.read(self.board, passes=2)
        self.succeed("capture", "settle", "capture", "--image", "image")
        first, last = 33, 70
        for what in ("raw", "data", "spare"):
            whole = self.content if what == "raw" else column(self.content, PAGE, RAW - PAGE, what)
            page = len(whole) // PAGES
            for pages, expected in (((), whole), (("--pages", f"{first}-{last}"), whole[first * page:(last + 1) * page])):
                with self.subTest(what=what, pages=pages):
                    name = f"{what}{len(pages)}.bin"
                    told = self.succeed("image", "export", "image", "--what", what, *pages, "--to", name)
                    self.assertEqual((self.folder / name).read_bytes(), expected)
                    self.assertEqual(told["bytes"], len(expected))
                    self.assertEqual(told["pages"], len(expected) // page)
                    self.assertEqual(told["sha256"], hashlib.sha256(expected).hexdigest())
                    piped = self.run_it("image", "export", "image", "--what", what, *pages, "--to", "-")
                    self.assertEqual((piped.code, piped.err, piped.out), (0, "", expected))

    def test_one_pass_without_a_code_is_doubtful(self):
        self.read(self.board, passes=1)
        found = self.succeed("capture", "settle", "capture", "--image", "image", code=3)
        self.assertEqual(found["verdicts"]["doubtful"], PAGES)

    def test_bundle_reads_without_us(self):
        self.read(self.board, passes=2)
        self.succeed("capture", "settle", "capture", "--image", "image")
        script = TESTS / "image/read_bundle.py"
        done = subprocess.run([sys.executable, "-B", script, self.folder / "image"], capture_output=True, text=True, check=False)
        self.assertEqual(done.returncode, 0, done.stderr)
        self.assertIn(f"{PAGES} pages", done.stdout)

    def test_a_pass_goes_out_as_the_chip_gave_it(self):
        self.read(self.board, passes=3)
        told = self.succeed("capture", "export", "capture", "--pass", 3, "--to", "pass3.bin")
        self.assertEqual((self.folder / "pass3.bin").read_bytes(), self.content)
        self.assertEqual((told["sha256"], told["not_read"]), (hashlib.sha256(self.content).hexdigest(), 0))
        self.assertEqual(told["coverage"], [{"target": 0, "lun": 0, "first_block": 0, "count": BLOCKS}])
        piped = subprocess.run(self.command("capture", "export", "capture", "--pass", "3", "--to", "-"), cwd=self.folder, stdout=subprocess.PIPE, check=True)
        self.assertEqual(piped.stdout, self.content)
        self.refuse("e505", 2, "capture", "export", "capture", "--pass", 4, "--to", "none.bin")

    def test_says_where_the_time_went_when_asked(self):
        read = self.succeed("chip", "read", "--board", self.board, *CONSENT, "--passes", 2, "--into", "timed", "--timings")
        self.assertEqual([stage["stage"] for stage in read["timings"]],
                         ["processor time of transfer, framing and copying", "packing and writing", "waiting for the hash"] +
                         [stage["stage"] for stage in read["timings"][3:]])
        settled = self.succeed("capture", "settle", "timed", "--image", "timed-image", "--timings")
        self.assertEqual({stage["stage"] for stage in settled["timings"]}, {"reading", "voting", "judging", "writing"})
        for stage in read["timings"] + settled["timings"]:
            self.assertGreater(stage["seconds"], 0)
        self.assertNotIn("timings", self.succeed("capture", "settle", "timed", "--image", "untimed-image"))

    def test_imported_passes_settle_to_the_same_bytes(self):
        for name in ("a.bin", "b.bin"):
            (self.folder / name).write_bytes(self.content)
        told = self.succeed("capture", "import", "a.bin", "b.bin", "--page-bytes", PAGE, "--spare-bytes", RAW - PAGE,
                            "--pages-per-block", PAGES_PER_BLOCK, "--into", "imported")
        self.assertEqual((told["passes"], told["passes_held"], told["pages"]), (2, 2, PAGES))
        self.assertIn("pass 2 equals pass 1 byte for byte", " ".join(told["notes"]))
        once = self.run_it("capture", "import", "a.bin", "--page-bytes", PAGE, "--spare-bytes", RAW - PAGE, "--pages-per-block", PAGES_PER_BLOCK,
                           "--into", "imported", "--quiet")
        self.assertIn("1 given, 2 in the capture", once.text)
        self.succeed("capture", "settle", "imported", "--image", "image")
        self.assertEqual((self.folder / "image/pages.raw").read_bytes(), self.content)


    def test_a_page_size_that_chips_seldom_have_is_noted(self):
        page = 2000
        (self.folder / "odd.bin").write_bytes(os.urandom((page + 64) * 64))
        told = self.succeed("capture", "import", "odd.bin", "--page-bytes", page, "--spare-bytes", 64, "--into", "odd")
        self.assertIn("2000 is no usual number of data bytes", " ".join(told["notes"]))
        self.assertIn("2000 is no usual number of data bytes", " ".join(self.succeed("ecc", "find", "odd")["notes"]))


class Streams(bench.BenchTest):
    def test_nothing_but_progress_on_standard_error(self):
        board = self.fixture(content=random_pages(PAGES))
        for style in ((), ("--quiet",)):
            done = self.run_it("chip", "read", "--board", board, *CONSENT, "--passes", "2", "--blocks", "0-3", "--into", "c", *style)
            self.assertEqual((done.code, done.err), (0, ""))
        done = self.run_it("chip", "read", "--board", board, *CONSENT, "--passes", "4", "--blocks", "0-3", "--into", "c",
                           "--progress", "json", "--json")
        self.only_object(done)
        lines = done.err.splitlines()
        self.assertTrue(lines)
        for line in lines:
            self.assertIsInstance(json.loads(line), dict)


class KernelWrittenCells(bench.BenchTest):
    """Pages that the Linux kernel wrote with its own BCH code (tests/data/kernel-nand), in weak cells."""

    def test_settles_to_what_the_kernel_stored(self):
        name = "bch4-2k"
        facts = json.loads((DATA / f"kernel-nand/{name}.json").read_text())
        raw = gzip.decompress((DATA / f"kernel-nand/{name}.raw.gz").read_bytes())
        page, spare = facts["page_bytes"], facts["spare_bytes"]
        blocks = -(-len(raw) // ((page + spare) * 64))
        target = {"id_bytes": "2C DC 90 95 56", "geometry": {"page_bytes": page, "spare_bytes": spare, "pages_per_block": 64, "blocks": blocks}}
        self.read(self.fixture(content=raw, target=target, cells=WEAK | {"stuck_fraction": 1e-5}), passes=9, last_block=blocks - 1)
        scheme = DATA / f"schemes/{name}.json"
        found = self.succeed("capture", "settle", "capture", "--image", "image", "--ecc", scheme)
        self.assertGreater(found["unstable_bits"], 1000)
        self.assertGreater(found["corrected_bits"], 0)
        self.assertEqual(found["verdicts"]["confirmed"] + found["verdicts"]["corrected"], found["pages"])
        self.succeed("image", "export", "image", "--what", "data", "--to", "data.bin")
        data = (self.folder / "data.bin").read_bytes()
        self.assertEqual(hashlib.sha256(data[:len(raw) // (page + spare) * page]).hexdigest(), facts["sha256"]["clean"])

        # Without the scheme the same capture says less: nothing is called right.
        plain = self.succeed("capture", "settle", "capture", "--image", "plain", code=3)
        self.assertEqual(plain["verdicts"]["confirmed"] + plain["verdicts"]["corrected"], 0)
        self.assertEqual(plain["corrected_bits"], 0)
        self.assertGreater(plain["verdicts"]["doubtful"], 0)
        bundle = Path(TESTS / "image/read_bundle.py")
        for image in ("image", "plain"):
            subprocess.run([sys.executable, "-B", bundle, self.folder / image], check=True, stdout=subprocess.DEVNULL)


if __name__ == "__main__":
    bench.main()
