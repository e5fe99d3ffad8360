"""What each check would tell: the masses of its outcomes in each repair group, and the information in them.

Information is about repair groups, not raw suspects: telling two suspects apart that need the same repair is
worth nothing. Electrical outcomes are sorted into classes by how far they lie from the healthy value, in steps
that widen with the distance (module ``telling``). What never changes on a machine is worked out once for each row
and kept, so that a ranking takes the live rows' share of it and multiplies.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from halfsplit.circuit import native
from halfsplit.diagnosis import likelihood
from halfsplit.diagnosis.checks import Check, one_apart, round_functions, short_checks, short_origin
from halfsplit.diagnosis.compiled import seen_at_places
from halfsplit.diagnosis.evidence import FALSE_FIND, FALSE_MOVE, Evidence
from halfsplit.diagnosis.held import Held
from halfsplit.diagnosis.living import Floats, Ints, Live
from halfsplit.diagnosis.load_ohms import alone, can_be_read, load_check, load_of, suspected
from halfsplit.diagnosis.loading import Loading
from halfsplit.diagnosis.ohms import COLUMNS_HELD, connectors_along, scale_of
from halfsplit.diagnosis.space import Bools, Space
from halfsplit.diagnosis.telling import CLASS_SIDE, CLASS_STEP, ByClass, Plain, Sorted, Told
from halfsplit.faults.signatures import Signatures, StateTable

#: A class is read wrongly this often (wrong pin probed 1 to 3 %: methods.md part 4).
MISREAD = 0.03
#: Places where no live fault has more than this of the odds are not looked at; no source.
LEAST_SEEN = 1e-6
#: A short is hunted behind at most this many fuses, from these odds that they were blown by it, along so many
#: connectors; keeps the next check quick, no source.
SHORT_FUSES = 1
SHORT_MASS = 0.25
SHORT_CONNECTORS = 7
#: Ohms are asked for through at most so many loads, each with at least this share of the odds; no source.
LOADS = 2
LOAD_MASS = 0.08


class Teller:
    """What the checks of one machine would tell; holds only arrays derived from the machine."""

    def __init__(self, space: Space, signatures: Signatures, checks: Sequence[Check]) -> None:
        self.space = space
        self.machine = space.machine
        self.signatures = signatures
        self.checks = tuple(checks)
        self._by_state: dict[str, list[int]] = {}
        places: list[int] = []
        self._shown: list[int] = []
        for number, check in enumerate(self.checks):
            if check.kind in ("volts", "drop"):
                self._by_state.setdefault(check.state, []).append(number)
            elif check.kind in ("look", "move"):
                places.append(number)
            elif check.kind in ("operate", "code"):
                self._shown.append(number)
        self._places = Places(space, self.checks, places)
        self._ohm_checks = [check for check in self.checks if check.kind == "ohms"]
        self._round_checks = [check for check in self.checks if check.kind == "round"]
        self.loading = Loading(space, signatures, self.checks)
        self._along: dict[str, tuple[str, ...]] = {}
        self._sorted: dict[str, Sorted] = {}
        self._kept: dict[tuple[str, str], tuple[Sequence[Check], Ints]] = {}
        self._ohm_kinds: Held[str, Ints] = Held(COLUMNS_HELD)
        self._blows: dict[str, Bools] = {}
        self._loads: tuple[tuple[str, ...], Ints] | None = None
        self._patterns: dict[str, tuple[Ints, Ints]] = {}

    def told(
        self, now: Live, patient: Live, evidence: Evidence, prior: Floats, watched: frozenset[str],
        left_out: frozenset[str] = frozenset(),
    ) -> list[Told]:  # fmt: skip
        """What every check would tell that tells anything; functions in ``left_out`` (check ids) are not looked at.

        ``patient`` are the live hypotheses when a person waits for the fault to show, with the groups of ``now``;
        ``prior`` ``[groups]`` is their mass; in the states ``watched`` a person sees whether the fault shows.
        """
        found: list[Told] = []
        seen = {
            state: _as_seen(patient if state in watched else now, evidence, state) for state in self._by_state
        }
        for state, numbers in self._by_state.items():
            if state not in self._sorted:
                self._sorted[state] = self._electrical(self.signatures.state(state), numbers)
            of = self._of("volts", state, numbers)
            found.append(self._classed(of, self._sorted[state], seen[state], prior, watched=state in watched))
        found.extend(self._levels_and_codes(now, evidence, left_out))
        found.extend(self._rounds(now, evidence))
        found.extend(self._places.told(now, evidence, prior))
        found.extend(self._ohms(now, evidence))
        for state in self._by_state:
            numbers, known = self.loading.clamped(state, evidence)
            if numbers:
                of = self._of("amps", state, numbers)
                found.append(self._classed(of, known, seen[state], prior, watched=state in watched))
            numbers, joint = self.loading.lamps(state, seen[state], watched=state in watched)
            if numbers:
                checks, at = self._of("lamp", state, numbers)
                found.append(Plain(checks, joint, MISREAD, at))
        apart = self.loading.watching(now, evidence)
        found.extend(Plain((check,), joint[None], MISREAD) for check, joint in apart)
        return found

    def _of(self, what: str, state: str, numbers: Sequence[int]) -> tuple[Sequence[Check], Ints]:
        """The checks of some ``numbers``, which are always the same for ``what`` is asked of a state; kept."""
        if (what, state) not in self._kept:
            self._kept[what, state] = [self.checks[number] for number in numbers], np.array(numbers, dtype=np.int64)
        return self._kept[what, state]

    def _electrical(self, table: StateTable, numbers: Sequence[int]) -> Sorted:
        """In which class each row's prediction falls, for the voltage checks of a state."""
        plus = np.array([table.nodes[self.checks[n].plus] for n in numbers], dtype=np.int64)
        minus = np.array([table.nodes[self.checks[n].minus] for n in numbers], dtype=np.int64)
        healthy = (table.lines.volts[-1, plus] - table.lines.volts[-1, minus]).astype(np.float64)
        sigma = np.sqrt(likelihood.meter_v(healthy) ** 2 + table.spreads_v(plus, minus) ** 2)
        steps = (1.0 / (CLASS_STEP * sigma)).astype(np.float32)

        def away(rows: Ints) -> NDArray[np.float32]:
            volts = table.lines.volts[rows]
            result: NDArray[np.float32] = (volts[:, plus] - volts[:, minus] - healthy.astype(np.float32)) * steps
            return result

        return Sorted(self.space.rows + 1, len(numbers), away)

    def _classed(
        self, of: tuple[Sequence[Check], Ints], known: Sorted, now: Live, prior: Floats, *, watched: bool
    ) -> ByClass:
        """Checks sorted into classes, for live hypotheses with the lines they show.

        Where a function of the complaint can be seen (``watched``), a person knows whether the fault sleeps just now:
        those masses, and that of a mended machine, stand in a class of their own.
        """
        asleep = now.asleep_by_group.copy()
        asleep[-1] += prior[-1]
        usual = prior - asleep
        row, group, mass = now.rows_awake
        return ByClass(
            known, *of, row=row, group=group, mass=mass, usual=usual if watched else asleep + usual,
            asleep=asleep if watched else None, misread=MISREAD,
        )  # fmt: skip

    def _levels_and_codes(self, now: Live, evidence: Evidence, left_out: frozenset[str]) -> list[Told]:
        """Functions operated, and codes read: their chances weighed over the live hypotheses."""
        numbers = [number for number in self._shown if self.checks[number].id not in left_out]
        if not numbers:
            return []
        chances = evidence.shown(tuple(self.checks[number] for number in numbers))
        mass = now.awake_by_group(now.row, chances).T + chances[self.space.rows][:, None] * now.asleep_by_group
        checks = [self.checks[number] for number in numbers]
        joint = mass.reshape(len(numbers), -1, len(now.names))
        return [Plain(checks, joint, MISREAD, np.array(numbers, dtype=np.int64))]

    def _rounds(self, now: Live, evidence: Evidence) -> list[Told]:
        """Walks round the machine: what all functions of a state show together."""
        groups = len(now.names)
        found: list[Told] = []
        for check in self._round_checks:
            _, pattern = self.patterns(check.state, evidence)
            row = _as_seen(now, evidence, check.state).row
            _, kind = np.unique(np.append(pattern[row], pattern[-1]), return_inverse=True)
            found.append(Plain((check,), _masses(now, kind[:-1], int(kind[-1]), int(kind.max()) + 1, groups), MISREAD))
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

    def _ohms(self, now: Live, evidence: Evidence) -> list[Told]:
        """Resistance checks: bus pairs, hunting a short downstream of a fuse that it blew, suspected loads."""
        groups = len(now.names)
        found: list[Told] = []
        asked = [*self._ohm_checks, *self._short_checks(now), *self._load_checks(now)]
        for check in asked:
            every = self._ohm_classes(check, evidence, now.row)
            if every is None:
                continue
            kind = every[now.row]
            found.append(Plain((check,), _masses(now, kind, CLASS_SIDE, 2 * CLASS_SIDE + 1, groups), MISREAD))
            if check in self._ohm_checks and float(now.awake[kind != CLASS_SIDE].sum()) >= SHORT_MASS:
                asked.extend(self._one_apart(check))
        return found

    def _ohm_classes(self, check: Check, evidence: Evidence, rows: Ints) -> Ints | None:
        """In which class a resistance falls with each row there ``[rows + 1]``, worked out for ``rows`` and kept.

        None where ohms through a load say nothing of that load alone. Of ``rows`` the sound machine is the last.
        """
        known = self._ohm_kinds.get(check.id, lambda: np.full(self.space.rows + 1, -1, dtype=np.int64))
        if (known[rows] >= 0).all():
            return known
        ohms = evidence.ohms.predicted(check.state, check.plus, check.minus, check.unplugged, rows)
        load = self.machine.parts.get(load_of(check.id))
        if load is not None and not check.unplugged and not alone(self.machine, load, float(ohms[-1])):
            return None
        live, sound = ohms[rows], ohms[-1:]
        sigma = evidence.ohms.sigma(check.plus, check.minus, live)
        away = (scale_of(live) - scale_of(sound)) / (CLASS_STEP * np.maximum(sigma, sigma[-1]))
        step = np.clip(np.rint(np.log2(1.0 + np.abs(away))), 0, CLASS_SIDE).astype(np.int64)
        known[rows] = np.where(away < 0, CLASS_SIDE - step, CLASS_SIDE + step)
        return known

    def _one_apart(self, check: Check) -> tuple[Check, ...]:
        """A bus line that may be wrong, again with one connector apart at a time."""
        if check.plus not in self._along:
            table = self.signatures.state(check.state)
            self._along[check.plus] = connectors_along(table.netlist, self.machine, check.plus)[:SHORT_CONNECTORS]
        return one_apart(self.machine, check, self._along[check.plus])

    def _load_checks(self, now: Live) -> list[Check]:
        """Ohms through the loads that are suspected most, their plugs apart."""
        space, state = self.space, next(iter(self._by_state), "")
        if not state:
            return []
        if self._loads is None:
            owners = dict.fromkeys(fault.owner for fault in space.faults)
            names = tuple(name for name in owners if can_be_read(self.machine, name))
            number = {name: at for at, name in enumerate(names)}
            self._loads = names, np.array([number.get(fault.owner, len(names)) for fault in space.faults])
        names, owner = self._loads
        mass = (now.awake + now.asleep)[:-1]
        share = np.bincount(owner[space.row_fault[now.row[:-1]]], weights=mass, minlength=len(names) + 1)
        some = ((names[at], float(share[at])) for at in np.flatnonzero(share[:-1] >= LOAD_MASS).tolist())
        loads = suspected(self.machine, some, LOAD_MASS, LOADS)
        found = (load_check(self.machine, part, state) for part in loads)
        return [check for check in found if check is not None]

    def _short_checks(self, now: Live) -> list[Check]:
        found: list[Check] = []
        for state in self._by_state:
            table = self.signatures.state(state)
            if state not in self._blows:
                self._blows[state] = np.asarray(table.lines.blown.any(axis=1), dtype=np.bool_)
            at = np.flatnonzero(self._blows[state][now.row])
            mass = (now.awake + now.asleep)[at] @ table.lines.blown[now.row[at]]
            for fuse in np.argsort(-mass)[:SHORT_FUSES] if len(at) else ():
                if mass[fuse] >= SHORT_MASS:
                    name = table.fuses[int(fuse)]
                    if name not in self._along:
                        origin = short_origin(self.machine, name)
                        along = connectors_along(table.netlist, self.machine, origin[0]) if origin else ()
                        self._along[name] = along[:SHORT_CONNECTORS]
                    found.extend(short_checks(self.machine, name, state, self._along[name]))
            break
        return found


def _as_seen(now: Live, evidence: Evidence, state: str) -> Live:
    """The live hypotheses with the lines they show in a state, fuses blown before included."""
    return replace(now, row=evidence.carried(state)[now.row])


def _masses(now: Live, kind: Ints, sound: int, kinds: int, groups: int) -> Floats:
    """Masses ``[1, kinds, groups]`` of a check that shows ``kind`` ``[n]`` for each hypothesis, asleep ``sound``."""
    joint = np.bincount(kind * groups + now.group, weights=now.awake, minlength=kinds * groups).astype(np.float64)
    joint = joint.reshape(1, kinds, groups)
    joint[0, sound] += now.asleep_by_group
    return joint

@dataclass(frozen=True, eq=False)
class _Sights:
    """Which faults a look can show: place ``[pairs]``, fault ``[pairs]``, and how often it does with the fault there.

    ``chance`` ``[pairs]`` holds false finds; ``most`` is what of it needs the fault to come and go (1 for moves).
    """

    place: Ints
    fault: Ints
    chance: Floats

    @cached_property
    def pinned(self) -> dict[str, native.Pinned]:
        """The same for the compiled code."""
        return {name: native.Pinned(getattr(self, name)) for name in ("place", "fault", "chance")}


class Places:
    """Looks at and moves of places; what they may show is worked out once for each set of states complained of."""

    def __init__(self, space: Space, checks: Sequence[Check], numbers: Sequence[int]) -> None:
        self._space = space
        self._numbers = np.array(numbers, dtype=np.int64)
        self._checks = tuple(checks[number] for number in numbers)
        self._fault = np.append(space.row_fault, len(space.faults))
        self._moves = np.array([check.look == "" for check in self._checks], dtype=np.bool_)
        self._false = np.where(self._moves, FALSE_MOVE, FALSE_FIND)
        self._kept: dict[tuple[str, ...], _Sights] = {}
        self._pinned = {
            name: native.Pinned(one)
            for name, one in (("fault_of", self._fault), ("moves", self._moves), ("false_find", self._false))
        }

    def _sights(self, evidence: Evidence) -> _Sights:
        # A look at a fuse shows what blew it in the states of the complaint.
        key = tuple(dict.fromkeys(symptom.state for symptom in evidence.complaint.symptoms))
        if key not in self._kept:
            place, fault, chance = [], [], []
            for at, check in enumerate(self._checks):
                kind = check.look or "move"
                for number in evidence.faults_seen_at(kind, check.place):
                    sees, hidden = evidence.sight(kind, check.place, number)
                    place.append(at)
                    fault.append(number)
                    chance.append(sees if kind == "move" else (1.0 - hidden) * sees + hidden * FALSE_FIND)
            self._kept[key] = _Sights(
                np.array(place, dtype=np.int64), np.array(fault, dtype=np.int64), np.array(chance, dtype=np.float64)
            )
        return self._kept[key]

    def told(self, now: Live, evidence: Evidence, prior: Floats) -> list[Told]:
        """What each look would tell that can show a live fault."""
        space, known, groups = self._space, self._sights(evidence), len(now.names)
        count = len(space.faults) + 1
        compiled = seen_at_places(
            len(self._checks), count, LEAST_SEEN, row=now.row, group=now.group, awake=now.awake,
            asleep=now.asleep, prior=prior, **self._pinned, **known.pinned,
        )  # fmt: skip
        if compiled is not None:
            at, joint = compiled
            return [Plain([self._checks[number] for number in at.tolist()], joint, 0.0, self._numbers[at])]
        fault = self._fault[now.row]
        mass = np.bincount(fault, weights=now.awake + now.asleep, minlength=count)
        sleeping = np.bincount(fault, weights=now.asleep, minlength=count)
        group = np.zeros(count, dtype=np.int64)
        group[fault] = now.group
        live = np.flatnonzero(mass[known.fault] > LEAST_SEEN)
        place, seen, chance = known.place[live], known.fault[live], known.chance[live]
        share = np.minimum(2.0 * sleeping[seen] / mass[seen], 1.0)
        chance = np.where(self._moves[place], chance * (0.25 + 0.75 * share), chance)
        # Places come in order.
        first = np.diff(place, prepend=-1) > 0
        at, where = place[first], np.cumsum(first) - 1
        false = self._false[at]
        more = np.bincount(
            where * groups + group[seen], weights=mass[seen] * (chance - false[where]), minlength=len(at) * groups
        )
        positive = false[:, None] * prior + more.reshape(len(at), groups)
        checks = [self._checks[number] for number in at.tolist()]
        return [Plain(checks, np.stack([prior - positive, positive], axis=1), 0.0, self._numbers[at])]
