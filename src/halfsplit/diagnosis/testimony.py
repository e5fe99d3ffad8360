"""What speaks for and against a suspected repair group, observation by observation, in words.

Each observation is weighed by how much better the best suspect of the group explains it than the best suspect
outside: a log likelihood ratio. Ratios of observations add up, so what is listed is the whole of the argument
apart from how often such faults occur.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from halfsplit.diagnosis import likelihood
from halfsplit.diagnosis.hunt import Hunt
from halfsplit.diagnosis.lamps import lamp_chances
from halfsplit.diagnosis.naming import (
    LAMP_WORDS,
    amps_words,
    code_words,
    found_words,
    level_word,
    reported_words,
    subject_words,
    volts_words,
)
from halfsplit.diagnosis.outcomes import sight_chances
from halfsplit.errors import NotFound
from halfsplit.faults.curing import cure_chances
from halfsplit.observations import Action, CodeSeen, Look, Move, Observation, OutOfReach, Reading, Symptom
from halfsplit.quantities import format_ohm

#: Log ratios at which words change: 3 is twenty to one, 1 about three to one, 0.3 hardly more than even.
STRONG, PLAIN, SLIGHT = 3.0, 1.0, 0.3
#: Voltages that differ by less than this and twice the meter's doubt cannot be told apart; common practice.
SAME_V = 0.05
#: A group is worth naming as a double when its odds are at least this share of the one asked about; no
#: source.
DOUBLE_SHARE = 0.01


@dataclass(frozen=True, slots=True)
class Testimony:
    """One observation: what was found, what the suspect makes one expect, and the log ratio for it."""

    number: int
    subject: str
    found: str
    expected: str
    ratio: float

    @property
    def little(self) -> bool:
        """Whether it says little either way."""
        return abs(self.ratio) < SLIGHT

    @property
    def weight(self) -> str:
        """The ratio in words."""
        size = abs(self.ratio)
        if self.little:
            return "says little"
        side = "for" if self.ratio > 0 else "against"
        return f"{'strongly ' if size >= STRONG else 'slightly ' if size < PLAIN else ''}{side}"


@dataclass(frozen=True, slots=True)
class Why:
    """The case for one repair group; ``rival`` is the group it is compared with.

    ``testimonies`` are in the order of the observations; ``doubles`` are groups whose faults predict the same
    everywhere a probe can reach in the states looked at, with their odds.
    """

    group: str
    odds: float
    text: str
    rival: str
    rival_odds: float
    testimonies: tuple[Testimony, ...]
    doubles: tuple[tuple[str, float], ...]
    prior_ratio: float


@dataclass(frozen=True, slots=True)
class _Suspect:
    """The best single hypothesis of a group, and after which epoch it is taken to be gone (-1 never)."""

    hypothesis: int
    row: int
    sleeps: bool
    duty: float
    gone_after: int


def why(hunt: Hunt, group_id: str, observations: Sequence[Observation]) -> Why:
    """What speaks for and against a group; ``observations`` are those of the job in order, complaint first.

    Raises NotFound when the machine has no such repair group.
    """
    space, belief = hunt.bench.space, hunt.belief
    ids = [one.id for one in space.groups]
    if group_id not in ids:
        raise NotFound("repair", group_id, ids)
    at = ids.index(group_id)
    odds = belief.group_odds()
    whole = odds + np.bincount(space.hyp_group, weights=belief.gone, minlength=len(ids))
    others = np.where(np.arange(len(ids)) == at, -1.0, whole)
    rival = int(np.argmax(others))
    mine, theirs = _best(hunt, at), _best(hunt, rival)
    chosen = float(hunt.log_chosen[mine.hypothesis] - hunt.log_chosen[theirs.hypothesis])
    said, epoch = [], 0
    for number, observation in enumerate(observations):
        if not isinstance(observation, OutOfReach | Action):
            ratio = _log(hunt, observation, mine, epoch) - _log(hunt, observation, theirs, epoch)
            ratio += chosen if number == 0 else 0.0  # that just these were named of all that fails
            machine = hunt.bench.machine
            said.append(
                Testimony(
                    number, subject_words(machine, observation),
                    found_words(machine, observation) + reported_words(observation),
                    _expected(hunt, observation, mine, epoch), ratio,
                )
            )  # fmt: skip
        if isinstance(observation, Action):
            epoch += 1
    prior = float(hunt.log_prior[mine.hypothesis] - hunt.log_prior[theirs.hypothesis]) - chosen
    return Why(
        group=group_id,
        odds=float(odds[at]),
        text=space.fault_of(mine.hypothesis).text,
        rival=ids[rival],
        rival_odds=float(odds[rival]),
        testimonies=tuple(said),
        doubles=_doubles(hunt, at, mine, odds),
        prior_ratio=prior,
    )


def _best(hunt: Hunt, group: int) -> _Suspect:
    space, belief = hunt.bench.space, hunt.belief
    weight = belief.there + belief.gone
    if weight[space.hyp_group == group].max() <= 0.0:
        weight = np.exp(hunt.log_prior[: space.singles])
    best = space.foremost(group, weight)
    gone_after = -1
    if belief.gone[best] > belief.there[best]:
        fault = int(space.row_fault[space.hyp_row[best]])
        for number, epoch in enumerate(hunt.evidence.epochs):
            work = epoch.ended_by
            if work is None:
                continue
            chance = cure_chances(hunt.bench.machine, [space.faults[fault]], work.action, work.place)[0]
            if chance > 0.0:
                gone_after = number
            if chance > 0.5:
                break
    return _Suspect(
        best, int(space.hyp_row[best]), bool(space.hyp_sleeps[best]), float(space.duty[best]), gone_after
    )


def _log(hunt: Hunt, observation: Observation, one: _Suspect, epoch: int) -> float:
    """Log likelihood of an observation under a suspect, by the same rules as the belief."""
    gone = 0 <= one.gone_after < epoch
    if isinstance(observation, Symptom | Reading | CodeSeen):
        per_row = hunt.evidence.weigh(observation).per_row
        there, away = float(per_row[one.row]), float(per_row[-1])
        if gone:
            return float(np.log(away))
        if not one.sleeps or observation.showing == "yes":
            return float(np.log(there))
        if observation.showing == "no":
            return float(np.log(away))
        return float(np.log(one.duty * there + (1.0 - one.duty) * away))
    if isinstance(observation, Look | Move):
        chance = _sight(hunt, observation, one, gone)
        positive = observation.found if isinstance(observation, Look) else observation.changed
        return float(np.log(chance if positive else 1.0 - chance))
    return 0.0


def _sight(hunt: Hunt, observation: Look | Move, one: _Suspect, gone: bool) -> float:
    kind = observation.look if isinstance(observation, Look) else "move"
    chances = sight_chances(hunt.evidence, observation.place, kind)
    chance = float(chances[-1] if gone else chances[one.row])
    if kind == "move" and not gone and not one.sleeps and chance > chances[-1]:
        chance *= 0.25  # a steady fault seldom reacts to moving; the same factor as in the evidence
    return chance


def _expected(hunt: Hunt, observation: Observation, one: _Suspect, epoch: int) -> str:
    """What this suspect makes one expect, in words."""
    gone = 0 <= one.gone_after < epoch
    row = -1 if gone else one.row
    asleep = " while it is there" if one.sleeps and not gone else ""
    if isinstance(observation, Symptom | Reading) and observation.unplugged and not (
        isinstance(observation, Reading) and observation.quantity == "ohms"
    ):
        return _expected_apart(hunt, observation, row) + asleep
    if isinstance(observation, Reading) and observation.quantity == "lamp":
        minus = observation.minus or hunt.bench.signatures.state(observation.state).netlist.reference
        volts = hunt.evidence.lamps.volts(observation.state, observation.plus, minus)
        chances = lamp_chances(volts[row : row + 1] if row >= 0 else volts[-1:], hunt.bench.machine.system_v)
        return LAMP_WORDS[int(np.argmax(chances[0]))] + asleep
    if isinstance(observation, Reading) and observation.quantity == "amps":
        currents = hunt.evidence.clamps.currents(observation.state).of(observation.plus)
        return amps_words(float(currents.value[row])) + asleep
    if isinstance(observation, Symptom):
        chances = hunt.evidence.row_levels(observation.function, observation.state)[row]
        level = ("off", "weak", "on")[int(np.argmax(chances))]
        return level_word(hunt.bench.machine, observation.function, level) + asleep
    if isinstance(observation, Reading) and observation.quantity == "volts":
        table = hunt.bench.signatures.state(observation.state)
        minus = observation.minus or table.netlist.reference
        return (
            volts_words(float(likelihood.volts_of(table, table.lines, observation.plus, minus)[row])) + asleep
        )
    if isinstance(observation, Reading) and observation.quantity == "ohms":
        table = hunt.bench.signatures.state(observation.state)
        minus = observation.minus or table.netlist.reference
        wanted = np.array([one.row])
        shown = hunt.evidence.ohms.predicted(
            observation.state, observation.plus, minus, observation.unplugged, wanted
        )
        return format_ohm(float(shown[row]))
    if isinstance(observation, CodeSeen):
        table = hunt.bench.signatures.state(observation.state)
        active = bool(table.lines.codes[row, table.codes[(observation.controller, observation.code)]])
        return code_words(observation.code, active=active) + asleep
    if isinstance(observation, Look | Move):
        return f"seen in {round(100 * _sight(hunt, observation, one, gone))} of 100"
    return ""


def _expected_apart(hunt: Hunt, observation: Symptom | Reading, row: int) -> str:
    """The same for what was seen with connectors apart."""
    table = hunt.bench.signatures.apart(observation.state, observation.unplugged)
    lines = table.lines(np.array([row if row >= 0 else hunt.bench.space.rows]))
    if isinstance(observation, Symptom):
        chances = likelihood.symptom_levels(table.plugged, lines, observation.function)[0]
        return level_word(hunt.bench.machine, observation.function, ("off", "weak", "on")[int(np.argmax(chances))])
    minus = observation.minus or table.plugged.netlist.reference
    return volts_words(float(likelihood.volts_of(table.plugged, lines, observation.plus, minus)[0]))


def _doubles(
    hunt: Hunt, group: int, mine: _Suspect, odds: np.typing.NDArray[np.float64]
) -> tuple[tuple[str, float], ...]:
    """Groups with a fault that no voltage, function or code in the states looked at tells apart from ours."""
    space = hunt.bench.space
    alike = np.ones(space.rows, dtype=bool)
    for state in hunt.states:
        table = hunt.bench.signatures.state(state)
        probed = sorted(
            {table.nodes[one.plus] for one in hunt.planner.checks if one.state == state and one.plus in table.nodes}
        )
        volts = table.lines.volts[:-1, probed]
        reference = table.lines.volts[mine.row, probed]
        doubt = 2.0 * (SAME_V + likelihood.METER_SHARE * np.abs(reference))
        alike &= (np.abs(volts - reference) <= doubt).all(axis=1)
        alike &= (np.abs(table.lines.levels[:-1] - table.lines.levels[mine.row]) < 0.05).all(axis=1)
        codes = table.lines.codes[:, : table.read_out]
        alike &= (codes[:-1] == codes[mine.row]).all(axis=1)
    rows = np.flatnonzero(alike)
    found = sorted({int(space.row_group[row]) for row in rows} - {group}, key=lambda at: -odds[at])
    floor = max(DOUBLE_SHARE * float(odds[group]), 1e-4)
    return tuple((space.groups[at].id, float(odds[at])) for at in found[:8] if odds[at] >= floor)
