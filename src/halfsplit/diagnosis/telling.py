"""Joint masses of what checks show and the repair group behind it, kept so that few numbers are touched.

Information is counted about repair groups: ``I = H(group) + H(outcome) - H(outcome, group)``. A check's outcome is
misread now and then, for one of the outcomes that can occur, which makes every outcome possible in every group. Kept
as plain arrays that is a logarithm for every check, outcome and group. But most suspects leave most checks at their
usual outcome, so that nearly all of those numbers are the same from check to check: :class:`ByClass` keeps the masses
that depart from the usual one, and works out the rest once for each number of outcomes that can occur.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property
from threading import Lock
from typing import Protocol

import numpy as np
from numpy.typing import NDArray
from scipy.special import entr

from halfsplit.circuit import native
from halfsplit.diagnosis.checks import Check
from halfsplit.diagnosis.compiled import ByPair, Stays, plain_information
from halfsplit.diagnosis.living import Floats, Ints

#: Steps of the class scale in standard deviations.
CLASS_STEP = 3.0
#: Classes to either side of the healthy one.
CLASS_SIDE = 7
#: Classes of a check: to both sides, the healthy one, and asleep.
CLASSES = 2 * CLASS_SIDE + 2
#: Of a group whose mass is taken away whole, rounding leaves no more than this; it is no outcome that can occur.
ROUNDING = 1e-12
#: Away from the healthy prediction by at most this share of a class step is the healthy class.
NEAR = 0.5


def entropy(mass: Floats, axis: int | tuple[int, ...]) -> Floats:
    """Entropy in nats of masses that sum to one along ``axis``."""
    result: Floats = entr(mass).sum(axis=axis)
    return result


class Told(Protocol):
    """What some checks would tell: joint masses of outcome and small group before misreading.

    Each check's masses sum to one. ``misread`` is how often an outcome is taken for another of those that can occur.
    """

    @property
    def checks(self) -> Sequence[Check]:
        """The checks, in order."""
        ...

    @property
    def numbers(self) -> Ints | None:
        """Their numbers among the checks of the machine, None where they are made up on the way."""
        ...

    @property
    def misread(self) -> float:
        """See above."""
        ...

    def masses(self, numbers: Sequence[int]) -> Floats:
        """Joint masses of some of the checks, ``[numbers, outcomes, groups]``."""
        ...

    def information(self, prior_entropy: float) -> Floats:
        """Mutual information of outcome and group in nats, ``[checks]``, for the groups' entropy."""
        ...


@dataclass(frozen=True, eq=False)
class Plain:
    """The same as one array ``joint`` ``[checks, outcomes, groups]``; unused outcomes are zero."""

    checks: Sequence[Check]
    joint: Floats
    misread: float
    numbers: Ints | None = None

    def masses(self, numbers: Sequence[int]) -> Floats:
        """See :class:`Told`."""
        result: Floats = self.joint[numbers]
        return result

    def information(self, prior_entropy: float) -> Floats:
        """See :class:`Told`."""
        found = plain_information(self.joint, self.misread, prior_entropy)
        if found is not None:
            return found
        joint = as_read(self.joint, self.misread)
        result: Floats = prior_entropy + entropy(joint.sum(axis=2), 1) - entropy(joint, (1, 2))
        return np.maximum(result, 0.0)


def as_read(joint: Floats, misread: float) -> Floats:
    """Joint masses ``[checks, outcomes, groups]`` of what is read, misreadings included."""
    if not misread:
        return joint
    total = joint.sum(axis=1, keepdims=True)
    occupied = (joint.sum(axis=2, keepdims=True) > 0.0).astype(np.float64)
    share = occupied / np.maximum(occupied.sum(axis=1, keepdims=True), 1.0)
    result: Floats = (1.0 - misread) * joint + misread * total * share
    return result


class Sorted:
    """Which class each row's prediction falls in, for some checks; worked out for rows when they are first asked for.

    ``away`` gives for rows ``[n]`` how far each check's prediction lies from the healthy one, in steps of the class
    scale, ``[n, checks]``. Kept are the pairs of row and check that lie apart from the healthy class.
    """

    def __init__(self, rows: int, checks: int, away: Callable[[Ints], NDArray[np.float32]]) -> None:
        self._away = away
        self._lock = Lock()
        #: Where the pairs of each row are kept, -1 where they are not known yet, and how many it has.
        self.first: Ints = np.full(rows, -1, dtype=np.int64)
        self.count: Ints = np.zeros(rows, dtype=np.int64)
        self._number: Ints = np.full(checks * CLASSES, -1, dtype=np.int64)
        #: Check of each kept pair, and the number of its check and class together.
        self.check: Ints = np.zeros(0, dtype=np.int64)
        self.kind: Ints = np.zeros(0, dtype=np.int64)
        self._pinned: tuple[Ints, Stays] | None = None
        #: Check and class of each number.
        self.check_of: Ints = np.zeros(0, dtype=np.int64)
        self.class_of: Ints = np.zeros(0, dtype=np.int64)

    def pairs(self, rows: Ints) -> tuple[Ints, Ints]:
        """The pairs of some rows (repeats allowed): where they are kept ``[pairs]``, and how many each has ``[n]``."""
        self.know(rows)
        count = self.count[rows]
        ends = np.cumsum(count)
        total = int(ends[-1]) if len(ends) else 0
        return np.repeat(self.first[rows] - (ends - count), count) + np.arange(total), count

    def pinned(self) -> Stays:
        """The arrays ``first``, ``count``, ``check``, ``kind`` and ``class_of`` for the compiled code."""
        with self._lock:
            if self._pinned is None or self._pinned[0] is not self.kind:
                arrays = self.first, self.count, self.check, self.kind, self.class_of
                self._pinned = self.kind, Stays(*map(native.Pinned, arrays))
            return self._pinned[1]

    def know(self, rows: Ints) -> None:
        """Works out the pairs of those rows that are not known yet."""
        if (self.first[rows] < 0).any():
            with self._lock:
                self._add(np.unique(rows[self.first[rows] < 0]))

    def _add(self, rows: Ints) -> None:
        away = self._away(rows)
        size = np.abs(away)
        at, check = np.nonzero(size > NEAR)
        step = np.rint(np.log2(1.0 + size[at, check])).astype(np.int64)
        step = np.clip(np.maximum(step, 1), 1, CLASS_SIDE)
        code = check * CLASSES + np.where(away[at, check] < 0, CLASS_SIDE - step, CLASS_SIDE + step)
        new = np.unique(code[self._number[code] < 0])
        self._number[new] = len(self.check_of) + np.arange(len(new))
        self.check_of = np.concatenate([self.check_of, new // CLASSES])
        self.class_of = np.concatenate([self.class_of, new % CLASSES])
        before, count = len(self.check), np.bincount(at, minlength=len(rows))
        self.check = np.concatenate([self.check, check])
        self.kind = np.concatenate([self.kind, self._number[code]])
        # Last, since whoever finds a row known reads its pairs.
        self.count[rows] = count
        self.first[rows] = before + np.cumsum(count) - count


class ByClass:
    """What checks sorted into classes would tell, see the head of this file.

    ``checks`` are those of ``known``, ``numbers`` theirs. ``row``, ``group`` and ``mass`` ``[n]`` are the rows awake
    with their small group, in order; ``usual`` ``[groups]`` is the mass in the healthy class before any awake one is
    taken out, ``asleep`` ``[groups]`` that of a class of its own, None where there is none.
    """

    def __init__(
        self, known: Sorted, checks: Sequence[Check], numbers: Ints, *,
        row: Ints, group: Ints, mass: Floats, usual: Floats, asleep: Floats | None, misread: float,
    ) -> None:  # fmt: skip
        self.misread = misread
        self._known, self._all, self._numbers = known, checks, numbers
        self._row, self._group, self._mass = row, group, mass
        self._usual, self._asleep = usual, asleep
        self._compiled = native.available()
        known.know(row)

    @cached_property
    def _by_pair(self) -> ByPair:
        return ByPair(
            len(self._all), self._row, self._group, self._mass, self._known.pinned(), self._usual, self._asleep,
            self.misread,
        )  # fmt: skip

    @cached_property
    def _moved(self) -> _Moved:
        return _Moved(self._known, self._row, self._group, self._mass, len(self._all), len(self._usual))

    @cached_property
    def _at(self) -> Ints:
        """The checks that a row moves."""
        return self._moved.at

    @property
    def numbers(self) -> Ints:
        """See :class:`Told`."""
        found: Ints = self._numbers[self._at]
        return found

    @cached_property
    def checks(self) -> Sequence[Check]:
        """See :class:`Told`."""
        return [self._all[number] for number in self._at.tolist()]

    def masses(self, numbers: Sequence[int]) -> Floats:
        """See :class:`Told`."""
        if self._compiled:
            where = np.full(len(self._all), -1, dtype=np.int64)
            where[self._at[numbers]] = np.arange(len(numbers))
            return self._by_pair.masses(where, len(numbers), CLASSES)
        return self._moved.masses(numbers, self._usual, self._asleep)

    def information(self, prior_entropy: float) -> Floats:
        """See :class:`Told`."""
        if self._compiled:
            found = self._by_pair.information(prior_entropy)
            if found is not None:
                self.__dict__["_at"], information = found
                return information
        return self._moved.information(self._usual, self._asleep, self.misread, prior_entropy)


def _left(usual: Floats, taken: Floats) -> Floats:
    """What is left of the mass of each group ``[groups]`` when some is ``taken`` ``[..., groups]``, rounding aside."""
    left = usual - taken
    return np.where(left > ROUNDING, left, 0.0)


class _Moved:
    """The same in arrays: the masses that depart from the usual class."""

    def __init__(self, known: Sorted, row: Ints, group: Ints, mass: Floats, total: int, groups: int) -> None:
        kept, count = known.pairs(row)
        check, kind = known.check[kept], known.kind[kept]
        of_pair, weight = np.repeat(group, count), np.repeat(mass, count)
        kinds = len(known.check_of)
        self.at = np.flatnonzero(np.bincount(check, minlength=total) > 0)
        place = np.zeros(total, dtype=np.int64)
        place[self.at] = np.arange(len(self.at))
        # What is taken from the usual class of each check and group, ``[checks, groups]``.
        flat = np.bincount(place[check] * groups + of_pair, weights=weight, minlength=len(self.at) * groups)
        self._taken: Floats = flat.reshape(-1, groups).astype(np.float64)
        # The masses that moved, with the check, class and group they are now in, ``[moved]``.
        flat = np.bincount(kind * groups + of_pair, weights=weight, minlength=kinds * groups)
        at = np.flatnonzero(flat != 0.0)
        self._moved: Floats = flat[at].astype(np.float64)
        self._kind = at // groups
        self._group = at - self._kind * groups
        self._kinds = kinds
        self._place = place[known.check_of]
        self._class = known.class_of

    def masses(self, numbers: Sequence[int], usual: Floats, asleep: Floats | None) -> Floats:
        """Joint masses of some of the checks, ``[numbers, outcomes, groups]``."""
        where = np.full(len(self.at), -1)
        where[numbers] = np.arange(len(numbers))
        joint = np.zeros((len(numbers), CLASSES, len(usual)))
        of_moved = where[self._place[self._kind]]
        inside = of_moved >= 0
        joint[of_moved[inside], self._class[self._kind[inside]], self._group[inside]] = self._moved[inside]
        joint[:, CLASS_SIDE] = _left(usual, self._taken[numbers])
        if asleep is not None:
            joint[:, CLASSES - 1] = asleep
        return joint

    def information(
        self, all_usual: Floats, asleep: Floats | None, misread: float, prior_entropy: float
    ) -> Floats:
        """Mutual information of outcome and group in nats, ``[checks]``, for the groups' entropy."""
        here, right = len(self.at), 1.0 - misread
        if not here:
            return np.zeros(0)
        group_mass = all_usual if asleep is None else all_usual + asleep
        whole, groups = float(group_mass.sum()), len(group_mass)
        usual = _left(all_usual, self._taken)
        of_usual = usual.sum(axis=1)
        of_kind = np.bincount(self._kind, weights=self._moved, minlength=self._kinds)
        there = np.flatnonzero(of_kind != 0.0)
        of_kind, place = of_kind[there], self._place[there]
        asleep = asleep if asleep is not None and float(asleep.sum()) > 0.0 else None
        occurs = of_usual > 0.0
        moved_kinds = np.bincount(place, minlength=here)
        outcomes = moved_kinds + occurs + (asleep is not None)
        # What another outcome misread adds to each of n outcomes that can occur, by n: [outcomes, groups].
        share = misread / np.maximum(np.arange(int(outcomes.max()) + 1), 1)
        added = share[:, None] * group_mass
        of_added, of_usual_added = entr(added), entr(right * all_usual + added)
        # Outcome and group together: first as if no mass were moved, then what moved.
        both = moved_kinds * of_added.sum(axis=1)[outcomes]
        of_moved = self._place[self._kind]
        at = outcomes[of_moved] * groups + self._group
        change = entr(right * self._moved + added.ravel()[at]) - of_added.ravel()[at]
        both += np.bincount(of_moved, weights=change, minlength=here)
        touched = np.flatnonzero(self._taken.ravel() != 0.0)
        check = touched // groups
        at = outcomes[check] * groups + (touched - check * groups)
        change = entr(right * usual.ravel()[touched] + added.ravel()[at]) - of_usual_added.ravel()[at]
        change = np.bincount(check, weights=change, minlength=here)
        both += np.where(occurs, of_usual_added.sum(axis=1)[outcomes] + change, 0.0)
        # The outcome alone.
        more = whole * share[outcomes]
        alone = np.bincount(place, weights=entr(right * of_kind + more[place]), minlength=here)
        alone += np.where(occurs, entr(right * of_usual + more), 0.0)
        if asleep is not None:
            both += entr(right * asleep + added).sum(axis=1)[outcomes]
            alone += entr(right * float(asleep.sum()) + more)
        result: Floats = np.maximum(prior_entropy + alone - both, 0.0)
        return result
