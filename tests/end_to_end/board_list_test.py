"""board list: the boards on USB, here where none is. With boards: tests/service/usb_setup_test.cpp and tests/vm."""
import unittest
from pathlib import Path

import bench
import messages

LIST = messages.validator("board_list")


def boards_on_usb():
    """What the kernel shows with the board's numbers (PROTOCOL.md section 9), without a word of ours."""
    def text(file):
        return file.read_text().strip() if file.exists() else ""
    return [device for device in Path("/sys/bus/usb/devices").glob("*") if (text(device / "idVendor"), text(device / "idProduct")) == ("1209", "0001")]


@unittest.skipIf(boards_on_usb(), "a board is plugged in here")
class NoBoard(bench.BenchTest):
    def test_an_empty_list_is_no_error_and_says_what_to_do(self):
        told = self.succeed("board", "list")
        LIST.validate(told)
        self.assertEqual(told["boards"], [])
        self.assertIn("plug the board", told["next"])
        done = self.run_it("board", "list")
        self.assertEqual((done.code, done.err), (0, ""))
        self.assertIn("none is on USB", done.text)
        self.assertIn("plug the board", done.text)

    def test_what_does_not_belong_is_refused(self):
        self.assertEqual(self.run_it("board", "list", "--board", "usb").code, 2)
        self.assertEqual(self.run_it("board", "list", "extra").code, 2)


if __name__ == "__main__":
    bench.main()
