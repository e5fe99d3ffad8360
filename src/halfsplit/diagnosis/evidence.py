# Over 500 lines: every kind of observation is weighed here, by the same rules and with one cache.
"""Everything observed so far, turned into likelihoods and kept by epoch.

An epoch is the time between two pieces of work. Within an epoch a fault is there or gone; at its end the work
may have cured it. Observations of one epoch commute: only sums and counts of them are kept.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property, partial

import numpy as np
from numpy.typing import NDArray

from halfsplit.circuit.observing import told_by_log
from halfsplit.diagnosis import clamps, instruments, lamps, likelihood, readings, scatter, stages
from halfsplit.diagnosis.checks import Check
from halfsplit.diagnosis.compiled_weighing import alike
from halfsplit.diagnosis.complaining import by_mistake, named
from halfsplit.diagnosis.held import Held
from halfsplit.diagnosis.ohms import OhmsTables
from halfsplit.diagnosis.repeats import settled
from halfsplit.diagnosis.space import Space
from halfsplit.diagnosis.stages import LetGo
from halfsplit.diagnosis.voltages import Columns, Voltages
from halfsplit.errors import UserError
from halfsplit.faults.curing import cure_chances
from halfsplit.faults.signatures import Signatures
from halfsplit.observations import (
    Action,
    CodeSeen,
    Complaint,
    Look,
    Move,
    Observation,
    OutOfReach,
    Reading,
    Symptom,
    wrong_pin_chance,
)

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

#: Codes raised from this module, each with one sentence.
CODES: dict[str, str] = {
    "evidence-state": "The machine file has no state of that name.",
    "evidence-function": "The machine file has no function of that name.",
    "evidence-code": "The controller raises no trouble code of that name.",
    "evidence-point": "The machine has no point of that name for a probe.",
    "reading-kind": "A lamp or clamp reading with a connector apart cannot be weighed; volts and functions can.",
}

#: A look at a sound place finds something all the same this often; from memory (slight marks, old dirt).
FALSE_FIND = 0.05
#: A function flickers when a sound place is moved this often; from memory.
FALSE_MOVE = 0.03
#: Chance that a complaint says "comes and goes" for a fault that does, and for one that does not; from memory.
SAID_SLEEPS = (0.80, 0.08)
#: A sleeping fault comes and goes in spells, so looking again soon is only this much of a new look; invented
#: from spells of two or three checks.
NEW_LOOK = 0.4
#: Share of its success that a repair keeps when it is done a second time; from memory.
AGAIN = 0.5
#: Chance of a find, a reaction or a code under "something else".
ELSE_FIND = 0.10
#: With a connector apart the circuit is another one and every row is solved anew. Those rows are solved that all else
#: seen so far leaves within this of the best (natural logarithm: a millionth), at least and at most so many, so that
#: the next check stays quick; the others are taken as healthy.
APART_WITHIN = 14.0
APART_LEAST = 500
APART_MOST = 1000
#: Log prior that any one row is taken to have when those without a chance are let go; most have less.
ROW_PRIOR = -4.0
#: Functions and states whose levels are held for a machine, three numbers for each row, and of how many nine, at each
#: place where the severity may lie; no source.
LEVELS_HELD = 64
PLACES_HELD = 40


@dataclass(frozen=True, eq=False)
class Weighed:
    """One observation weighed: likelihood per row and the healthy machine last, and under something else.

    ``places`` ``[3, rows + 1]`` is that at each place where the severity may lie (``likelihood.PLACES``); None where
    what was seen is weighed for all of them at once.
    """

    per_row: Floats
    other: float
    showing: str
    places: Floats | None = None

    @cached_property
    def log(self) -> Floats:
        """Natural logarithm of ``per_row``."""
        result: Floats = np.log(self.per_row)
        return result

    @cached_property
    def log_places(self) -> Floats:
        """Natural logarithm at each place, ``[3, rows + 1]``, or ``[1, rows + 1]`` where all are alike."""
        return self.log[None] if self.places is None else np.log(self.places)


@dataclass(frozen=True, eq=False)
class Moment:
    """What was seen at one moment, weighed: of every row there and the sound machine last, and of something else.

    ``log`` ``[places, rows + 1]`` while it shows, ``asleep`` ``[places, rows]`` while it sleeps, and ``awake``
    ``[places, rows]`` what is added to that where nobody knows which (nothing in it where it is known); one or three
    places of the severity, see ``Weighed``.
    """

    log: Floats
    asleep: Floats
    awake: Floats
    other: float
    showing: str


@dataclass(frozen=True, eq=False)
class Said:
    """What the rows say of one observation: log likelihood ``[rows + 1]``, and how far they stray from sound."""

    log: Floats
    strays: Floats


Electrical = Symptom | Reading | CodeSeen
#: Rows weighed by voltages together: steady, sleeping where known, sleeping where not ``[rows]``, and something else.
Blocked = tuple[stages.Weighed, stages.Weighed | None, Floats, float]


def _is_ohms(observed: Electrical) -> bool:
    return isinstance(observed, Reading) and observed.quantity == "ohms"


class _RowLevels:
    """Chances of the levels of functions by themselves, for every row, kept once computed."""

    def __init__(self, signatures: Signatures) -> None:
        self._signatures = signatures
        self._levels: Held[tuple[str, str], Floats] = Held(LEVELS_HELD)
        self._places: Held[tuple[str, str], Floats] = Held(PLACES_HELD)

    def of(self, function: str, state: str, space: Space) -> Floats:
        """Those of a function in a state, ``[rows + 1, 3]``; ``space`` is one of the machine's own rows."""
        return self._levels.get(
            (function, state), lambda: likelihood.anywhere(self.at_places(function, state, space))
        )

    def at_places(self, function: str, state: str, space: Space) -> Floats:
        """The same at each place where the severity may lie, ``[3, rows + 1, 3]``."""
        table = self._signatures.state(state)
        near = likelihood.beside(table, space)
        return self._places.get(
            (function, state), lambda: likelihood.level_places(table, table.lines, function, near)
        )


@dataclass
class Epoch:
    """Observations between two pieces of work, and the work that ended it.

    ``electrical`` holds symptoms and codes as they came; ``apart`` symptoms with something unplugged, which say
    nothing of how the machine works now; ``repeats`` the values of each reading, by the reading with its value
    left out: a machine's tolerances do not change between two readings of one point, so they count once, with
    their mean (a lamp with what was seen most often).
    """

    electrical: list[Symptom | CodeSeen] = field(default_factory=list)
    apart: list[Symptom] = field(default_factory=list)
    repeats: dict[Reading, list[float]] = field(default_factory=dict)
    looks: Counter[tuple[str, str, bool]] = field(default_factory=Counter)
    moves: Counter[tuple[str, bool]] = field(default_factory=Counter)
    ended_by: Action | None = None
    _settled: tuple[int, list[Reading]] = field(default=(-1, []), init=False, compare=False)

    def readings(self) -> list[Reading]:
        """Every point read, once, with what its values come to (see ``repeats.settled``)."""
        count = sum(map(len, self.repeats.values()))  # values are only ever added
        if self._settled[0] != count:
            self._settled = count, settled(self.repeats)
        return self._settled[1]

    def volts(self) -> tuple[Reading, ...]:
        """The voltage readings with everything plugged, which are weighed together."""
        return tuple(one for one in self.readings() if _in_block(one))

    def observed(self) -> list[Electrical]:
        """What is weighed one by one: symptoms, codes and all other readings."""
        return [*self.electrical, *self.apart, *(one for one in self.readings() if not _in_block(one))]

    def moments(self) -> list[tuple[Electrical, ...]]:
        """The same, with what was seen at one moment together.

        Functions seen in one state belong to one walk round, in which a sleeping fault shows at all of them or at
        none; a function seen again belongs to the next walk, and what was told to another than what the technician
        saw. What is known to have shown or not stands alone.
        """
        walks: dict[tuple[str, int, bool], list[Electrical]] = {}
        alone: list[tuple[Electrical, ...]] = []
        times: Counter[tuple[str, str, bool]] = Counter()
        for one in self.observed():
            if isinstance(one, Symptom) and one.showing == "unknown" and not one.unplugged:
                walk = times[one.function, one.state, one.reported]
                times[one.function, one.state, one.reported] += 1
                walks.setdefault((one.state, walk, one.reported), []).append(one)
            else:
                alone.append((one,))
        return [*map(tuple, walks.values()), *alone]

    def everything(self) -> list[Electrical]:
        """All electrical observations."""
        return [*self.electrical, *self.apart, *self.readings()]


def _in_block(one: Reading) -> bool:
    return one.quantity == "volts" and not one.unplugged


class Evidence:
    """Weighs observations against a space; ``epochs`` is what the belief reads."""

    def __init__(self, space: Space, signatures: Signatures, complaint: Complaint) -> None:
        self.space = space
        self.signatures = signatures
        self.complaint = complaint
        self.ohms = signatures.shared(OhmsTables)
        self.lamps = signatures.shared(lamps.LampTables)
        self.clamps = signatures.shared(clamps.ClampTables)
        self._row_levels = signatures.shared(_RowLevels)
        self.epochs: list[Epoch] = [Epoch()]
        self.unreachable: set[str] = set()
        self._cache: dict[Observation, Weighed] = {}
        self._asleep: Ints | None = None
        self._blowing: dict[str, dict[int, float]] = {}
        self._cures: dict[tuple[str, str], Floats] = {}
        self._blocks: dict[tuple[tuple[Reading, ...], bool, float | None], Blocked] = {}
        self._joint: dict[tuple[Reading, ...], readings.Block] = {}
        self._levels: dict[tuple[str, str], Floats] = {}
        self._carried: dict[str, Ints] = {}
        self._columns = Columns(signatures, space, self.carried)
        self._shown: dict[tuple[str, ...], Floats] = {}
        self._said: dict[Electrical, Said] = {}
        self._moments: dict[tuple[tuple[Electrical, ...], bool], Moment] = {}
        self._strays: dict[tuple[str, str], Floats] = {}
        for symptom in complaint.symptoms:
            self.add(symptom)

    def add(self, observation: Observation) -> None:
        """Takes one more observation; UserError when it names something this machine does not have."""
        epoch = self.epochs[-1]
        if isinstance(observation, Reading):
            if _in_block(observation):
                self._known(observation)  # weighed with the others, when the odds are asked for
            else:
                self.weigh(observation)
            epoch.repeats.setdefault(replace(observation, value=0.0), []).append(observation.value)
        elif isinstance(observation, Symptom | CodeSeen):
            self.weigh(observation)
            if isinstance(observation, Symptom) and observation.unplugged:
                epoch.apart.append(observation)
            else:
                epoch.electrical.append(observation)
        elif isinstance(observation, Look):
            epoch.looks[(observation.look, observation.place, observation.found)] += 1
        elif isinstance(observation, Move):
            epoch.moves[(observation.place, observation.changed)] += 1
        elif isinstance(observation, Action):
            epoch.ended_by = observation
            self.epochs.append(Epoch())
        elif isinstance(observation, OutOfReach):
            self.unreachable.add(observation.check)

    def weigh(self, observation: Symptom | Reading | CodeSeen) -> Weighed:
        """The likelihood of an electrical observation for every row, and healthy last."""
        if observation not in self._cache:
            self._known(observation)
            likely, places = self._rows(observation)
            if not _is_ohms(observation) and not getattr(observation, "unplugged", ()):
                likely = likely[self.carried(observation.state)]
                places = None if places is None else places[:, self.carried(observation.state)]
            flat = self._flat(observation)
            if isinstance(observation, Symptom) and observation in self.complaint.symptoms:
                told = named(self.space.machine, observation, self.levels(observation.function, observation.state))
                likely = likely * told
                places = None if places is None else places * told
                flat *= by_mistake(self.space.machine, observation.state)
            self._cache[observation] = Weighed(likely, flat, observation.showing, places)
        return self._cache[observation]

    def carried(self, state: str) -> Ints:
        """The line that tells what each row looks like in a state, ``[rows + 1]``.

        A fuse that a row blows in a state of the complaint stays open in the others: there the row looks like that
        fuse blown. Not for resistances, which are read with the fuse pulled.
        """
        if state not in self._carried:
            table = self.signatures.state(state)
            blown = self._blown_by()
            line = np.arange(self.space.rows + 1)
            rows = np.flatnonzero(blown < self.space.rows)
            here = table.lines.blown[rows].any(axis=1)
            line[rows[~here]] = blown[rows[~here]]
            self._carried[state] = line
        return self._carried[state]

    def voltages(self, chosen: Sequence[Reading]) -> Voltages:
        """Predictions and severity directions of voltage readings for every row and the sound machine, see there."""
        return self._columns.of(chosen)

    def _rows(self, observation: Symptom | Reading | CodeSeen) -> tuple[Floats, Floats | None]:
        """Likelihood of an observation for every row and the healthy machine, and at each place, see ``Weighed``."""
        table = self.signatures.state(observation.state)
        near = likelihood.beside(table, self.space)
        if isinstance(observation, Reading) and observation.quantity == "ohms":
            span = likelihood.reading_span(table, observation)
            return self.ohms.weigh(observation, self.space, span), None
        if isinstance(observation, Symptom | Reading) and observation.unplugged:
            solved = self._that_matter(observation)
            return instruments.apart(self.signatures, self.space, observation, solved), None
        weigh: Callable[[Floats], Floats]
        if isinstance(observation, Symptom):
            chances = self.level_places(observation.function, observation.state)
            weigh = partial(likelihood.symptom, observation, healthy=chances[0, -1])
        elif isinstance(observation, CodeSeen):
            active = table.lines.codes[:, table.codes[(observation.controller, observation.code)]]
            if told_by_log(observation.code):
                return likelihood.told_by_log(observation, active), None
            chances, weigh = likelihood.code_places(active, near), partial(likelihood.code, observation)
        elif observation.quantity == "lamp":
            volts = self.lamps.volts(observation.state, observation.plus, observation.minus or table.netlist.reference)
            chances = lamps.lamp_places(volts, self.lamps.system_v, near)
            weigh = partial(lamps.lamp_likelihood, observation.value)
        elif observation.quantity == "amps":
            return instruments.amps(self.clamps, near, observation), None
        else:
            minus = observation.minus or table.netlist.reference
            value = likelihood.volts_of(table, table.lines, observation.plus, minus)
            sigma = likelihood.reading_sigma(table, self.space, value, observation.plus, minus)
            stray, wrong = likelihood.stray_width(table, observation), wrong_pin_chance(observation)
            return likelihood.gaussian(observation.value, value, sigma, stray, wrong), None
        return weigh(likelihood.anywhere(chances)), weigh(chances)

    def _that_matter(self, but: Symptom | Reading) -> Ints:
        """Rows that all else seen so far leaves worth solving anew, see APART_WITHIN; ``[n]`` in order."""
        score = np.zeros(self.space.rows)
        for epoch in self.epochs:
            steady, sleeping, _ = self.block_terms(epoch)
            score += np.maximum(np.maximum(steady[:-1], steady[-1]), sleeping)
            for seen in epoch.observed():
                if seen != but and seen in self._cache:
                    log = self._cache[seen].log
                    score += np.maximum(log[:-1], log[-1])
        order = np.argsort(-score, kind="stable")
        close = int((score >= score.max() - APART_WITHIN).sum())
        fuses = self.asleep_lines(self.epochs[-1])
        return np.union1d(order[: np.clip(close, APART_LEAST, APART_MOST)], fuses[fuses < self.space.rows])

    def levels(self, function: str, state: str) -> Floats:
        """Chances of off, weak and on of a function for every row and the healthy machine, ``[rows + 1, 3]``."""
        key = (function, state)
        if key not in self._levels:
            self._levels[key] = self.row_levels(function, state)[self.carried(state)]
        return self._levels[key]

    def row_levels(self, function: str, state: str) -> Floats:
        """The same with every fuse as the row leaves it in that state by itself."""
        return self._row_levels.of(function, state, self.space)

    def level_places(self, function: str, state: str) -> Floats:
        """The same at each place where the severity may lie, ``[3, rows + 1, 3]``."""
        return self._row_levels.at_places(function, state, self.space)

    def shown(self, checks: tuple[Check, ...]) -> Floats:
        """Chances of what some functions and codes show, for every row and the healthy machine, ``[rows + 1, n * 3]``.

        Of a function off, weak and on, of a code that it is not there and that it is, and nothing third.
        """
        key = tuple(check.id for check in checks)
        if key not in self._shown:
            found = np.zeros((self.space.rows + 1, len(checks), 3))
            for at, check in enumerate(checks):
                if check.kind == "operate":
                    found[:, at] = self.levels(check.function, check.state)
                else:
                    table = self.signatures.state(check.state)
                    active = table.lines.codes[:, table.codes[(check.controller, check.code)]]
                    near = likelihood.beside(table, self.space)
                    chance = likelihood.code_chances(active, near)[self.carried(check.state)]
                    found[:, at, 0], found[:, at, 1] = 1.0 - chance, chance
            self._shown[key] = found.reshape(len(found), -1)
        return self._shown[key]

    def strays(self, function: str, state: str) -> Floats:
        """How far a function strays from the healthy machine's for every row, ``[rows + 1]``, 0 to 2."""
        key = (function, state)
        if key not in self._strays:
            chances = self.levels(function, state)
            self._strays[key] = np.abs(chances - chances[-1]).sum(axis=1)
        return self._strays[key]

    def at_moment(self, moment: tuple[Electrical, ...], epoch: Epoch) -> Moment:
        """One of the moments of an epoch, weighed; kept."""
        key = (moment, epoch is self.epochs[0])
        if key not in self._moments:
            items = [self.weigh(observed) for observed in moment]
            log = sum((item.log_places for item in items[1:]), items[0].log_places)
            asleep, showing = log[:, self.asleep_lines(epoch)], items[0].showing
            known = showing in ("yes", "no")
            awake = np.log1p(self.space.row_duty * np.expm1(log[:, :-1] - asleep)) if not known else np.zeros(0)
            other = float(np.sum([np.log(item.other) for item in items]))
            self._moments[key] = Moment(log, asleep, awake, other, showing)
        return self._moments[key]

    def said(self, observed: Electrical) -> Said:
        """Log likelihood and straying of every row for one observation; kept."""
        if observed not in self._said:
            log = self.weigh(observed).log
            if isinstance(observed, Symptom) and not observed.unplugged:
                strays = self.strays(observed.function, observed.state)
            elif isinstance(observed, CodeSeen):
                table = self.signatures.state(observed.state)
                active = table.lines.codes[:, table.codes[(observed.controller, observed.code)]].astype(np.float64)
                strays = np.abs(active - active[-1])
            elif isinstance(observed, Reading) and observed.quantity == "volts" and not observed.unplugged:
                value, sigma = self.volts(observed)
                strays = np.abs(value - value[-1]) / max(sigma, 0.05)
            else:
                strays = np.abs(log - log[-1])
            self._said[observed] = Said(log, strays)
        return self._said[observed]

    def volts(self, reading: Reading, lines: Ints | None = None) -> tuple[Floats, float]:
        """Predicted V at a reading for every row and the sound machine, and their deviation in the sound one.

        Of some ``lines`` only where they are named.
        """
        table = self.signatures.state(reading.state)
        minus = reading.minus or table.netlist.reference
        value = likelihood.volts_of(table, table.lines, reading.plus, minus, lines)
        return value, float(np.hypot(likelihood.METER_V, table.spread_v(reading.plus, minus)))

    def block_terms(
        self, epoch: Epoch, let_go: LetGo = LetGo.WORKED_OUT, within: float = 0.0
    ) -> tuple[Floats, Floats, float]:
        """Log likelihood of an epoch's voltage readings.

        For each row steady ``[rows + 1]``, sleeping ``[rows]`` (a reading taken while it slept is the healthy
        one), and for something else.
        Readings of which nobody knows whether the fault showed are weighed for sleeping rows as a mixture.
        Of many readings rows without a chance may be ``let_go``, where odds must be true ``within`` so much.
        """
        chosen = epoch.volts()
        rows = self.space.rows
        if not chosen:
            return np.zeros(rows + 1), np.zeros(rows), 0.0
        behind = None if let_go is LetGo.WORKED_OUT else self.behind(epoch, within)
        asleep_line = self.asleep_lines(epoch)
        key = (chosen, epoch is self.epochs[0], behind)
        if key not in self._blocks:
            flat = -float(
                sum(np.log(likelihood.reading_span(self.signatures.state(seen.state), seen)) for seen in chosen)
            )
            steady = self._rows_weighed(chosen, None, flat, behind)
            sleeping: stages.Weighed | None
            part = tuple(reading for reading in chosen if reading.showing != "unknown")
            if len(part) == len(chosen) <= stages.IN_FULL and all(seen.showing == "yes" for seen in chosen):
                # Then a sleeping row shows what a steady one does.
                sleeping = replace(steady, at_most=steady.at_most[:-1], let_go=steady.let_go[:-1])
            else:
                sleeping = self._rows_weighed(part, asleep_line, -np.inf, behind) if part else None
            mixed = np.zeros(rows)
            for reading in chosen:
                if reading.showing == "unknown":
                    likely = self.weigh(reading).per_row
                    duty = self.space.row_duty
                    mixed += np.log(duty * likely[:-1] + (1.0 - duty) * likely[asleep_line])
            self._blocks[key] = (steady, sleeping, mixed, flat)
        steady, sleeping, mixed, flat = self._blocks[key]
        return steady.taken(let_go), mixed if sleeping is None else mixed + sleeping.taken(let_go), flat

    def _rows_weighed(
        self, chosen: tuple[Reading, ...], asleep_line: Ints | None, ahead: float, behind: float | None
    ) -> stages.Weighed:
        """Every row weighed by voltage readings together: steady and the sound machine last, or sleeping."""
        block, voltages = self.block(chosen), self.voltages(chosen)
        spreads = [column.spread for column in voltages.columns]
        names = voltages.names()
        sleeps = np.array([reading.showing == "no" for reading in chosen])
        if asleep_line is not None:
            names = names[:-1] + names[asleep_line] * np.e
        # Rows that predict the same are weighed once, but each that scatters in its own way by itself.
        parted = np.unique(np.concatenate([spread.rows for spread in spreads]))
        names[parted] = np.inf
        met, number = alike(names.view(np.int64)[:, None])
        apart = np.flatnonzero(np.isinf(names))

        def weigh(lines: Ints, at: Ints) -> Floats:
            awake = None
            if asleep_line is None:
                value, along = voltages.of(lines, at)
            else:
                awake = np.broadcast_to(~sleeps[at], (len(lines), len(at)))
                value, along = voltages.of(np.where(awake, lines[:, None], asleep_line[lines][:, None]), at)
            part, mine = block.some(at), [spreads[one] for one in at]
            own = scatter.precisions(mine, part.value, scatter.in_charge(mine, lines, awake))
            return part.one_wrong_at_most(value, along, own)

        plain = np.logaddexp(weigh(met, np.arange(len(chosen))), block.least)[number]
        ahead = max(ahead, float(np.delete(plain, apart).max(initial=-np.inf)) + ROW_PRIOR)
        found = stages.by_stages(
            block, np.full(len(apart), ROW_PRIOR), lambda some, at: weigh(apart[some], at), ahead, behind
        )
        plain[apart] = found.at_most
        let_go = np.zeros(len(plain), dtype=np.bool_)
        let_go[apart] = found.let_go
        return stages.Weighed(plain, let_go, found.least)

    def behind(self, epoch: Epoch, within: float) -> float:
        """How far behind rows must lie to be let go in an epoch for odds that are true ``within`` so much."""
        return (stages.BEHIND if epoch is self.epochs[-1] else stages.BEHIND_BEFORE) - float(np.log(within))

    @property
    def lets_go(self) -> bool:
        """Whether there are so many voltage readings that rows may be let go, see ``stages``."""
        return any(len(epoch.volts()) > stages.IN_FULL for epoch in self.epochs)

    def block(self, chosen: tuple[Reading, ...]) -> readings.Block:
        """The joint errors of some voltage readings."""
        if chosen not in self._joint:
            self._joint[chosen] = readings.block(self.signatures, chosen)
        return self._joint[chosen]

    def _known(self, observation: Symptom | Reading | CodeSeen) -> None:
        machine = self.space.machine
        if observation.state not in machine.states:
            raise UserError("evidence-state", f"this machine has no state {observation.state!r}")
        table = self.signatures.state(observation.state)
        if isinstance(observation, Symptom):
            if observation.function not in machine.functions:
                raise UserError("evidence-function", f"this machine has no function {observation.function!r}")
            self._known_apart(observation.unplugged)
        if (
            isinstance(observation, CodeSeen)
            and (observation.controller, observation.code) not in table.codes
        ):
            raise UserError("evidence-code", f"{observation.controller} has no code {observation.code!r}")
        if isinstance(observation, Reading):
            self._known_apart(observation.unplugged)
            if observation.quantity in ("lamp", "amps") and observation.unplugged:
                raise UserError(
                    "reading-kind",
                    f"a reading of {observation.quantity} with {' and '.join(observation.unplugged)} out "
                    "cannot be weighed",
                    "Read volts there, or watch a function.",
                )
            if observation.quantity == "amps":
                if clamps.branch_of(machine, observation.plus) is None:
                    raise UserError(
                        "evidence-point",
                        f"this machine has no wire, fuse, load or battery {observation.plus!r} to clamp around",
                    )
                return
            for point in (observation.plus, observation.minus):
                if point and point not in table.nodes:
                    raise UserError("evidence-point", f"this machine has no point {point!r}")

    def _known_apart(self, unplugged: Sequence[str]) -> None:
        machine = self.space.machine
        for name in unplugged:
            fuse = name in machine.parts and machine.parts[name].kind in ("fuse", "breaker")
            if name not in machine.connectors and not fuse:
                raise UserError("evidence-point", f"this machine has no connector or fuse {name!r}")

    def _flat(self, observation: Symptom | Reading | CodeSeen) -> float:
        if isinstance(observation, Symptom):
            return 1.0 / 3.0
        if isinstance(observation, Reading) and observation.quantity == "lamp":
            return 1.0 / 3.0
        if isinstance(observation, Reading) and observation.quantity == "amps":
            return 1.0 / self.clamps.currents(observation.state).of(observation.plus).span_a
        if isinstance(observation, CodeSeen):
            return ELSE_FIND if observation.active else 1.0 - ELSE_FIND
        return 1.0 / likelihood.reading_span(self.signatures.state(observation.state), observation)

    def cures(self, number: int) -> Floats:
        """Chance for each fault to be gone after the work that ended an epoch, ``[faults]``; zeros without work.

        The same work done again cures less surely what it did not cure before.
        """
        work = self.epochs[number].ended_by
        if work is None:
            return np.zeros(len(self.space.faults))
        key = (work.action, work.place)
        if key not in self._cures:
            self._cures[key] = cure_chances(self.space.machine, self.space.faults, *key)
        earlier = (epoch.ended_by for epoch in self.epochs[:number])
        again = any(one is not None and (one.action, one.place) == key for one in earlier)
        return self._cures[key] * (AGAIN if again else 1.0)

    def asleep_lines(self, epoch: Epoch) -> Ints:
        """The line that tells what a sleeping row looks like while it sleeps, ``[rows]``.

        That is the healthy line, except for a fault that blew a fuse: the fuse stays open while the fault
        sleeps, until it is replaced with the first repair.
        """
        rows = self.space.rows
        if epoch is not self.epochs[0]:
            return np.full(rows, rows)
        return self._blown_by()

    def _blown_by(self) -> Ints:
        """The row of the fuse alone that each row blows in a state of the complaint, ``[rows]``; healthy for none."""
        if self._asleep is None:
            rows = self.space.rows
            asleep = np.full(rows, rows)
            for state in dict.fromkeys(symptom.state for symptom in self.complaint.symptoms):
                table = self.signatures.state(state)
                for row, fuse in zip(*np.nonzero(table.lines.blown[:-1]), strict=True):
                    asleep[row] = self.space.fuse_row.get(table.fuses[fuse], rows)
            self._asleep = asleep
        return self._asleep

    def look_chances(self, epoch: Epoch) -> tuple[Floats, float, float]:
        """Log likelihood of an epoch's looks: per fault when it is there, when nothing is there, and flat.

        A fault that cannot be seen at all stays unseen however often one looks, so repeats saturate.
        """
        faults = self.space.faults
        there = np.zeros(len(faults))
        absent = flat = 0.0
        for kind, place in {(kind, place) for kind, place, _ in epoch.looks}:
            found, missed = epoch.looks[(kind, place, True)], epoch.looks[(kind, place, False)]
            clean = found * np.log(FALSE_FIND) + missed * np.log(1.0 - FALSE_FIND)
            absent += clean
            flat += found * np.log(ELSE_FIND) + missed * np.log(1.0 - ELSE_FIND)
            there += clean
            for number in self.faults_seen_at(kind, place):
                sees, hidden = self.sight(kind, place, number)
                seen = (1.0 - hidden) * sees**found * (1.0 - sees) ** missed
                there[number] += np.log(seen + hidden * np.exp(clean)) - clean
        return there, absent, flat

    def faults_seen_at(self, kind: str, place: str) -> Sequence[int]:
        """Which faults a look of ``kind`` at ``place`` could see; by eye at a fuse also those that blew it."""
        own = self.space.seen_at.get((kind, place), ())
        return (*own, *(one for one in self._blew(place) if one not in own)) if kind == "by-eye" else own

    def sight(self, kind: str, place: str, number: int) -> tuple[float, float]:
        """How often such a look sees a fault that can be seen, and the chance that it cannot be.

        A fault that blew the fuse looked at shows by the blown fuse, as one that is blown of itself does; the
        severities of it that blow no fuse stay unseen there.
        """
        mode = self.space.faults[number].mode
        if number in self.space.seen_at.get((kind, place), ()):
            return mode.looks[kind], mode.hidden
        blown = next(one.mode for one in self.space.faults if one.place == place and one.mode.id == "fuse-open")
        return blown.looks[kind], 1.0 - self._blew(place)[number] * (1.0 - blown.hidden)

    def _blew(self, place: str) -> Mapping[int, float]:
        """Faults elsewhere that blow the fuse ``place`` in a state of the complaint.

        With each the share of its severities that do, by weight.
        """
        part = self.space.machine.parts.get(place)
        if part is None or part.kind != "fuse":
            return {}
        if place not in self._blowing:
            rows = np.zeros(self.space.rows, dtype=np.bool_)
            for state in dict.fromkeys(symptom.state for symptom in self.complaint.symptoms):
                table = self.signatures.state(state)
                if place in table.fuses:
                    rows |= table.lines.blown[:-1, table.fuses.index(place)]
            shares: dict[int, float] = {}
            for row in np.flatnonzero(rows).tolist():
                number, grade = int(self.space.row_fault[row]), int(self.space.row_grade[row])
                severities = self.space.faults[number].severities
                whole = sum(severity.weight for severity in severities)
                shares[number] = shares.get(number, 0.0) + severities[grade].weight / whole
            self._blowing[place] = shares
        return self._blowing[place]

    def move_chances(self, epoch: Epoch, sleeps: bool) -> tuple[Floats, float, float]:
        """The same for places that were moved while a function was watched; a sleeping fault reacts."""
        faults = self.space.faults
        there = np.zeros(len(faults))
        absent = flat = 0.0
        for (place, changed), count in epoch.moves.items():
            clean = np.log(FALSE_MOVE if changed else 1.0 - FALSE_MOVE) * count
            absent += clean
            flat += np.log(ELSE_FIND if changed else 1.0 - ELSE_FIND) * count
            there += clean
            for number in self.faults_seen_at("move", place):
                chance = faults[number].mode.looks["move"] * (1.0 if sleeps else 0.25)
                there[number] += np.log(chance if changed else 1.0 - chance) * count - clean
        return there, absent, flat
