"""How fast bus logs are worked through: silences from decoded frames, and a text log beside python-can's own reader.

    python bench/bench_buslog.py

Both logs are invented: ``FRAMES`` frames of 40 senders at random times for the silences; a text log of ``LINES`` lines
of eight senders for the reading. Processor seconds, the least of ``REPEATS`` runs, both sides in turn in one process.
"The whole survey" is everything `halfsplit buslog read` works out.
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import can
import numpy as np
from numpy.typing import NDArray
from rows import Row, finish, parser

from halfsplit.buslog.joint import joint_silences
from halfsplit.buslog.reading import open_log
from halfsplit.buslog.silences import Habits
from halfsplit.buslog.survey import survey

FRAMES = 2_000_000
SENDERS = 40
BLOCK = 65_536
LINES = 100_000
REPEATS = 3
SILENCES_PER_S = 1e6  # what was set out to be reached
#: Reading may take this much longer than the reader alone: it is bound by it. Invented for the bench.
READING_SHARE = 1.25


def least_s(*works: Callable[[], object]) -> list[float]:
    """The least processor seconds of each, taken in turn."""
    times: list[list[float]] = [[] for _ in works]
    for _ in range(REPEATS):
        for work, kept in zip(works, times, strict=True):
            begun = time.process_time()
            work()
            kept.append(time.process_time() - begun)
    return [min(kept) for kept in times]


def silences(time_s: NDArray[np.float64], key: NDArray[np.uint16]) -> int:
    """The silences analysis, block by block as in a long log."""
    habits = Habits()
    for begin in range(0, len(time_s), BLOCK):
        habits.add(time_s[begin : begin + BLOCK], key[begin : begin + BLOCK])
    return len(joint_silences(habits.found()))


def write(path: Path) -> None:
    """A text log of eight senders with 8 bytes a frame."""
    with path.open("w", encoding="ascii") as out:
        for n in range(LINES):
            out.write(f"({n / 1000:.6f}) can0 18FEF1{n % 8:02X}#{n:016X}\n")


def main() -> int:
    given = parser(__doc__).parse_args()
    chance = np.random.default_rng(20261127)
    time_s = np.cumsum(chance.exponential(1e-3, FRAMES))
    key = chance.integers(0, SENDERS, FRAMES).astype(np.uint16)
    (analysed,) = least_s(lambda: silences(time_s, key))
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "x.log")
        write(path)
        alone, ours, whole = least_s(
            lambda: sum(1 for _ in can.LogReader(path)),
            lambda: sum(len(block) for block in open_log(path).blocks()),
            lambda: survey(open_log(path)),
        )
    rows = [
        Row("frames through the silences analysis", FRAMES / analysed, "frames/s", SILENCES_PER_S, at_least=True),
        Row("reading beside the reader alone", ours / alone, "x", READING_SHARE),
        Row("the reader alone", LINES / alone, "frames/s"),
        Row("reading", LINES / ours, "frames/s"),
        Row("the whole survey", LINES / whole, "frames/s"),
    ]
    return finish("buslog", given, rows)


if __name__ == "__main__":
    sys.exit(main())
