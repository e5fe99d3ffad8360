"""What is typed and drawn while a bus is watched."""

from __future__ import annotations

import itertools
import sys

import pytest

from halfsplit.cli.big_letters import HIGH, big, fitting, width_of
from halfsplit.cli.typed_words import Line
from halfsplit.cli.watch_board import Alarm, Drawn, draw, state_word
from halfsplit.service.watch_results import Board, BoardRow, Told


def board(
    *, learning_s: float | None = None, moving: str = "", lost: tuple[str, ...] = (), back: tuple[str, ...] = (),
    everybody: bool = False, speakers: int = 3, moving_s: float = 12.0,
) -> Board:  # fmt: skip
    rows = tuple(
        BoardRow(f"E{n}", "LOST" if f"E{n}" in lost else "HEARD", 0.1 * n, 0.1, 0.5, int(f"E{n}" in lost))
        for n in range(1, speakers + 1)
    )
    return Board(learning_s, moving, moving_s, rows, lost, back, everybody, len(lost), 0, 60.0)


@pytest.mark.parametrize(
    ("shown", "word", "more"),
    [
        (board(learning_s=23.4), "STILL", ["23"]),
        (board(learning_s=0.0, speakers=0), "NOBODY", []),
        (board(), "HEARD", []),
        (board(lost=("E2",)), "DROP", ["E2"]),
        (board(lost=("E1", "E2", "E3"), everybody=True), "DROP", ["ALL"]),
        (board(back=("E2",)), "BACK", ["E2"]),
    ],
)
def test_the_state_of_things_is_a_word(shown: Board, word: str, more: list[str]) -> None:
    assert state_word(shown) == (word, more)
    drawn = str(draw(shown, (), "", 100, 30))
    for line in big(fitting([word, *more], 97)):
        assert line.rstrip() in drawn


def test_what_is_moved_stands_in_large_letters_too_and_who_is_lost_stands_first() -> None:
    text = str(draw(board(moving="X12", lost=("E3",)), (), "sto", 100, 30))
    for line in big("X12 12"):
        assert line.rstrip() in text
    assert text.index("E3  LOST") < text.index("E1  HEARD")
    assert text.endswith("now, stop, note, quit> sto_")


def test_the_newest_is_told_whole_and_all_fits_the_terminal() -> None:
    told = [Told("result", f"number {n}: " + "word " * 40) for n in range(6)]
    for columns, rows in itertools.product((40, 80, 120), (24, 30, 50)):
        lines = str(draw(board(moving="X12", speakers=40), told, "", columns, rows)).split("\n")
        assert len(lines) <= rows
        assert max(map(len, lines)) <= columns
        assert " ".join(" ".join(lines).split()).count("word word") >= 13
        assert "number 5" in "\n".join(lines)
        assert "more" in "\n".join(lines)


def test_cautions_of_a_place_stand_before_its_large_letters_and_in_full_where_there_is_room() -> None:
    cautions = ["Keep out of the gap while slewing.", *(f"Mind number {n}, " + "mind " * 30 for n in range(3))]
    text = str(draw(board(moving="X12"), (), "", 100, 30, cautions=cautions))
    plain = " ".join(text.split())
    assert plain.index("X12 is being moved") < plain.index("! Keep out of the gap") < plain.index("E1 HEARD")
    assert all(" ".join(one.split()) in plain.replace(" ! ", " ") for one in cautions)
    assert big("X12")[0] not in text
    small = str(draw(board(moving="X12", speakers=40), (), "", 60, 24, cautions=cautions * 3)).split("\n")
    assert len(small) <= 24
    assert any("Keep out of the gap" in line for line in small)
    assert any("! More" in line for line in small)


def test_a_board_shows_cautions_when_a_place_is_first_moved_and_then_its_name() -> None:
    drawn: list[str] = []
    screen = Drawn(lambda text: drawn.append(str(text)), lambda: (100, 30), "#")
    screen.show(board(moving="X12", moving_s=0.0), [Told("caution", "Keep out.")], "")
    screen.show(board(moving="X12", moving_s=10.0), [], "")
    screen.show(board(moving="X12", moving_s=30.0), [], "")
    screen.show(board(moving="X13", moving_s=1.0), [], "")
    assert ["! Keep out." in one for one in drawn] == [True, True, False, False]


def test_letters_are_all_of_one_height_and_told_apart() -> None:
    letters = "ABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789"
    drawn = {letter: big(letter) for letter in letters}
    assert {len(rows) for rows in drawn.values()} == {HIGH}
    assert len(set(drawn.values())) == len(letters)
    assert all(len(line) == width_of("AB") for line in big("AB"))
    assert fitting(["DROP", "ECU3", "ECU4"], 60) == "DROP ECU3"
    assert fitting(["console-loom"], 20) == "con"


def test_keys_take_letters_back_and_what_is_no_letter_is_passed_over() -> None:
    line = Line(keys=True)
    assert list(line.take("nwo\x7f\x7fow X1\x1b[A2")) == []
    assert line.text == "now X12"
    assert list(line.take("\r")) == ["now X12"]
    assert list(line.take("junk\x15stop\n\x04")) == ["stop", None]


def test_a_pipe_gives_its_lines_as_they_are() -> None:
    assert list(Line(keys=False).take("note a\tb\nstop\r\n")) == ["note ab", "stop", ""]


def test_the_bell_rings_at_a_drop_and_some_times_more_while_it_lasts(monkeypatch: pytest.MonkeyPatch) -> None:
    class Terminal:
        rung = ""

        def isatty(self) -> bool:
            return True

        def write(self, text: str) -> None:
            self.rung += text

        def flush(self) -> None:
            pass

    terminal = Terminal()
    monkeypatch.setattr(sys, "stdout", terminal)
    now = [0.0]
    alarm = Alarm("", lambda: now[0])
    alarm.sound(dropped=False, lost=False)
    assert terminal.rung == ""
    alarm.sound(dropped=True, lost=True)
    assert terminal.rung == "\a"
    for _ in range(200):
        now[0] += 0.1
        alarm.sound(dropped=False, lost=True)
    assert terminal.rung == "\a" * 5
    alarm.sound(dropped=True, lost=False)
    for _ in range(50):
        now[0] += 0.1
        alarm.sound(dropped=False, lost=False)
    assert terminal.rung == "\a" * 6


def test_the_alarm_is_a_command_with_its_arguments(monkeypatch: pytest.MonkeyPatch) -> None:
    started = []

    class Running:
        def __init__(self, words: list[str], **_settings: object) -> None:
            started.append(words)

        def poll(self) -> int | None:
            return None if len(started) == 1 else 0

    monkeypatch.setattr("halfsplit.cli.watch_board.subprocess.Popen", Running)
    alarm = Alarm("play 'a horn.wav'", lambda: 0.0)
    assert alarm.sound(dropped=True, lost=True) == ""
    alarm.sound(dropped=True, lost=True)  # the first still plays
    assert started == [["play", "a horn.wav"]]
