"""Who spoke how often, and who fell silent.

The rule: a sender's period is the median of its gaps, and a gap is a silence when it is longer than 5 periods, longer
than one and a half times its 99th percentile, and no shorter than a tenth of a second. The factors let messages sent
in bursts or on events through; senders with fewer than 20 frames have no period worth the name. (Factors: common
practice, no source. The tenth of a second: nobody could see or feel less, and a busy sender's 17 ms are the
recorder's; common practice, no source.) The time from a sender's last frame to the end of the log is a gap like the
others, and so is not the time before its first: it may have been off.

Gaps are kept as they are up to ``MOST_EXACT`` of them in a log and as a histogram with steps of 1.1 % beyond, so that
a log of any length needs the same memory; the longest ones are always kept as they are.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

PERIODS = 5.0
LATE_SHARE = 0.99
LATE_FACTOR = 1.5
SHORTEST_S = 0.1
FEWEST_FRAMES = 20

#: Gaps kept as they are, in all senders together (32 MB).
MOST_EXACT = 4_000_000
#: Longest gaps kept of each sender.
MOST_LONGEST = 512
#: Senders that are told apart; frames of more are counted together. No machine has as many; invented.
MOST_SENDERS = 4096

_STEPS = 64  # of the histogram in each doubling
_SHORTEST_LOG2 = -20  # 1 microsecond
_BINS = 45 * _STEPS


@dataclass(frozen=True, slots=True)
class Silence:
    """A sender that had been heard was not, between two frames or from its last to the end (``to_end``)."""

    key: int
    from_s: float
    to_s: float
    to_end: bool = False

    @property
    def seconds(self) -> float:
        """How long it lasted."""
        return self.to_s - self.from_s


@dataclass(frozen=True, slots=True)
class Habit:
    """How one sender spoke. ``period_s``, ``jitter_s``, ``late_s`` and ``limit_s`` are None below 20 frames.

    ``jitter_s`` is half the width between the 5th and the 95th percentile of its gaps, ``late_s`` their 99th, and
    ``limit_s`` the gap from which on it counts as silent. ``silences`` are in order of time; of more than
    ``MOST_LONGEST`` the longest.
    """

    key: int
    count: int
    first_s: float
    last_s: float
    period_s: float | None
    jitter_s: float | None
    late_s: float | None
    limit_s: float | None
    silences: tuple[Silence, ...]


class _Sender:
    """What is gathered of one sender."""

    __slots__ = ("bins", "count", "exact", "first", "last", "long_from", "long_s", "open_since")

    def __init__(self, first: float) -> None:
        self.count = 0
        self.first = first
        self.last = first
        self.open_since: float | None = None  # time of its last frame in the present piece of the log
        self.exact: list[NDArray[np.float64]] | None = []
        self.bins: NDArray[np.int64] | None = None
        self.long_from: NDArray[np.float64] = np.empty(0)
        self.long_s: NDArray[np.float64] = np.empty(0)

    def add(self, begins: NDArray[np.float64], gaps: NDArray[np.float64]) -> None:
        if self.exact is not None:
            self.exact.append(gaps)
        else:
            self._count(gaps)
        self.keep_longest(begins, gaps)

    def keep_longest(self, begins: NDArray[np.float64], gaps: NDArray[np.float64]) -> None:
        if len(self.long_s) >= MOST_LONGEST:
            longer = gaps > self.long_s.min()
            if not longer.any():
                return
            begins, gaps = begins[longer], gaps[longer]
        all_from, all_s = np.concatenate((self.long_from, begins)), np.concatenate((self.long_s, gaps))
        if len(all_s) > MOST_LONGEST:
            kept = np.sort(np.argpartition(all_s, -MOST_LONGEST)[-MOST_LONGEST:])
            all_from, all_s = all_from[kept], all_s[kept]
        self.long_from, self.long_s = all_from, all_s

    def fold(self) -> None:
        """Turns the gaps kept so far into the histogram."""
        if self.exact is not None:
            kept, self.exact = self.exact, None
            for gaps in kept:
                self._count(gaps)

    def _count(self, gaps: NDArray[np.float64]) -> None:
        places = np.floor((np.log2(np.maximum(gaps, 2.0**_SHORTEST_LOG2)) - _SHORTEST_LOG2) * _STEPS)
        found = np.bincount(np.minimum(places, _BINS - 1).astype(np.int64), minlength=_BINS)
        self.bins = found if self.bins is None else self.bins + found

    def quantiles(self, shares: tuple[float, ...]) -> list[float]:
        if self.exact is not None:
            return [float(one) for one in np.quantile(np.concatenate(self.exact), shares)]
        assert self.bins is not None
        reached = np.cumsum(self.bins)
        places = np.searchsorted(reached, np.array(shares) * reached[-1])
        return [float(2.0 ** ((place + 0.5) / _STEPS + _SHORTEST_LOG2)) for place in places]


class Habits:
    """Gathers how senders speak from blocks in the order of the log. Keys are whole numbers from 0."""

    def __init__(self, most_exact: int = MOST_EXACT) -> None:
        self._senders: dict[int, _Sender] = {}
        self._most_exact = most_exact
        self._kept = 0
        self._folded = False
        self._end = 0.0
        #: Frames of senders beyond ``MOST_SENDERS``.
        self.uncounted = 0

    def add(self, time_s: NDArray[np.float64], key: NDArray[np.integer]) -> None:
        """Adds frames: times (n,) in order within each sender, and whose they are (n,)."""
        if not len(time_s):
            return
        order = np.argsort(key, kind="stable")
        keys, times = key[order], time_s[order]
        edges = np.flatnonzero(np.diff(keys)) + 1
        begins = [0, *edges.tolist()]
        ends = [*edges.tolist(), len(keys)]
        gaps = np.maximum(np.diff(times), 0.0)
        for begin, end in zip(begins, ends, strict=True):
            number = int(keys[begin])
            sender = self._senders.get(number)
            if sender is None:
                if len(self._senders) >= MOST_SENDERS:
                    self.uncounted += end - begin
                    continue
                sender = self._senders[number] = _Sender(float(times[begin]))
                if self._folded:
                    sender.fold()
            self._kept += self._extend(sender, times[begin:end], gaps[begin : end - 1])
        self._end = max(self._end, float(time_s.max()))
        if self._kept > self._most_exact and not self._folded:
            self._folded = True
            for sender in self._senders.values():
                sender.fold()

    @staticmethod
    def _extend(sender: _Sender, times: NDArray[np.float64], gaps: NDArray[np.float64]) -> int:
        begins = times[:-1]
        if sender.open_since is not None:
            before = sender.open_since
            begins = np.concatenate(((before,), begins))
            gaps = np.concatenate(((max(float(times[0]) - before, 0.0),), gaps))
        sender.count += len(times)
        sender.last = max(sender.last, float(times[-1]))
        sender.open_since = float(times[-1])
        if len(gaps):
            sender.add(begins, gaps)
        return len(gaps)

    def break_off(self) -> None:
        """The clock jumped: gaps up to here end here, and no gap reaches across."""
        for sender in self._senders.values():
            if sender.open_since is not None:
                sender.keep_longest(np.array([sender.open_since]), np.array([max(self._end - sender.open_since, 0.0)]))
                sender.open_since = None

    def found(self) -> Iterator[Habit]:
        """The habit of each sender, by key."""
        for number in sorted(self._senders):
            yield self._habit(number, self._senders[number])

    def _habit(self, number: int, sender: _Sender) -> Habit:
        if sender.count < FEWEST_FRAMES or (sender.exact == [] and sender.bins is None):
            return Habit(number, sender.count, sender.first, sender.last, None, None, None, None, ())
        early, period, late, latest = sender.quantiles((0.05, 0.5, 0.95, LATE_SHARE))
        limit = max(PERIODS * period, LATE_FACTOR * latest, SHORTEST_S)
        silent = sender.long_s > limit
        found = [
            Silence(number, begin, begin + gap)
            for begin, gap in zip(sender.long_from[silent].tolist(), sender.long_s[silent].tolist(), strict=True)
        ]
        if sender.open_since is not None and self._end - sender.open_since > limit:
            found.append(Silence(number, sender.open_since, self._end, to_end=True))
        found.sort(key=lambda one: one.from_s)
        return Habit(
            number, sender.count, sender.first, sender.last, period, (late - early) / 2, latest, limit,
            tuple(found),
        )  # fmt: skip


def habits(time_s: NDArray[np.float64], key: NDArray[np.integer]) -> tuple[Habit, ...]:
    """The habits of all senders of a decoded log: times (n,) in seconds, in order, and whose each frame is (n,)."""
    gathered = Habits()
    gathered.add(time_s, key)
    return tuple(gathered.found())
