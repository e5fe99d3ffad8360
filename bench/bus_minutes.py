"""Minutes of jobs with and without a log of the bus, on the same hidden machine with the same luck.

Four ways: without a log; with the log taken first; with the same log for nothing, which says how much any log could
save; and with the log as a check among others, taken when it tells more a minute than the best of them. The last one
is only here: it knows what the log will tell by who would be silent, errors, codes and low supplies of each fault.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from halfsplit.circuit.observing import BUS_ERRORS, silence_code, told_by_log
from halfsplit.diagnosis.checks import Check
from halfsplit.diagnosis.hunt import Bench, Hunt
from halfsplit.diagnosis.living import live
from halfsplit.diagnosis.planning import WAIT_MOST, Decision, setup_minutes, state_minutes
from halfsplit.diagnosis.practice import Clock, Played, play
from halfsplit.diagnosis.telling import Plain, entropy
from halfsplit.diagnosis.world import World
from halfsplit.observations import Complaint, Observation

#: Plugging the recorder in, recording for a minute, reading it: invented. Getting at the controller is charged beside.
LOG_MIN = 6.0
#: How often a log is read for another one, when the check is valued; no source.
LOG_MISREAD = 0.15
#: A supply below this share of a sound machine's is told by the log, when the check is valued.
LOW_SUPPLY = 0.9
Ints = np.typing.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Minutes:
    """Minutes of the four ways, and which of them mended the machine, in the order of ``WAYS``.

    ``known_at`` is when the way without a log left no more doubt (entropy over repairs) than the log does at once, None
    where that never was; ``taken`` whether the log was taken where it was a check among others.
    """

    minutes: tuple[float, ...]
    mended: tuple[bool, ...]
    known_at: float | None
    taken: bool


WAYS = ("without", "first", "for nothing", "when worth it")


def minutes_of(
    bench: Bench, world: World, complaint: Complaint, found: Sequence[Observation], seed: int, beside: str, state: str
) -> Minutes:
    """Plays a job in all four ways; ``found`` is what its log told."""
    part = bench.machine.parts[beside]
    steps = bench.machine.steps_for_zone(part.zone, part.access)
    doubt = _doubt(_knowing(bench, complaint, found))
    known: list[float] = []

    def played(hunt: Hunt, *, charged: bool = False, watch: bool = False) -> Played:
        clock = Clock(world.fresh(np.random.default_rng([seed, 1])))
        if isinstance(hunt, Choosing):
            hunt.clock = clock
        if charged:
            clock.spend(LOG_MIN, steps, state, beside)
            hunt.open_steps(steps)

        def tell(_what: str, _observed: Observation | None, minutes: float) -> None:
            if watch and not known and _doubt(hunt) <= doubt:
                known.append(minutes)

        if watch and _doubt(hunt) <= doubt:
            known.append(0.0)
        return play(bench, clock.world, complaint, tell=tell, begun=(hunt, clock))

    choosing = Choosing(bench, complaint, found, beside, state)
    went = (
        played(Hunt(bench, complaint), watch=True),
        played(_knowing(bench, complaint, found), charged=True),
        played(_knowing(bench, complaint, found)),
        played(choosing),
    )
    return Minutes(
        tuple(one.minutes for one in went), tuple(one.mended for one in went), known[0] if known else None,
        choosing.taken,
    )  # fmt: skip


def _knowing(bench: Bench, complaint: Complaint, found: Sequence[Observation]) -> Hunt:
    hunt = Hunt(bench, complaint)
    for one in found:
        hunt.take(one)
    return hunt


def _doubt(hunt: Hunt) -> float:
    odds = hunt.belief.group_odds()
    return float(entropy(odds / odds.sum(), 0))


class Choosing(Hunt):
    """A hunt that takes the log when it tells more a minute than the best check, before anything was mended."""

    clock: Clock

    def __init__(
        self, bench: Bench, complaint: Complaint, found: Sequence[Observation], beside: str, state: str
    ) -> None:
        super().__init__(bench, complaint)
        self.taken = False
        self._log, self._beside, self._log_state = tuple(found), beside, state
        part = bench.machine.parts[beside]
        self._steps = bench.machine.steps_for_zone(part.zone, part.access)
        self._kinds = kinds_in_log(bench, beside, state)

    def next(self) -> Decision:
        """The next step, once the log was taken if that is worth more."""
        decision = super().next()
        best = decision.best
        if self.taken or self._work or best is None or best.check is None or self._rate() <= best.rate:
            return decision
        self.taken = True
        self.clock.spend(LOG_MIN, self._steps, self._log_state, self._beside)
        for one in self._log:
            self.take(one)
        self.open_steps(self._steps)
        self.situation = replace(self.situation, state=self._log_state)
        return super().next()

    def _rate(self) -> float:
        machine, situation = self.bench.machine, self.situation
        # In a minute a fault that sleeps shows at least once, so those asleep count as awake.
        (now,) = live(self.belief, situation.showing, WAIT_MOST)
        mass, groups = now.awake + now.asleep, len(now.names)
        kind = np.unique(self._kinds[self.evidence.carried(self._log_state)[now.row]], return_inverse=True)[1]
        joint = np.bincount(kind * groups + now.group, weights=mass, minlength=(int(kind.max()) + 1) * groups)
        prior = np.bincount(now.group, weights=mass, minlength=groups).astype(np.float64)
        check = Check("log", "log", self._beside, "", self._steps, LOG_MIN, state=self._log_state)
        told = Plain((check,), joint.astype(np.float64).reshape(1, -1, groups), LOG_MISREAD)
        minutes = LOG_MIN + setup_minutes(machine, self._steps, situation.open_steps)
        minutes += state_minutes(machine, self._log_state, situation.state)
        return float(told.information(float(entropy(prior, 0)))[0]) / minutes


def kinds_in_log(bench: Bench, beside: str, state: str) -> Ints:
    """A number for every row and the sound machine ``[rows + 1]``, the same for those whose logs look the same."""
    table = bench.signatures.state(state)
    lines, nodes = table.lines, table.nodes
    silent = {name: lines.codes[:, at] for (name, code), at in table.codes.items() if code == silence_code(beside)}
    columns = list(silent.values())
    for (name, code), at in table.codes.items():
        if code == BUS_ERRORS and name == beside:
            columns.append(lines.codes[:, at])
        elif not told_by_log(code) and name in silent:
            columns.append(~silent[name] & lines.codes[:, at])
    for name, unheard in silent.items():
        controller = bench.machine.parts[name].controller
        assert controller is not None  # only controllers are silent
        plus, minus = (nodes[f"{name}.{pin}"] for pin in (controller.supply.pin, controller.supply.ground))
        volts = lines.volts[:, plus] - lines.volts[:, minus]
        columns.append(~unheard & (volts < LOW_SUPPLY * volts[-1]))
    result: Ints = np.unique(np.stack(columns, axis=1), axis=0, return_inverse=True)[1].reshape(-1)
    return result
