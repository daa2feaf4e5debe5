"""capture verify: what is whole, damaged and missing, and a command that mends it when it is typed as it stands."""
import shlex

import bench
from bench import BLOCKS, PAGE, PAGES_PER_BLOCK, RAW, SPARE, random_pages


class CaptureVerify(bench.BenchTest):
    def setUp(self):
        super().setUp()
        self.board = self.fixture(content=random_pages(BLOCKS * PAGES_PER_BLOCK), cells=bench.WEAK)
        self.read(self.board, passes=3)

    def flip(self, name, at, capture="capture"):
        path = self.folder / capture / name
        data = bytearray(path.read_bytes())
        data[at] ^= 1
        path.write_bytes(data)

    def mend(self, command):
        """Runs the command as it was given, but for the address of a board that has no USB here."""
        words = shlex.split(command)
        self.assertEqual(words[0], "steadycell")
        address = words.index("--board") + 1
        self.assertRegex(words[address], "^usb:[0-9a-f-]{36}$")
        words[address] = self.board
        self.succeed(*words[1:])

    def test_whole(self):
        before = self.snapshot("capture")
        found = self.succeed("capture", "verify", "capture")
        self.assertTrue(found["whole"])
        self.assertEqual((found["units"], found["whole_units"], found["faults"], found["mend"]), (3 * BLOCKS, 3 * BLOCKS, [], []))
        self.assertEqual(found["bytes"], 3 * BLOCKS * PAGES_PER_BLOCK * RAW)
        self.assertTrue(found["journal"]["closed"])
        done = self.run_it("capture", "verify", "capture")
        self.assertEqual(done.code, 0)
        self.assertIn(f"all {3 * BLOCKS} units are as they were read", done.text)
        self.assertEqual(self.snapshot("capture"), before)

    def test_damage_is_named_and_its_command_mends_it(self):
        self.flip("pass-0001.dat", 1 * RAW * PAGES_PER_BLOCK + 5)
        found = self.succeed("capture", "verify", "capture", code=7)
        self.assertFalse(found["whole"])
        self.assertEqual({(run["first_block"], run["count"], run["fault"], run["made_up"]) for run in found["faults"]},
                         {(1, 1, "damaged", False)})
        self.assertEqual(len(found["mend"]), 1)
        done = self.run_it("capture", "verify", "capture")
        self.assertEqual(done.code, 7)
        self.assertIn("pass 1, block 1: the bytes do not match", done.text)
        self.assertIn(found["mend"][0], done.text)
        self.mend(found["mend"][0])
        again = self.succeed("capture", "verify", "capture", code=7)  # what was recorded is still not there
        self.assertEqual(again["mend"], [])
        self.assertEqual({(run["first_block"], run["made_up"]) for run in again["faults"]}, {(1, True)})
        self.succeed("capture", "settle", "capture", "--image", "image", code=3)

    def test_missing_pass(self):
        kept = (self.folder / "capture/pass-0003.dat").rename(self.folder / "kept.dat")
        found = self.succeed("capture", "verify", "capture", code=7)
        self.assertEqual([(run["pass"], run["first_block"], run["count"], run["fault"]) for run in found["faults"]],
                         [(3, 0, BLOCKS, "missing")])
        self.assertEqual((found["usual_passes"], found["mend"]), (2, []))
        self.assertIn("of the 3 passes that most blocks were read in, 2 can be relied on: a block with as many whole is not asked for again", found["notes"])
        self.assertIn("nothing need be read again", self.run_it("capture", "verify", "capture").text)
        held = self.run_it("chip", "read", "--board", self.board, "--into", "capture", "--passes", 3, "--blocks", f"0-{BLOCKS - 1}", *bench.CONSENT)
        self.assertIn(f"0 now, {3 * BLOCKS} held before, {BLOCKS} of them without their bytes", held.text)
        self.assertNotIn("already in", held.text)
        self.succeed("chip", "read", "--board", self.board, "--into", "capture", "--passes", 4, "--blocks", f"0-{BLOCKS - 1}", "--supply-mV", 3300)
        again = self.succeed("capture", "verify", "capture", code=7)
        self.assertEqual((again["usual_passes"], again["mend"], again["passes"][3]["whole"]), (3, [], BLOCKS))
        self.assertIn("first look for a copy of pass-0003.dat: ", " ".join(again["notes"]))
        kept.rename(self.folder / "capture/pass-0003.dat")  # as that says
        self.assertTrue(self.succeed("capture", "verify", "capture")["whole"])

    def test_only_a_file_that_is_away_is_looked_for(self):
        kept = (self.folder / "capture/pass-0001.dat").rename(self.folder / "kept.dat")
        found = self.succeed("capture", "verify", "capture", code=7)  # the later passes are differences to it
        self.assertEqual(found["whole_units"], 0)
        self.assertIn("first look for a copy of pass-0001.dat: ", " ".join(found["notes"]))
        kept.rename(self.folder / "capture/pass-0001.dat")
        self.assertTrue(self.succeed("capture", "verify", "capture")["whole"])

    def test_hole_in_the_journal(self):
        journal = (self.folder / "capture/journal").read_bytes()
        self.flip("journal", journal.index(b'"pass":2,"offset"'))
        found = self.succeed("capture", "verify", "capture", code=7)
        self.assertFalse(found["journal"]["whole"])
        self.assertEqual([(run["pass"], run["fault"]) for run in found["faults"]], [(2, "unrecorded")])
        self.mend(found["mend"][0])
        self.assertEqual(self.succeed("capture", "verify", "capture", code=7)["faults"], [])

    def test_an_export_tells_of_blocks_whose_record_is_lost(self):
        export = ("capture", "export", "capture", "--pass", 2, "--to")
        self.assertFalse(self.succeed(*export, "whole.bin")["partial"])
        journal = (self.folder / "capture/journal").read_bytes()
        record = journal.index(b'"block":2,"pass":2')
        self.flip("journal", record)
        found = self.succeed(*export, "hole.bin", code=3)
        self.assertEqual([(run["first_block"], run["count"]) for run in found["missing"]], [(2, 1)])
        done = self.run_it(*export, "again.bin")
        self.assertEqual(done.code, 3)
        self.assertRegex(done.text, "NOT IN IT +block 2\n")
        piped = self.run_it(*export, "-")
        self.assertEqual((piped.code, piped.out), (3, (self.folder / "hole.bin").read_bytes()))
        self.assertIn("no record of 1 block of pass 2 in between (2)", piped.err)

    def test_a_journal_without_its_end(self):
        path = self.folder / "capture/journal"
        journal, passes = path.read_bytes(), {n: (self.folder / f"capture/pass-000{n}.dat").read_bytes() for n in (1, 2, 3)}
        path.write_bytes(journal[:journal.index(b'"pass":2,"offset"')])
        found = self.succeed("capture", "verify", "capture", code=7)
        self.assertEqual((found["whole"], found["journal"]["end_lost"], found["journal"]["chain_whole"]), (False, True, True))
        self.assertEqual([run["pass"] for run in found["journal"]["unnamed"]], [2, 3])
        self.assertIn("A copy of the journal that goes on further", " ".join(found["notes"]))
        text = self.run_it("capture", "verify", "capture").text
        self.assertIn("it lost its end", text)
        self.assertIn(f"pass 2 has {len(passes[2])} bytes behind byte 0 that no record names", text)
        again = self.read(self.board, passes=3)
        self.assertTrue(any("lost its end" in note for note in again["notes"]), again["notes"])
        self.assertEqual(again["units_read"], 2 * BLOCKS)
        for n, data in passes.items():
            self.assertTrue((self.folder / f"capture/pass-000{n}.dat").read_bytes().startswith(data), n)
        gone_on = self.succeed("capture", "verify", "capture", code=7)
        self.assertEqual((gone_on["whole_units"], gone_on["journal"]["end_lost"], gone_on["journal"]["end_was_lost"]), (3 * BLOCKS, False, True))
        self.assertIn("in a copy of the whole capture: this one alone names what was read since", " ".join(gone_on["notes"]))
        path.write_bytes(journal)  # the copy comes back, and finds its bytes
        self.assertEqual(self.succeed("capture", "verify", "capture", code=7)["whole_units"], 3 * BLOCKS)

    def test_a_folder_with_a_space_is_one_word_of_the_command(self):
        (self.folder / "capture").rename(self.folder / "it's case 7")
        self.flip("pass-0001.dat", 5, "it's case 7")
        self.mend(self.succeed("capture", "verify", "it's case 7", code=7)["mend"][0])

    def test_imported_passes_are_imported_anew(self):
        for name in ("a.bin", "b.bin"):
            (self.folder / name).write_bytes(random_pages(64))
        sizes = ("--page-bytes", PAGE, "--spare-bytes", SPARE, "--pages-per-block", PAGES_PER_BLOCK)
        self.succeed("capture", "import", "a.bin", "b.bin", *sizes, "--into", "taken")
        self.flip("pass-0001.dat", 5, "taken")
        command, = self.succeed("capture", "verify", "taken", code=7)["mend"]
        self.succeed(*shlex.split(command.replace("PASS...", "a.bin b.bin").replace("NEW", "anew"))[1:])
        self.succeed("capture", "verify", "anew")
        (self.folder / "anew/pass-0002.dat").unlink()
        self.assertEqual(self.succeed("capture", "verify", "anew", code=7)["mend"], [command], "also where no block is worse than another")

    def test_a_chip_does_not_go_on_with_imported_passes(self):
        (self.folder / "a.bin").write_bytes(random_pages(64))
        self.succeed("capture", "import", "a.bin", "--page-bytes", PAGE, "--spare-bytes", SPARE, "--pages-per-block", PAGES_PER_BLOCK, "--into", "taken")
        before = self.snapshot("taken")
        found = self.refuse("e105", 7, "chip", "read", "--board", self.board, *bench.CONSENT, "--passes", 2, "--blocks", "0-1", "--into", "taken")
        self.assertIn("capture import", found["next"])
        self.assertIn("the chip got no power", found["kept"])
        self.assertEqual(self.snapshot("taken"), before)
        (self.folder / "taken/journal").write_bytes(before["journal"][:-5])
        self.assertIn("the same capture import takes them off", " ".join(self.succeed("capture", "verify", "taken")["notes"]))

    def test_a_folder_in_place_of_a_pass_file(self):
        (self.folder / "capture/pass-0003.dat").unlink()
        (self.folder / "capture/pass-0003.dat").mkdir()
        found = self.succeed("capture", "verify", "capture", code=7)
        self.assertEqual([(run["pass"], run["fault"], run["why"]) for run in found["faults"]], [(3, "missing", "pass-0003.dat is no plain file")])
        self.succeed("capture", "settle", "capture", "--image", "image", code=3)

    def test_a_folder_or_a_link_where_the_next_pass_would_go(self):
        place, before = self.folder / "capture/pass-0004.dat", self.snapshot("capture")
        for put, why in ((place.mkdir, "is no plain file"), (lambda: place.symlink_to("../elsewhere"), "is a symbolic link")):
            put()
            told = self.refuse("e103", 2, "chip", "read", "--board", self.board, "--into", "capture", "--passes", 4, "--blocks",
                               f"0-{BLOCKS - 1}", *bench.CONSENT)
            self.assertIn(why, told["what"])
            self.assertIn("move it away", told["next"])
            place.unlink() if place.is_symlink() else place.rmdir()
        self.assertFalse((self.folder / "elsewhere").exists())
        for name, data in self.snapshot("capture").items():
            if name.startswith("pass-"):
                self.assertTrue(data == before[name], name)
        self.succeed("chip", "read", "--board", self.board, "--into", "capture", "--passes", 4, "--blocks", f"0-{BLOCKS - 1}", "--supply-mV", 3300)

    def test_a_journal_that_names_nothing(self):
        (self.folder / "capture/journal").write_bytes(b"")
        for command in (("settle", "capture", "--image", "image"), ("export", "capture", "--pass", 1, "--to", "x")):
            self.assertIn("capture verify", self.refuse(*(("e503", 7) if command[0] == "settle" else ("e505", 2)), "capture", *command)["next"])

    def test_nothing_is_made_inside_a_capture_or_an_image(self):
        before = self.snapshot("capture")
        self.assertIn("inside a capture", self.refuse("e101", 2, "capture", "settle", "capture", "--image", "capture/image")["what"])
        self.refuse("e101", 2, "capture", "export", "capture", "--pass", 1, "--to", "capture/pass1.bin")
        self.assertEqual(self.snapshot("capture"), before)
        # Found from wherever one stands, and by whatever link one came.
        (self.folder / "capture/notes/old").mkdir(parents=True)
        (self.folder / "link").symlink_to("capture/notes/old")
        for name in ("capture/notes/old/image", "link/image"):
            self.assertIn("inside a capture, ", self.refuse("e101", 2, "capture", "settle", "capture", "--image", name)["what"])
        # Another program's file of that name makes no image.
        (self.folder / "package").mkdir()
        (self.folder / "package/manifest.json").write_text('{"name": "an invented package"}')
        self.succeed("capture", "settle", "capture", "--image", "package/image", code=3)
        self.succeed("capture", "settle", "capture", "--image", "image", code=3)
        self.assertIn("inside an image", self.refuse("e101", 2, "image", "export", "image", "--what", "raw", "--to", "image/raw.bin")["what"])

    def test_nothing_that_could_be_verified(self):
        self.refuse("e505", 2, "capture", "verify", "nowhere")
        head = (self.folder / "capture/capture.json").rename(self.folder / "kept.json")
        self.assertIn("has lost its capture.json", self.refuse("e503", 7, "capture", "verify", "capture")["what"])
        head.rename(self.folder / "capture/capture.json")
        (self.folder / "capture/journal").unlink()
        for command in (("verify", "capture"), ("settle", "capture", "--image", "image"), ("export", "capture", "--pass", 1, "--to", "x")):
            found = self.refuse("e503", 7, "capture", *command)
            self.assertIn("the journal is missing", found["what"])
            self.assertIn("back from a copy", found["next"])


if __name__ == "__main__":
    bench.main()
