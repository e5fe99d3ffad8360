"""A watch of a bus as a whole, fed without a bus: what is told, what is written, and what is not."""

from __future__ import annotations

from collections.abc import Collection

import numpy as np
import pytest

from halfsplit.buslog.live import Heard
from halfsplit.buslog.tied import Tied
from halfsplit.errors import Conflict, UserError
from halfsplit.service.bus_evidence import addresses_alone
from halfsplit.service.bus_watch import Watching, length_s, still_s
from halfsplit.service.watch_results import Told, moved_words

Hole = tuple[int, float, float]
#: Periods by source address: one speaks twenty times as seldom as the others.
PERIODS = {10: 0.1, 20: 0.1, 30: 0.1, 40: 2.0}
NAMED = {10: "E1", 20: "E2", 30: "E3", 40: "E4"}


class Book:
    """Takes down what a watch would write into a job; ``closed`` is a job that takes nothing."""

    def __init__(self, *, closed: bool = False) -> None:
        self.closed = closed
        self.written = 0
        self.notes: list[tuple[str, float]] = []
        self.sets: list[tuple[frozenset[str], frozenset[str]]] = []
        self.moves: list[tuple[str, bool, float]] = []

    def _write(self) -> None:
        if self.closed:
            raise Conflict("The job is closed.")
        self.written += 1

    def note(self, text: str, minutes: float = 0.0) -> list[str]:
        self._write()
        self.notes.append((text, minutes))
        return []

    def fell(self, who: frozenset[str], judged: frozenset[str], note: str) -> list[str]:
        self._write()
        assert "of a bus watch" in note
        self.sets.append((who, judged))
        return []

    def moved(self, found: Tied, watched: frozenset[str], words: str, minutes: float) -> list[str]:
        self._write()
        assert words.startswith(f"{found.place} moved for")
        assert watched == {"E1", "E2", "E3"}  # those that are missed within a second
        self.moves.append((found.place, found.sure, minutes))
        return []

    def find(self, text: str) -> str:
        return text

    def cautions(self, place: str) -> tuple[str, ...]:
        return (f"mind {place}",)


def played(
    until_s: float, words: Collection[tuple[float, str]] = (), holes: Collection[Hole] = (), book: Book | None = None
) -> tuple[Watching, list[Told]]:
    """A watch with a still phase of 60 s, looked at ten times a second."""
    watching = Watching(0.0, 60.0, NAMED, book, "job-1" if book else "")
    frames = sorted(
        (n * period + source / 1e4, source)
        for source, period in PERIODS.items()
        for n in range(round(until_s / period))
        if not any(who == source and a <= n * period < b for who, a, b in holes)
    )
    times, keys = np.array([one[0] for one in frames]), np.array([one[1] for one in frames], np.int64)
    said, told, done = sorted(words), [], 0
    for tick in range(1, round(until_s * 10) + 1):
        now_s = tick / 10
        until = int(np.searchsorted(times, now_s))
        told += watching.hear(Heard(times[done:until], keys[done:until], 0, now_s))
        done = until
        while said and said[0][0] <= now_s:
            told += watching.word(said[0][1], said.pop(0)[0])
    return watching, [*told, *watching.finish(until_s)]


def drops_at(*starts_s: float, source: int = 30, lasting_s: float = 1.0) -> list[Hole]:
    return [(source, one, one + lasting_s) for one in starts_s]


def test_cautions_of_a_place_are_told_the_first_time_it_is_moved() -> None:
    words = [(61.0, "now X1"), (70.0, "stop"), (71.0, "now X1")]
    _, told = played(80.0, words, book=Book())
    kinds = [one.kind for one in told]
    assert kinds.count("caution") == 1
    assert kinds.index("caution") == kinds.index("word") + 1


def test_a_controller_that_speaks_too_seldom_for_the_drop_is_not_taken_as_heard() -> None:
    book = Book()
    played(90.0, holes=drops_at(70.0), book=book)
    # The limit of E4 is 10 s: whether it was silent too for a second nobody can say.
    assert book.sets == [(frozenset({"E3"}), frozenset({"E1", "E2", "E3"}))]
    book = Book()
    played(120.0, holes=drops_at(70.0, lasting_s=20.0), book=book)
    assert book.sets == [(frozenset({"E3"}), frozenset({"E1", "E2", "E3", "E4"}))]


def test_a_drop_just_before_stop_is_waited_for_before_it_is_said_that_nothing_changed() -> None:
    book = Book()
    watching, _ = played(100.0, [(65.0, "now X1"), (90.0, "stop")], drops_at(89.8), book)
    assert book.moves == []
    assert watching.summary().places[0].verdict == "undecided"
    # At the end nobody waits; then what is not known yet does not count as moved.
    book = Book()
    played(90.0, [(69.9, "now X1")], book=book)
    assert book.moves == []
    book = Book()
    played(90.0, [(69.0, "now X1")], book=book)
    assert [one[:2] for one in book.moves] == [("X1", False)]


def test_what_was_undecided_is_looked_at_once_more_against_the_whole_watch() -> None:
    book = Book()
    words = [(61.0, "now X1"), (71.0, "stop")]
    watching, told = played(75.0, words, drops_at(65.5, 69.5), book)
    assert watching.summary().places[0].verdict == "undecided"
    assert any("that can be chance" in one.text for one in told)
    book = Book()
    watching, _ = played(300.0, words, drops_at(65.5, 69.5), book)
    assert [one[:2] for one in book.moves] == [("X1", True)]
    assert watching.summary().places[0].verdict == "reacted"


def test_peace_first_and_drops_later_is_no_verdict_of_peace() -> None:
    book = Book()
    words = [(61.0, "now X1"), (85.0, "stop"), (90.0, "now X1"), (95.0, "stop")]
    watching, _ = played(100.0, words, drops_at(92.0), book)
    assert [one[:2] for one in book.moves] == [("X1", False)]
    assert watching.summary().places[0].verdict == "undecided"


def test_all_minutes_of_the_watch_are_written_once() -> None:
    book = Book()
    words = [(61.0, "now X1"), (85.0, "now X2"), (125.0, "now X1"), (140.0, "stop")]
    played(200.0, words, drops_at(*np.arange(86.0, 122.0, 4.0).tolist()), book)
    assert [one[:2] for one in book.moves] == [("X1", False), ("X2", True)]
    minutes = sum(one for _, one in book.notes) + sum(one for _, _, one in book.moves)
    assert minutes == pytest.approx(200 / 60, abs=0.01)


def test_drops_of_one_place_are_noted_up_to_twenty_and_counted_beyond() -> None:
    book = Book()
    watching, _ = played(200.0, [(61.0, "now X1")], drops_at(*np.arange(62.0, 190.0, 4.0).tolist()), book)
    assert sum("dropped out at" in text for text, _ in book.notes) == 20
    assert len(watching.summary().places) == 1
    assert watching.summary().places[0].drops == 32


def test_a_job_that_takes_nothing_is_told_at_once_and_listed_at_the_end_and_the_watch_goes_on() -> None:
    watching, told = played(100.0, [(61.0, "now X1"), (95.0, "stop")], drops_at(70.0), Book(closed=True))
    assert any(one.kind == "trouble" and "The job is closed." in one.text for one in told)
    assert any(one.kind == "back" for one in told)
    said = watching.summary()
    assert said.written == 0
    assert len(said.not_written) >= 3


def test_the_sentence_has_the_figures_it_rests_on() -> None:
    watching, _ = played(300.0, [(61.0, "now X1"), (91.0, "stop")], drops_at(62.0, 66.0, 200.0))
    (place,) = watching.summary().places
    assert place.words.startswith("X1 moved for 30 s: 2 drops, against 1 in 270 s without.")
    assert place.p == pytest.approx(3 * 0.1**2 * 0.9 + 0.1**3, rel=0.02)
    assert f"its 10 % of the time in {100 * place.p:.2g} of 100 such watches" in place.words
    assert moved_words(Tied("X1", (), 12.0, 0, 50.0, 1.0, 2)).endswith("2 drops beside the word given count for none.")


def test_times_and_addresses_are_read_as_people_write_them() -> None:
    assert (still_s(""), still_s("1 min"), length_s(""), length_s("20 min")) == (30.0, 60.0, None, 1200.0)
    assert addresses_alone(("ECU1=3", "ECU2 = 11")) == {3: "ECU1", 11: "ECU2"}
    for wrong in ("ECU1", "=3", "ECU1=254", "ECU1=x"):
        with pytest.raises(UserError):
            addresses_alone((wrong,))
