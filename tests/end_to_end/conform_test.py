"""The conformance check of a board, as its builder runs it."""
import json
import signal
import subprocess
import time

import bench

WORD = "no patient chip in the socket, no stick in the port"


class Conform(bench.BenchTest):
    def fixture(self, **board):
        return super().fixture("board.json", chip=False, seed=7, board=board)

    def conform(self, address, *more, word=WORD):
        return self.run_it("board", "conform", "--board", address, "--confirm", word, *more)

    def conform_as_far_as(self, duty):
        command = self.command("board", "conform", "--board", "sim:board.json", "--confirm", WORD, "--progress=json")
        running = subprocess.Popen(command, cwd=self.folder, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
        for line in running.stderr:
            if f'"{duty}"' in line:
                break
        return running

    def test_simulated_board_does_all_its_duties(self):
        done = self.conform(self.fixture(), "--supply-mV", "3300", "--json")
        self.assertEqual((done.code, done.err), (0, ""))
        told = done.json
        self.assertEqual((told["schema"], told["passed"], told["protocol"], told["chip_answers"]),
                         ("steadycell-board-conformance/1", True, 1, False))
        self.assertEqual(told["counts"]["failed"], 0)
        self.assertEqual(sum(told["counts"].values()), len(told["duties"]))
        of = {duty["duty"]: duty for duty in told["duties"]}
        self.assertEqual(len(of), len(told["duties"]))
        # PROTOCOL.md, sections 5 and 8: cut after 500 ms of silence; 3300 mV within 5 %; 10 kS/s or more.
        self.assertEqual((of["heartbeat_cut"]["outcome"], of["heartbeat_cut"]["unit"]), ("passed", "ms"))
        self.assertTrue(450 <= of["heartbeat_cut"]["measured"] <= 550, of["heartbeat_cut"])
        self.assertTrue(3135 <= of["socket_3v3"]["measured"] <= 3465, of["socket_3v3"])
        self.assertGreaterEqual(of["sample_rate"]["measured"], 9.5)
        self.assertEqual(of["refuses_program_erase"]["outcome"], "passed")
        # On a busy machine the simulated board may not fill its pipe in time: then no sample is lost.
        not_applicable = {d["duty"] for d in told["duties"] if d["outcome"] == "not_applicable"}
        self.assertEqual(not_applicable - {"sample_gap"}, {"lid", "status_poll", "same_id"})

    def test_lines_for_a_person(self):
        done = self.conform(self.fixture(wp_high=True), "--only", "wp_low")
        self.assertEqual(done.code, 7)
        self.assertIn("FAILED", done.text)
        self.assertIn("WP# is high", done.text)
        self.assertIn("1 failed", done.text)
        self.assertIn("not a board for a patient's chip", done.text)

    def test_faulty_boards_fail_their_line(self):
        for board, line in (({"wp_high": True}, "wp_low"), ({"rail_mV": 1600}, "socket_1v8")):
            with self.subTest(line):
                done = self.conform(self.fixture(**board), "--only", line, "--json")
                self.assertEqual(done.code, 7)
                self.assertEqual([d["duty"] for d in done.json["duties"] if d["outcome"] == "failed"], [line])

    def test_nothing_is_tried_without_the_word(self):
        address = self.fixture()
        for word in ("yes", WORD.upper(), WORD + "!"):
            with self.subTest(word):
                done = self.conform(address, word=word)
                self.assertEqual((done.code, done.out), (2, b""))
                for caution in (WORD, "static discharge", "hot", "local rules", "nothing was sent"):
                    self.assertIn(caution, done.err)
        self.assertEqual(self.run_it("board", "conform", "--board", address).code, 2)
        empty = self.conform(address, word="")
        self.assertEqual((empty.code, empty.out), (2, b""))
        self.assertIn("--confirm: its value is empty", empty.err)

    def test_unknown_duty_is_named_with_the_known_ones(self):
        done = self.conform(self.fixture(), "--only", "flying")
        self.assertEqual(done.code, 2)
        self.assertIn("heartbeat_cut", done.err)

    def test_over_any_link(self):
        self.fixture()
        for listen in ("unix:board.sock", "tcp:127.0.0.1:0"):
            with self.subTest(listen):
                board = subprocess.Popen([bench.SIMBOARD, "board.json", "--listen", listen], cwd=self.folder, stdout=subprocess.PIPE,
                                         text=True)
                try:
                    address = board.stdout.readline().split()[-1]
                    # Twice: the second meets a board that another session left.
                    for duty in ("heartbeat_cut", "abort_deaf"):
                        done = self.conform(address, "--only", duty, "--json")
                        self.assertEqual((done.code, [d["outcome"] for d in done.json["duties"]]), (0, ["passed", "passed"]), done.text)
                finally:
                    board.terminate()
                    board.wait(10)
                    board.stdout.close()

    def test_stopped_in_the_middle(self):
        self.fixture()
        running = self.conform_as_far_as("heartbeat_keeps")
        running.send_signal(signal.SIGINT)
        started = time.monotonic()
        out, err = running.communicate(timeout=20)
        self.assertEqual((running.returncode, out), (130, ""), err)
        self.assertLess(time.monotonic() - started, 3)

    def test_held_board_is_left_alone(self):
        self.fixture()
        first = self.conform_as_far_as("heartbeat_keeps")
        held = self.conform("sim:board.json", "--json")
        self.assertEqual((held.code, held.json["error"]["code"]), (9, "e308"), held.text)
        first.send_signal(signal.SIGINT)
        first.communicate(timeout=20)

    def test_no_board(self):
        self.assertEqual(self.conform("unix:nowhere").code, 4)


if __name__ == "__main__":
    bench.main()
