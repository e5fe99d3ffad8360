"""What each check would tell: the masses of its outcomes in each repair group, and the information in them.

Information is about repair groups, not raw suspects: telling two suspects apart that need the same repair is
worth nothing. Electrical outcomes are sorted into classes by how far they lie from the healthy value, in steps
that widen with the distance.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from halfsplit.diagnosis import likelihood
from halfsplit.diagnosis.checks import Check, round_functions, short_checks, short_origin
from halfsplit.diagnosis.evidence import FALSE_FIND, FALSE_MOVE, Evidence
from halfsplit.diagnosis.living import Floats, Ints, Live
from halfsplit.diagnosis.load_ohms import alone, load_check, load_of, suspected
from halfsplit.diagnosis.loading import Loading
from halfsplit.diagnosis.ohms import connectors_along, scale_of
from halfsplit.diagnosis.space import Space
from halfsplit.faults.signatures import Signatures, StateTable

#: Steps of the class scale in standard deviations, and classes to either side of the healthy one.
CLASS_STEP = 3.0
CLASS_SIDE = 7
#: A class is read wrongly this often (wrong pin probed 1 to 3 %: methods.md part 4).
MISREAD = 0.03
#: A short is hunted behind at most this many fuses, from these odds that they were blown by it, along so many
#: connectors; keeps the next check quick, no source.
SHORT_FUSES = 1
SHORT_MASS = 0.25
SHORT_CONNECTORS = 7
#: Ohms are asked for through at most so many loads, each with at least this share of the odds; no source.
LOADS = 2
LOAD_MASS = 0.08


def entropy(mass: Floats, axis: int | tuple[int, ...]) -> Floats:
    """Entropy in nats of masses that sum to one along ``axis``."""
    with np.errstate(divide="ignore", invalid="ignore"):
        terms = np.where(mass > 0.0, mass * np.log(mass), 0.0)
    result: Floats = -terms.sum(axis=axis)
    return result


@dataclass(frozen=True, eq=False)
class Told:
    """What some checks would tell: joint masses of outcome and small group, ``[checks, outcomes, groups]``.

    Each check's masses sum to one. ``misread`` is how often an outcome is taken for another of the outcomes that
    can occur; the masses are before it.
    """

    checks: tuple[Check, ...]
    joint: Floats
    misread: float

    def information(self, prior_entropy: float) -> Floats:
        """Mutual information of outcome and group in nats, ``[checks]``, for the groups' entropy."""
        joint = as_read(self.joint, self.misread)
        both = entropy(joint, (1, 2))
        outcome = entropy(joint.sum(axis=2), 1)
        result: Floats = prior_entropy + outcome - both
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


def _as_seen(now: Live, evidence: Evidence, state: str) -> Live:
    """The live hypotheses with the lines they show in a state, fuses blown before included."""
    return replace(now, row=evidence.carried(state)[now.row])


class Teller:
    """What the checks of one machine would tell; holds only arrays derived from the machine."""

    def __init__(self, space: Space, signatures: Signatures, checks: Sequence[Check]) -> None:
        self.space = space
        self.machine = space.machine
        self.signatures = signatures
        self.checks = tuple(checks)
        self._by_state: dict[str, list[int]] = {}
        self._places: list[int] = []
        for number, check in enumerate(self.checks):
            if check.kind in ("volts", "drop"):
                self._by_state.setdefault(check.state, []).append(number)
            elif check.kind in ("look", "move"):
                self._places.append(number)
        self.loading = Loading(space, signatures, self.checks)
        self._along: dict[str, tuple[str, ...]] = {}
        self._arrays: dict[str, tuple[Ints, Ints, Floats, Floats]] = {}
        self._patterns: dict[str, tuple[Ints, Ints]] = {}

    def told(
        self, now: Live, patient: Live, evidence: Evidence, prior: Floats, watched: frozenset[str]
    ) -> list[Told]:
        """What every check would tell that tells anything.

        ``patient`` are the live hypotheses when a person waits for the fault to show, with the groups of ``now``;
        ``prior`` ``[groups]`` is their mass; in the states ``watched`` a person sees whether the fault shows.
        """
        groups = len(now.names)
        found: list[Told] = []
        for state, numbers in self._by_state.items():
            table = self.signatures.state(state)
            seen = _as_seen(patient if state in watched else now, evidence, state)
            found.extend(self._electrical(table, state, numbers, seen, groups, prior, watched))
        found.extend(self._levels_and_codes(now, evidence, groups))
        found.extend(self._rounds(now, evidence, groups))
        found.extend(self._looks(now, evidence, prior))
        found.extend(self._ohms(now, evidence, groups))
        found.extend(self._loads(now, patient, evidence, prior, watched))
        return found

    def _loads(
        self, now: Live, patient: Live, evidence: Evidence, prior: Floats, watched: frozenset[str]
    ) -> list[Told]:
        """Lamps and clamps in every state, and functions watched with a connector apart."""
        groups = len(now.names)
        found: list[Told] = []
        for state in self._by_state:
            seen = _as_seen(patient if state in watched else now, evidence, state)
            rows, inverse = np.unique(seen.row, return_inverse=True)
            checks, away = self.loading.clamped(state, evidence, rows)
            told = self._classed(
                checks, (away / CLASS_STEP).astype(np.float32), inverse, seen, groups,
                prior=prior, watched=state in watched,
            )  # fmt: skip
            found.extend(told)
            lamps = self.loading.lamps(state, seen, groups, watched=state in watched)
            if lamps is not None:
                found.append(Told(*lamps, MISREAD))
        apart = self.loading.watching(now, evidence, groups)
        found.extend(Told((check,), joint[None], MISREAD) for check, joint in apart)
        return found

    def _state_arrays(
        self, table: StateTable, state: str, numbers: Sequence[int]
    ) -> tuple[Ints, Ints, Floats, Floats]:
        if state not in self._arrays:
            plus = np.array([table.nodes[self.checks[n].plus] for n in numbers], dtype=np.int64)
            minus = np.array([table.nodes[self.checks[n].minus] for n in numbers], dtype=np.int64)
            healthy = (table.lines.volts[-1, plus] - table.lines.volts[-1, minus]).astype(np.float64)
            fixed = likelihood.meter_v(healthy)
            sigma = np.sqrt(fixed**2 + table.spreads_v(plus, minus) ** 2)
            self._arrays[state] = (plus, minus, healthy, sigma)
        return self._arrays[state]

    def _electrical(
        self, table: StateTable, state: str, numbers: Sequence[int], now: Live, groups: int,
        prior: Floats, watched: frozenset[str],
    ) -> list[Told]:  # fmt: skip
        plus, minus, healthy, sigma = self._state_arrays(table, state, numbers)
        rows, inverse = np.unique(now.row, return_inverse=True)
        volts = table.lines.volts[rows]
        away = (volts[:, plus] - volts[:, minus] - healthy.astype(np.float32)) * (
            1.0 / (CLASS_STEP * sigma)
        ).astype(np.float32)
        checks = tuple(self.checks[number] for number in numbers)
        return self._classed(checks, away, inverse, now, groups, prior=prior, watched=state in watched)

    def _classed(
        self, checks: Sequence[Check], away: NDArray[np.float32], inverse: Ints, now: Live, groups: int, *,
        prior: Floats, watched: bool,
    ) -> list[Told]:  # fmt: skip
        """Outcomes sorted into classes by ``away`` ``[rows, checks]``, steps from the healthy value.

        ``inverse`` gives the row of each live hypothesis.
        """
        rows = np.arange(len(away))
        size = np.abs(away)
        away_rows, away_checks = np.nonzero(size > 0.5)
        if not len(away_checks):
            return []
        step = np.rint(np.log2(1.0 + size[away_rows, away_checks])).astype(np.int64)
        step = np.clip(np.maximum(step, 1), 1, CLASS_SIDE)
        kind = np.where(away[away_rows, away_checks] < 0, CLASS_SIDE - step, CLASS_SIDE + step)
        used, at = np.unique(away_checks, return_inverse=True)
        # Mass of each (row, group) awake; rows map to one group unless sets share them.
        row_mass = np.zeros((len(rows), groups))
        np.add.at(row_mass, (inverse, now.group), now.awake)
        row_index, row_group = np.nonzero(row_mass)
        spans = np.bincount(row_index, minlength=len(rows))
        starts = np.concatenate([[0], np.cumsum(spans)])
        classes = 2 * CLASS_SIDE + 2
        joint = np.zeros((len(used), classes, groups))
        # Where a function of the complaint can be seen, a person knows whether the fault sleeps just now: those
        # masses, and that of a mended machine, stand in a class of their own.
        asleep = np.bincount(now.group, weights=now.asleep, minlength=groups)
        asleep[-1] += prior[-1]
        joint[:, classes - 1 if watched else CLASS_SIDE, :] = asleep
        joint[:, CLASS_SIDE, :] += prior - asleep
        if spans.max() <= 1:
            live_rows = spans[away_rows] > 0
            pick = starts[away_rows[live_rows]]
            group, mass = row_group[pick], row_mass[row_index[pick], row_group[pick]]
            check, level = at[live_rows], kind[live_rows]
        else:
            check, level, group, mass = _spread_out(
                away_rows, at, kind, spans, starts, row_group, row_mass, row_index
            )
        flat = (check * classes + level) * groups + group
        joint += np.bincount(flat, weights=mass, minlength=joint.size).reshape(joint.shape)
        usual = (check * classes + CLASS_SIDE) * groups + group
        joint -= np.bincount(usual, weights=mass, minlength=joint.size).reshape(joint.shape)
        told = tuple(checks[int(check)] for check in used)
        return [Told(told, np.maximum(joint, 0.0), MISREAD)]

    def _levels_and_codes(self, now: Live, evidence: Evidence, groups: int) -> list[Told]:
        found = []
        onehot = np.zeros((len(now.row), groups))
        onehot[np.arange(len(now.row)), now.group] = 1.0
        awake, asleep = now.awake[:, None] * onehot, (now.asleep[:, None] * onehot).sum(axis=0)
        for check in self.checks:
            if check.kind not in ("operate", "code"):
                continue
            if check.kind == "operate":
                value = evidence.levels(check.function, check.state)
            else:
                table = self.signatures.state(check.state)
                active = table.lines.codes[:, table.codes[(check.controller, check.code)]]
                chance = likelihood.code_chances(active, self.space)[evidence.carried(check.state)]
                value = np.stack([1.0 - chance, chance], axis=1)
            mass = value[now.row].T @ awake + value[-1][:, None] * asleep[None, :]
            found.append(Told((check,), mass[None], MISREAD))
        return found

    def _rounds(self, now: Live, evidence: Evidence, groups: int) -> list[Told]:
        """Walks round the machine: what all functions of a state show together."""
        found = []
        for check in self.checks:
            if check.kind != "round":
                continue
            _, pattern = self.patterns(check.state, evidence)
            row = _as_seen(now, evidence, check.state).row
            _, kind = np.unique(np.append(pattern[row], pattern[-1]), return_inverse=True)
            joint = np.zeros((int(kind.max()) + 1, groups))
            np.add.at(joint, (kind[:-1], now.group), now.awake)
            np.add.at(joint, (kind[-1], now.group), now.asleep)
            found.append(Told((check,), joint[None], MISREAD))
        return found

    def patterns(self, state: str, evidence: Evidence) -> tuple[Ints, Ints]:
        """What all functions of a state may show together, and which of these each row and the sound machine does.

        Levels ``[patterns, functions]``, 0 off to 2 on, and the number of a pattern ``[rows + 1]``.
        """
        if state not in self._patterns:
            functions = round_functions(self.machine, state)
            levels = np.stack([evidence.row_levels(one, state).argmax(axis=1) for one in functions], axis=1)
            # One text of bytes a row sorts sixty times as fast as rows of numbers do, and in the same order.
            whole = np.ascontiguousarray(levels, dtype=np.uint8).view(f"S{len(functions)}").ravel()
            _, first, number = np.unique(whole, return_index=True, return_inverse=True)
            self._patterns[state] = levels[first], number
        return self._patterns[state]

    def _ohms(self, now: Live, evidence: Evidence, groups: int) -> list[Told]:
        """Resistance checks: bus pairs, hunting a short downstream of a fuse that it blew, suspected loads."""
        checks = [check for check in self.checks if check.kind == "ohms"]
        checks += self._short_checks(now)
        checks += self._load_checks(now)
        found = []
        for check in checks:
            ohms = evidence.ohms.predicted(check.state, check.plus, check.minus, check.unplugged, now.row)
            load = self.machine.parts.get(load_of(check.id))
            if load is not None and not check.unplugged and not alone(self.machine, load, float(ohms[-1])):
                continue
            sigma = evidence.ohms.sigma(check.plus, check.minus, ohms)
            step_of = CLASS_STEP * np.maximum(sigma[now.row], sigma[-1])
            away = (scale_of(ohms[now.row]) - scale_of(ohms[-1:])) / step_of
            step = np.clip(np.rint(np.log2(1.0 + np.abs(away))), 0, CLASS_SIDE).astype(np.int64)
            kind = np.where(away < 0, CLASS_SIDE - step, CLASS_SIDE + step)
            joint = np.zeros((2 * CLASS_SIDE + 1, groups))
            np.add.at(joint, (kind, now.group), now.awake)
            np.add.at(joint[CLASS_SIDE], now.group, now.asleep)
            found.append(Told((check,), joint[None], MISREAD))
        return found

    def _load_checks(self, now: Live) -> list[Check]:
        """Ohms through the loads that are suspected most, their plugs apart."""
        space = self.space
        fault = space.row_fault[now.row[:-1]]
        mass = np.bincount(fault, weights=(now.awake + now.asleep)[:-1], minlength=len(space.faults))
        owners = ((space.faults[at].owner, float(mass[at])) for at in np.flatnonzero(mass).tolist())
        state = next(iter(self._by_state), "")
        loads = suspected(self.machine, owners, LOAD_MASS, LOADS) if state else ()
        found = (load_check(self.machine, part, state) for part in loads)
        return [check for check in found if check is not None]

    def _short_checks(self, now: Live) -> list[Check]:
        found: list[Check] = []
        for state in self._by_state:
            table = self.signatures.state(state)
            mass = (now.awake + now.asleep) @ table.lines.blown[now.row]
            for fuse in np.argsort(-mass)[:SHORT_FUSES]:
                if mass[fuse] >= SHORT_MASS:
                    name = table.fuses[int(fuse)]
                    if name not in self._along:
                        origin = short_origin(self.machine, name)
                        along = connectors_along(table.netlist, self.machine, origin[0]) if origin else ()
                        self._along[name] = along[:SHORT_CONNECTORS]
                    found.extend(short_checks(self.machine, name, state, self._along[name]))
            break
        return found

    def _looks(self, now: Live, evidence: Evidence, prior: Floats) -> list[Told]:
        space = self.space
        fault = np.append(space.row_fault, len(space.faults))[now.row]
        mass = np.bincount(fault, weights=now.awake + now.asleep, minlength=len(space.faults) + 1)
        sleeping = np.bincount(fault, weights=now.asleep, minlength=len(space.faults) + 1)
        group = np.zeros(len(space.faults) + 1, dtype=np.int64)
        group[fault] = now.group
        found = []
        for number in self._places:
            check = self.checks[number]
            kind = check.look or "move"
            seen = evidence.faults_seen_at(kind, check.place)
            numbers = np.array([one for one in seen if mass[one] > 1e-6], dtype=np.int64)
            if not len(numbers):
                continue
            sights = np.array([evidence.sight(kind, check.place, int(one)) for one in numbers])
            chance = sights[:, 0]
            false = FALSE_FIND
            if kind == "move":
                false = FALSE_MOVE
                share = np.minimum(2.0 * sleeping[numbers] / mass[numbers], 1.0)
                chance = chance * (0.25 + 0.75 * share)
            else:
                chance = (1.0 - sights[:, 1]) * chance + sights[:, 1] * false
            positive = false * prior
            np.add.at(positive, group[numbers], mass[numbers] * (chance - false))
            joint = np.stack([prior - positive, positive])
            found.append(Told((check,), joint[None], 0.0))
        return found


def _spread_out(
    away_rows: Ints,
    at: Ints,
    kind: Ints,
    spans: Ints,
    starts: Ints,
    row_group: Ints,
    row_mass: Floats,
    row_index: Ints,
) -> tuple[Ints, Ints, Ints, Floats]:
    """Repeats every (row, check) pair for each group that shares the row."""
    counts = spans[away_rows]
    repeat = np.repeat(np.arange(len(away_rows)), counts)
    offset = np.arange(len(repeat)) - np.repeat(np.cumsum(counts) - counts, counts)
    pick = starts[away_rows[repeat]] + offset
    return at[repeat], kind[repeat], row_group[pick], row_mass[row_index[pick], row_group[pick]]
