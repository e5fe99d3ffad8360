"""The next check worth its minutes: information per minute, the access it needs counted in.

Information is about repair groups, not raw suspects: telling two suspects apart that need the same repair is
worth nothing. A repair is a check too, and is done at once when its odds pass a threshold. Electrical outcomes
are sorted into classes by how far they lie from the healthy value, in steps that widen with the distance.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from halfsplit.diagnosis import likelihood
from halfsplit.diagnosis.belief import NEW_LOOK, Belief
from halfsplit.diagnosis.checks import Check, short_checks, short_origin
from halfsplit.diagnosis.evidence import FALSE_FIND, FALSE_MOVE, Evidence
from halfsplit.diagnosis.ohms import connectors_along
from halfsplit.diagnosis.pairs import BOTH, FIRST, SECOND
from halfsplit.diagnosis.space import RepairGroup, Space
from halfsplit.faults.signatures import Signatures, StateTable
from halfsplit.machine.model import Machine

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

#: Repair at once above these odds: engine-notes part 3 measured 0.6, 0.75 and 0.9 within 4 % of each other, and
#: later repair the better the less the model is trusted.
REPAIR_AT = 0.90
#: No repair while this much says that nothing explains the evidence: engine-notes part 4.
NO_REPAIR_ABOVE = 0.30
#: Below these odds a repair is not offered as a check; keeps the list short, no source.
LEAST_REPAIR = 0.60
#: When nothing else is left to do, repairs down to these odds are offered before handing over.
LAST_REPAIR = 0.06
#: With the leads on, a person waits this many minutes at most for a fault that sleeps to show; from memory.
WAIT_MOST = 6
#: Live hypotheses: the best ones up to this mass and number.
LIVE_MASS = 0.995
LIVE_MOST = 700
#: Groups told apart when information is counted; the rest share one.
GROUPS_MOST = 48
#: Steps of the class scale in standard deviations, and classes to either side of the healthy one.
CLASS_STEP = 3.0
CLASS_SIDE = 7
#: A class is read wrongly this often (wrong pin probed 1 to 3 %: methods.md part 4).
MISREAD = 0.03
#: Minutes to see whether a repair worked, besides reaching the state: engine-notes part 3.
VERIFY_MIN = 3.0
#: A short is hunted behind at most this many fuses, from these odds that they were blown by it, along so many
#: connectors; keeps the next check quick, no source.
SHORT_FUSES = 1
SHORT_MASS = 0.25
SHORT_CONNECTORS = 7
#: A check is used up at this count, see Situation.done.
USED_UP = 6
#: Odds that nothing is wrong any more at which the hunt ends.
FINISH_AT = 0.93


@dataclass(frozen=True, slots=True)
class Situation:
    """What is open and set on the machine now, and what was done already.

    ``done`` counts for each check how much it was used up: 6 for one made while the fault showed (or it is not
    known), 1 while it slept, 3 for watching a function; looks count for ever, all else since the last piece of work.
    ``repaired`` counts the repairs of each group.
    """

    open_steps: frozenset[str] = frozenset()
    state: str = ""
    done: Mapping[str, int] = field(default_factory=dict)
    unreachable: frozenset[str] = frozenset()
    zones_out_of_reach: frozenset[str] = frozenset()
    showing: str = "unknown"
    repaired: Mapping[str, int] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Option:
    """A ranked next step: a check or the repair of a group, with minutes in all and information in nats."""

    check: Check | None
    repair: RepairGroup | None
    minutes: float
    setup_min: float
    information: float
    odds: float = 0.0

    @property
    def rate(self) -> float:
        """Information per minute."""
        return self.information / self.minutes


@dataclass(frozen=True, slots=True)
class Decision:
    """What to do next: "check", "repair", "finish" or "hand-over", the best option and the others by rank."""

    kind: str
    best: Option | None
    others: tuple[Option, ...]
    reason: str


def setup_minutes(machine: Machine, steps: Sequence[str], open_steps: frozenset[str]) -> float:
    """Minutes to open what is not open yet, closing it later included."""
    return sum(
        machine.access[step].open_min + machine.access[step].close_min
        for step in steps
        if step not in open_steps
    )


def state_minutes(machine: Machine, state: str, current: str) -> float:
    """Minutes to set the machine to another state."""
    return 0.0 if not state or state == current else machine.states[state].minutes


def entropy(mass: Floats, axis: int | tuple[int, ...]) -> Floats:
    """Entropy in nats of masses that sum to one along ``axis``."""
    with np.errstate(divide="ignore", invalid="ignore"):
        terms = np.where(mass > 0.0, mass * np.log(mass), 0.0)
    result: Floats = -terms.sum(axis=axis)
    return result


@dataclass(frozen=True, eq=False)
class Live:
    """The hypotheses worth computing with: rows with their mass awake and asleep, and a small group number.

    ``row`` ``[n]`` (the healthy line for the last one), ``awake`` and ``asleep`` ``[n]`` masses,
    ``group`` ``[n]``; ``names`` maps the small group number back (-1 rest, -2 nothing wrong now).
    """

    row: Ints
    awake: Floats
    asleep: Floats
    group: Ints
    names: tuple[int, ...]
    wait_min: float


def live(belief: Belief, showing: str = "unknown", waits: int = 0) -> Live:
    """The live hypotheses of a belief, pairs counted half on each remaining member.

    ``showing`` says whether the fault was there a moment ago: sleeping faults come and go in spells. With
    ``waits`` a person waits up to that many minutes for it to show; ``wait_min`` is the wait to expect.
    """
    space = belief.space
    weight = belief.there.copy()
    if len(belief.pool):
        # Hypotheses stand in pairs, steady then sleeping; what is left of a pair counts for its members.
        np.add.at(weight, 2 * belief.pool.rows[:, 0], 0.5 * belief.pairs[:, BOTH] + belief.pairs[:, FIRST])
        np.add.at(weight, 2 * belief.pool.rows[:, 1], 0.5 * belief.pairs[:, BOTH] + belief.pairs[:, SECOND])
    order = np.argsort(-weight)[:LIVE_MOST]
    total = weight.sum()
    if total > 0:
        keep = np.searchsorted(np.cumsum(weight[order]), LIVE_MASS * total) + 1
        order = order[:keep]
    mass = weight[order]
    groups = space.hyp_group[order]
    by_group = np.bincount(groups, weights=mass, minlength=len(space.groups))
    top = [int(group) for group in np.argsort(-by_group)[:GROUPS_MOST] if by_group[group] > 0]
    small = np.full(len(space.groups), len(top), dtype=np.int64)
    small[top] = np.arange(len(top))
    sleeps = space.hyp_sleeps[order]
    duty = space.duty[order]
    if showing != "unknown":
        duty = NEW_LOOK * duty + (1.0 - NEW_LOOK) * (showing == "yes")
    absent = np.where(sleeps, 1.0 - duty, 0.0)
    waited = np.zeros(len(order))
    for _ in range(waits):
        waited += absent
        absent = absent * (1.0 - NEW_LOOK * space.duty[order])
    duty = 1.0 - absent
    clear = belief.mended
    scale = 1.0 / max(mass.sum() + clear, 1e-300)
    return Live(
        row=np.append(space.hyp_row[order], space.rows),
        awake=np.append(mass * duty, clear) * scale,
        asleep=np.append(mass * (1.0 - duty), 0.0) * scale,
        group=np.append(small[groups], len(top) + 1),
        names=(*top, -1, -2),
        wait_min=float((waited @ mass + waits * clear) * scale),
    )


class Planner:
    """Ranks the checks of one machine; holds only arrays derived from the machine and its signatures."""

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
        self._along: dict[str, tuple[str, ...]] = {}
        self._arrays: dict[str, tuple[Ints, Ints, Floats, Floats]] = {}
        self._steps = sorted(
            {check.steps for check in self.checks} | {group_steps(self.machine, g) for g in space.groups}
        )

    def decide(
        self, belief: Belief, evidence: Evidence, situation: Situation, repair_at: float = REPAIR_AT,
        complaint_left: bool = False,
    ) -> Decision:  # fmt: skip
        """The next step for a belief, with the runner-ups.

        The hunt does not finish while the complaint was last seen to be there (``complaint_left``).
        """
        options = self.rank(belief, evidence, situation)
        if belief.mended >= FINISH_AT and belief.other < NO_REPAIR_ABOVE and not complaint_left:
            return Decision(
                "finish", None, tuple(options[:6]), "nothing is wrong any more, as far as can be told"
            )
        trusted = belief.other <= NO_REPAIR_ABOVE
        if trusted:
            for option in sorted(options, key=lambda one: -one.odds):
                if option.repair is not None and option.odds >= repair_at:
                    others = tuple(one for one in options if one is not option)
                    return Decision("repair", option, others[:6], "the odds are high enough to mend it")
                if option.repair is not None:
                    break
        else:
            options = [option for option in options if option.repair is None]
        if not options:
            return Decision("hand-over", None, (), "no check within reach tells any more")
        best = options[0]
        kind = "repair" if best.repair is not None else "check"
        return Decision(kind, best, tuple(options[1:7]), "it tells most for its minutes")

    def rank(self, belief: Belief, evidence: Evidence, situation: Situation) -> list[Option]:
        """All options by information per minute, best first."""
        now = live(belief, situation.showing)
        setup = {steps: setup_minutes(self.machine, steps, situation.open_steps) for steps in self._steps}
        patient = live(belief, situation.showing, WAIT_MOST)
        watched = frozenset(symptom.state for symptom in evidence.complaint.symptoms)
        groups = len(now.names)
        prior: Floats = np.bincount(now.group, weights=now.awake + now.asleep, minlength=groups).astype(np.float64)
        prior_entropy = float(entropy(prior, 0))
        found: list[Option] = []
        for check, information in self._information(
            now, patient, evidence, groups, prior, prior_entropy
        ):
            if information <= 1e-6 or self._barred(check, situation):
                continue
            before = self._setup(setup, check.steps, situation) + state_minutes(
                self.machine, check.state, situation.state
            )
            wait = patient.wait_min if check.kind in ("volts", "drop") and check.state in watched else 0.0
            found.append(Option(check, None, check.minutes + before + wait, before, float(information)))
        repairs = self._repairs(belief, setup, situation)
        found.extend(option for option in repairs if option.odds >= LEAST_REPAIR)
        found.sort(key=lambda option: -option.rate)
        return found or sorted(repairs, key=lambda option: -option.rate)

    def _setup(
        self, known: Mapping[tuple[str, ...], float], steps: tuple[str, ...], situation: Situation
    ) -> float:
        value = known.get(steps)
        return setup_minutes(self.machine, steps, situation.open_steps) if value is None else value

    def _barred(self, check: Check, situation: Situation) -> bool:
        if check.id in situation.unreachable or check.zone in situation.zones_out_of_reach:
            return True
        return situation.done.get(check.id, 0) >= USED_UP

    def _repairs(
        self, belief: Belief, setup: Mapping[tuple[str, ...], float], situation: Situation
    ) -> list[Option]:
        odds = belief.group_odds()
        found = []
        for number in np.flatnonzero(odds >= LAST_REPAIR):
            group = self.space.groups[int(number)]
            if group.zone in situation.zones_out_of_reach or group.id in situation.unreachable:
                continue
            before = situation.repaired.get(group.id, 0)
            if before > 1 or (before and odds[number] < LEAST_REPAIR):
                continue
            chance = min(float(odds[number]) * group.success, 1.0)
            share = np.array([chance, 1.0 - chance])
            opening = setup[group_steps(self.machine, group)]
            minutes = group.minutes + VERIFY_MIN + opening
            found.append(Option(None, group, minutes, opening, float(entropy(share, 0)), float(odds[number])))
        return found

    def _information(
        self, now: Live, patient: Live, evidence: Evidence, groups: int, prior: Floats,
        prior_entropy: float,
    ) -> list[tuple[Check, float]]:  # fmt: skip
        found: list[tuple[int, float]] = []
        watched = frozenset(symptom.state for symptom in evidence.complaint.symptoms)
        for state, numbers in self._by_state.items():
            table = self.signatures.state(state)
            seen = patient if state in watched else now
            found.extend(self._electrical(table, state, numbers, seen, groups, prior, prior_entropy, watched))
        found.extend(self._levels_and_codes(now, groups, prior_entropy))
        found.extend(self._looks(now, evidence, prior, prior_entropy))
        told = [(self.checks[number], value) for number, value in found]
        return [*told, *self._ohms(now, evidence, groups, prior_entropy)]

    def _state_arrays(
        self, table: StateTable, state: str, numbers: Sequence[int]
    ) -> tuple[Ints, Ints, Floats, Floats]:
        if state not in self._arrays:
            plus = np.array([table.nodes[self.checks[n].plus] for n in numbers], dtype=np.int64)
            minus = np.array([table.nodes[self.checks[n].minus] for n in numbers], dtype=np.int64)
            healthy = (table.lines.volts[-1, plus] - table.lines.volts[-1, minus]).astype(np.float64)
            fixed = likelihood.METER_V + likelihood.METER_SHARE * np.abs(healthy)
            sigma = np.sqrt(fixed**2 + table.spreads_v(plus, minus) ** 2)
            self._arrays[state] = (plus, minus, healthy, sigma)
        return self._arrays[state]

    def _electrical(
        self, table: StateTable, state: str, numbers: Sequence[int], now: Live, groups: int,
        prior: Floats, prior_entropy: float, watched: frozenset[str],
    ) -> list[tuple[int, float]]:  # fmt: skip
        plus, minus, healthy, sigma = self._state_arrays(table, state, numbers)
        rows, inverse = np.unique(now.row, return_inverse=True)
        volts = table.lines.volts[rows]
        away = (volts[:, plus] - volts[:, minus] - healthy.astype(np.float32)) * (
            1.0 / (CLASS_STEP * sigma)
        ).astype(np.float32)
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
        joint[:, CLASS_SIDE if state not in watched else classes - 1, :] = asleep
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
        information = _information_of(np.maximum(joint, 0.0), prior_entropy)
        return [(numbers[int(check)], float(value)) for check, value in zip(used, information, strict=True)]

    def _levels_and_codes(self, now: Live, groups: int, prior_entropy: float) -> list[tuple[int, float]]:
        found = []
        onehot = np.zeros((len(now.row), groups))
        onehot[np.arange(len(now.row)), now.group] = 1.0
        awake, asleep = now.awake[:, None] * onehot, (now.asleep[:, None] * onehot).sum(axis=0)
        chances: dict[tuple[str, str], Floats] = {}
        for number, check in enumerate(self.checks):
            if check.kind not in ("operate", "code"):
                continue
            table = self.signatures.state(check.state)
            key = (check.state, check.function or f"{check.controller}/{check.code}")
            if key not in chances:
                if check.kind == "operate":
                    value = likelihood.symptom_levels(table, table.lines, check.function, self.space)
                else:
                    active = table.lines.codes[:, table.codes[(check.controller, check.code)]]
                    chance = likelihood.code_chances(active, self.space)
                    value = np.stack([1.0 - chance, chance], axis=1)
                chances[key] = value
            value = chances[key]
            mass = value[now.row].T @ awake + value[-1][:, None] * asleep[None, :]
            found.append((number, float(_information_of(mass[None], prior_entropy)[0])))
        return found

    def _ohms(
        self, now: Live, evidence: Evidence, groups: int, prior_entropy: float
    ) -> list[tuple[Check, float]]:
        """Resistance checks: the bus pairs, and hunting a short downstream of a fuse that it blew."""
        checks = [check for check in self.checks if check.kind == "ohms"]
        checks += self._short_checks(now)
        found = []
        for check in checks:
            ohms = evidence.ohms.predicted(check.state, check.plus, check.minus, check.unplugged, now.row)
            decades = np.log10(ohms[now.row])
            away = (decades - np.log10(ohms[-1])) / (CLASS_STEP * likelihood.OHMS_DECADES)
            step = np.clip(np.rint(np.log2(1.0 + np.abs(away))), 0, CLASS_SIDE).astype(np.int64)
            kind = np.where(away < 0, CLASS_SIDE - step, CLASS_SIDE + step)
            joint = np.zeros((2 * CLASS_SIDE + 1, groups))
            np.add.at(joint, (kind, now.group), now.awake)
            np.add.at(joint[CLASS_SIDE], now.group, now.asleep)
            found.append((check, float(_information_of(joint[None], prior_entropy)[0])))
        return found

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

    def _looks(
        self,
        now: Live,
        evidence: Evidence,
        prior: Floats,
        prior_entropy: float,
    ) -> list[tuple[int, float]]:
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
            chance = np.array([space.faults[int(one)].mode.looks[kind] for one in numbers])
            false = FALSE_FIND
            if kind == "move":
                false = FALSE_MOVE
                share = np.minimum(2.0 * sleeping[numbers] / mass[numbers], 1.0)
                chance = chance * (0.25 + 0.75 * share)
            else:
                hidden = np.array([space.faults[int(one)].mode.hidden for one in numbers])
                chance = (1.0 - hidden) * chance + hidden * false
            positive = false * prior
            np.add.at(positive, group[numbers], mass[numbers] * (chance - false))
            joint = np.stack([prior - positive, positive])
            found.append((number, float(_information_of(joint[None], prior_entropy, misread=0.0)[0])))
        return found


def group_steps(machine: Machine, group: RepairGroup) -> tuple[str, ...]:
    """Access steps a repair needs."""
    return machine.steps_for_zone(group.zone, group.access)


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


def _information_of(joint: Floats, prior_entropy: float, misread: float = MISREAD) -> Floats:
    """Mutual information of outcome and group for joint masses ``[checks, outcomes, groups]``."""
    if misread:
        total = joint.sum(axis=1, keepdims=True)
        occupied = (joint.sum(axis=2, keepdims=True) > 0.0).astype(np.float64)
        share = occupied / np.maximum(occupied.sum(axis=1, keepdims=True), 1.0)
        joint = (1.0 - misread) * joint + misread * total * share
    both = entropy(joint, (1, 2))
    outcome = entropy(joint.sum(axis=2), 1)
    result: Floats = prior_entropy + outcome - both
    return np.maximum(result, 0.0)
