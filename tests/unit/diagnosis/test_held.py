"""What is held for all hunts of a machine: made once, the oldest let go; and lines put in order."""

from __future__ import annotations

import numpy as np

from halfsplit.diagnosis.held import Held
from halfsplit.diagnosis.pairs import _rising


def test_a_value_is_made_once_and_the_oldest_is_let_go() -> None:
    made: list[str] = []
    held: Held[str, str] = Held(2)

    def value(key: str) -> str:
        def make() -> str:
            made.append(key)
            return key.upper()

        return held.get(key, make)

    assert [value(key) for key in "abab"] == ["A", "B", "A", "B"]
    assert made == ["a", "b"]
    assert value("c") == "C"
    assert len(held) == 2
    assert value("b") == "B"
    assert value("a") == "A"
    assert made == ["a", "b", "c", "a"]


def test_few_long_lines_are_put_in_order_and_each_kept_once() -> None:
    rng = np.random.default_rng(4)
    for lines in (1, 2, 7, 12):
        drawn = rng.integers(3, size=(lines, 40)).astype(np.float64)
        drawn[:, :5] = 0.0
        drawn[-1] = drawn[0]
        assert np.array_equal(_rising(drawn), np.unique(drawn, axis=0))
    assert _rising(np.zeros((0, 4))).shape == (0, 4)
