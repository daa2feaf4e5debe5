"""Every command explains itself with an example that the program understands."""
import shlex

import bench

COMMANDS = ["chip identify", "chip decode", "chip read", "capture import", "capture settle", "capture export", "capture verify", "image show", "image verify", "image export", "ecc find", "ecc check",
            "supply cold", "supply record", "supply diagnose", "supply keep-twin", "supply plot", "socket check", "socket judge", "board check", "board conform", "status", "doctor", "demo"]
ALONE = ["status", "doctor"]  # look at this installation, and need no file


class Help(bench.BenchTest):
    def test_each_command(self):
        for command in COMMANDS:
            with self.subTest(command):
                done = self.run_it(*command.split(), "--help")
                self.assertEqual((done.code, done.err), (0, ""))
                examples = [line.strip() for line in done.text.split("Examples:")[1].splitlines() if line.strip().startswith("steadycell ")]
                self.assertTrue(examples)
                for example in examples:
                    self.assertTrue(example.startswith(f"steadycell {command}"), example)
                for option in ("--json", "--help"):
                    self.assertIn(option, done.text)
                self.assertLessEqual(max(map(len, done.text.splitlines())), 140)

    def test_examples_are_understood(self):
        # Run where their files are missing, examples must fail on a file, never as wrong use.
        for command in COMMANDS[:-1]:
            text = self.run_it(*command.split(), "--help").text
            for line in text.split("Examples:")[1].splitlines():
                arguments = shlex.split(line.split("|")[0])[1:]
                if arguments:
                    with self.subTest(line.strip()):
                        done = self.run_it(*arguments)
                        self.assertNotIn("e101", done.err)
                        self.assertTrue(done.code != 0 or "--id" in arguments or command in ALONE)

    def test_the_whole(self):
        done = self.run_it("--help")
        self.assertEqual((done.code, done.err), (0, ""))
        for word in ("chip", "capture", "image", "supply", "socket", "status", "doctor", "demo", "Exit codes", "130"):
            self.assertIn(word, done.text)
        for group in ("chip", "capture", "image", "supply", "socket", "board"):
            self.assertEqual(self.run_it(group, "--help").code, 0)

    def test_version(self):
        done = self.run_it("--version")
        self.assertEqual((done.code, done.err), (0, ""))
        self.assertRegex(done.text, r"\Asteadycell \d+\.\d+\.\d+\n\Z")


if __name__ == "__main__":
    bench.main()
