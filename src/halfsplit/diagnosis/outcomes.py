"""What a check may show, how likely each result is, and which repairs would then stand first.

The predictions of everything still suspected are sorted into results that a person can tell apart: numbers
that lie closer than twice their spread are one result. "Something else" predicts nothing, so it keeps its
share under every result.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from halfsplit.diagnosis import clamps, lamps, likelihood
from halfsplit.diagnosis.belief import Belief
from halfsplit.diagnosis.checks import Check, round_functions
from halfsplit.diagnosis.evidence import FALSE_FIND, FALSE_MOVE, Evidence
from halfsplit.diagnosis.hunt import Hunt
from halfsplit.diagnosis.naming import LAMP_WORDS, amps_words, level_word, volts_words
from halfsplit.diagnosis.ohms import LOW_OHM, ohm_at, scale_of
from halfsplit.diagnosis.space import Floats, Ints
from halfsplit.machine.model import Machine
from halfsplit.quantities import format_ohm

#: What is rarer on a walk round than the first few results together; nobody types it.
ANYTHING_ELSE = "anything else"
#: Results less likely than this are joined to their neighbour: nobody plans for them, no source.
LEAST_CHANCE = 0.02
#: Results that run on through neighbouring severities are cut when wider than so many deviations, no source.
WIDE = 10.0
#: A person reads at most this many lines under a check, no source.
MOST_OUTCOMES = 5
#: Repairs named under a result.
MEANS = 3
#: Suspects below this share are left out of the results of a check.
LEAST_WEIGHT = 1e-4
#: A voltage below this is read as none; common practice, no source.
NO_VOLTS = 0.5
#: A current below this is read as none: a clamp for direct current drifts by about as much, from memory.
NO_AMPS = 0.1
#: Functions named in a result of a walk round; the rest are counted.
NAMED = 2
#: Suspects solved anew with a connector apart, at most; keeps a step quick, no source.
MOST_SOLVED = 500


@dataclass(frozen=True, slots=True)
class Meaning:
    """One repair group with its odds after a result, 0..1; ``group`` "" stands for "nothing wrong now"."""

    group: str
    odds: float


@dataclass(frozen=True, slots=True)
class Outcome:
    """One result a check may have.

    ``label`` is what a person would say, ``low`` and ``high`` bound a number (None for words), ``chance`` is
    its share (0..1), ``healthy`` whether a sound machine shows this, ``means`` the repairs that then stand
    first.
    """

    label: str
    low: float | None
    high: float | None
    chance: float
    healthy: bool
    means: tuple[Meaning, ...]


@dataclass(frozen=True, eq=False)
class Masses:
    """What is believed now, by row: ``awake`` and ``asleep`` ``[rows + 1]``, the sound machine last.

    ``group`` ``[rows]`` is the repair group of each row. Pairs of faults count half on each member.
    """

    awake: Floats
    asleep: Floats
    group: Ints

    @property
    def total(self) -> float:
        """Everything but "something else"."""
        return float(self.awake.sum() + self.asleep.sum())


def masses(belief: Belief) -> Masses:
    """The belief by row."""
    space = belief.space
    awake, asleep = np.zeros(space.rows + 1), np.zeros(space.rows + 1)
    share = np.where(space.hyp_sleeps, space.duty, 1.0)
    np.add.at(awake, space.hyp_row, belief.there * share)
    np.add.at(asleep, space.hyp_row, belief.there * (1.0 - share))
    singles = np.bincount(space.hyp_row, weights=belief.there, minlength=space.rows)
    awake[:-1] += 0.5 * np.maximum(belief.row_odds() - singles, 0.0)
    awake[-1] += belief.mended
    return Masses(awake, asleep, space.row_group)


def outcomes(hunt: Hunt, check: Check) -> tuple[Outcome, ...]:
    """The results of a check, most likely first; never empty."""
    now = masses(hunt.belief)
    match check.kind:
        case "volts" | "drop":
            found = _volts(hunt, check, now)
        case "ohms":
            found = _ohms(hunt, check, now)
        case "lamp":
            found = _lamp(hunt, check, now)
        case "amps":
            found = _amps(hunt, check, now)
        case "watch":
            found = _watched(hunt, check, now)
        case "operate":
            found = _levels(hunt, check, now)
        case "round":
            found = _round(hunt, check, now)
        case "code":
            found = _code(hunt, check, now)
        case _:
            found = _seen(hunt, check, now)
    return tuple(sorted(found, key=lambda one: -one.chance))


def _means(hunt: Hunt, now: Masses, weight: Floats) -> tuple[float, tuple[Meaning, ...]]:
    """Chance of a result with mass ``weight`` ``[rows + 1]`` among what is known, and what comes first."""
    groups = np.bincount(now.group, weights=weight[:-1], minlength=len(hunt.bench.space.groups))
    total = float(weight.sum())
    if total <= 0.0:
        return 0.0, ()
    chance = total / now.total
    # Something else takes its share of every result in proportion, for it predicts none of them.
    odds = groups / total * (1.0 - hunt.belief.other)
    sound = float(weight[-1]) / total * (1.0 - hunt.belief.other)
    order = [int(at) for at in np.argsort(-odds)[:MEANS] if odds[at] >= LEAST_CHANCE]
    named = [Meaning(hunt.bench.space.groups[at].id, float(odds[at])) for at in order]
    if sound >= LEAST_CHANCE:
        named.append(Meaning("", sound))
    return chance, tuple(sorted(named, key=lambda one: -one.odds)[:MEANS])


def _made(
    hunt: Hunt,
    now: Masses,
    weight: Floats,
    label: str,
    *,
    healthy: bool,
    span: tuple[float, float] | None = None,
) -> Outcome:
    chance, means = _means(hunt, now, weight)
    low, high = span if span is not None else (None, None)
    return Outcome(label, low, high, chance, healthy, means)


def _volts(hunt: Hunt, check: Check, now: Masses) -> list[Outcome]:
    table = hunt.bench.signatures.state(check.state)
    value = likelihood.volts_of(table, table.lines, check.plus, check.minus)
    # The spread of one prediction: meter and tolerances. That a severity lies between two of the grid is left
    # out, or neighbouring severities would join everything into one result.
    sigma = np.hypot(likelihood.meter_v(value), table.spread_v(check.plus, check.minus))
    return _clusters(hunt, now, value, sigma, _volts_label)


def _ohms(hunt: Hunt, check: Check, now: Masses) -> list[Outcome]:
    # Only the rows that matter are solved; the rest stay unknown and weigh nothing.
    rows = np.flatnonzero(now.awake[:-1] > LEAST_WEIGHT * now.total)
    shown = hunt.evidence.ohms.predicted(check.state, check.plus, check.minus, check.unplugged, rows)
    value = scale_of(shown)
    meter = hunt.evidence.ohms.sigma(check.plus, check.minus, shown)
    sigma = np.hypot(meter, likelihood.GRADE_SHARE * 0.2)
    found = _clusters(hunt, now, value, sigma, lambda low, high: _ohms_label(ohm_at(low), ohm_at(high)))
    return [
        replace(
            one, low=None if one.low is None else ohm_at(one.low), high=None if one.high is None else ohm_at(one.high)
        )
        for one in found
    ]


def _lamp(hunt: Hunt, check: Check, now: Masses) -> list[Outcome]:
    volts = hunt.evidence.lamps.volts(check.state, check.plus, check.minus)
    near = likelihood.beside(hunt.bench.signatures.state(check.state), hunt.bench.space)
    chances = lamps.row_chances(volts, hunt.bench.machine.system_v, near)
    usual = int(np.argmax(chances[-1]))
    found = []
    for at, word in enumerate(LAMP_WORDS):
        mass = now.awake * chances[:, at] + now.asleep * chances[-1, at]
        made = _made(hunt, now, mass, word, healthy=at == usual)
        if made.chance >= LEAST_CHANCE:
            found.append(made)
    return found


def _amps(hunt: Hunt, check: Check, now: Masses) -> list[Outcome]:
    amps = hunt.evidence.clamps.currents(check.state).of(check.plus)
    # As for volts: the clamp and the machine's own spread, severities between two of the grid left out.
    sigma = np.hypot(clamps.CLAMP_A + clamps.CLAMP_SHARE * amps.value, amps.spread_a)
    return _clusters(hunt, now, amps.value, sigma, _amps_label)


def _amps_label(low: float, high: float) -> str:
    if high < NO_AMPS:
        return f"below {amps_words(NO_AMPS)}"
    if low < NO_AMPS:
        return f"below {amps_words(round(high, 1))}"
    if high - low <= max(0.2, 0.1 * high):
        return f"about {amps_words(round((low + high) / 2, 1))}"
    return f"{amps_words(round(low, 1))} to {amps_words(round(high, 1))}"


def _watched(hunt: Hunt, check: Check, now: Masses) -> list[Outcome]:
    # Only the rows that matter are solved with the connector apart; the rest weigh next to nothing.
    table = hunt.bench.signatures.apart(check.state, check.unplugged)
    weight = (now.awake + now.asleep)[:-1]
    rows = np.flatnonzero(weight > LEAST_WEIGHT * now.total)
    rows = np.sort(rows[np.argsort(-weight[rows], kind="stable")[:MOST_SOLVED]])
    solved = np.append(rows, len(weight))
    levels = likelihood.symptom_levels(table.plugged, table.lines(solved), check.function)
    chances = np.tile(levels[-1], (len(weight) + 1, 1))
    chances[solved] = levels
    usual = int(np.argmax(levels[-1]))
    found = []
    for at, level in enumerate(("off", "weak", "on")):
        mass = now.awake * chances[:, at] + now.asleep * levels[-1, at]
        made = _made(
            hunt, now, mass, level_word(hunt.bench.machine, check.function, level), healthy=at == usual
        )
        if made.chance >= LEAST_CHANCE:
            found.append(made)
    return found


def _volts_label(low: float, high: float) -> str:
    if max(abs(low), abs(high)) < NO_VOLTS:
        return f"below {volts_words(NO_VOLTS)}"
    if min(abs(low), abs(high)) < NO_VOLTS:
        return f"below {volts_words(round(high, 1))}" if high > 0 else f"{volts_words(round(low, 1))} to 0 V"
    middle = (low + high) / 2
    if high - low <= max(0.3, 0.06 * abs(middle)):
        return f"about {volts_words(round(middle, 1))}"
    return f"{volts_words(round(low, 1))} to {volts_words(round(high, 1))}"


def _ohms_label(low: float, high: float) -> str:
    if low > 5e6:
        return "over range (open)"
    if high < LOW_OHM:
        return f"below {format_ohm(LOW_OHM)}"
    if high / max(low, 1e-9) < 1.3:
        return f"about {format_ohm(float(f'{(low * high) ** 0.5:.2g}'))}"
    top = "over range" if high > 5e6 else format_ohm(float(f"{high:.2g}"))
    return f"{format_ohm(float(f'{low:.2g}'))} to {top}"


def _clusters(
    hunt: Hunt, now: Masses, value: Floats, sigma: Floats, label: Callable[[float, float], str]
) -> list[Outcome]:
    weight = now.awake.copy()
    sleeping = now.asleep
    healthy_value = float(value[-1])
    keep = np.flatnonzero(weight > LEAST_WEIGHT * now.total)
    keep = np.union1d(keep, [len(value) - 1]) if sleeping.sum() > 0 else keep
    order = keep[np.argsort(value[keep])]
    rows = [[int(order[0])]]
    for before, at in pairwise(order):
        gap = value[at] - value[before]
        if gap > 2.0 * max(sigma[at], sigma[before]):
            rows.append([])
        rows[-1].append(int(at))
    rows = _cut_wide(rows, value, sigma)
    rows = _joined(rows, value, weight, float(sleeping.sum()), now.total)
    found = []
    for members in rows:
        mass = np.zeros(len(value))
        mass[members] = weight[members]
        is_healthy = len(value) - 1 in members or _near(healthy_value, value[members], sigma[-1])
        if is_healthy:
            mass += sleeping
        span = _span(value, weight, members)
        found.append(_made(hunt, now, mass, label(*span), healthy=is_healthy, span=span))
    return found


def _cut_wide(rows: list[list[int]], value: Floats, sigma: Floats) -> list[list[int]]:
    """Clusters that neighbouring severities chain together, cut at their widest gap while there is room for more."""
    while len(rows) < 3 * MOST_OUTCOMES:
        widths = [(value[one[-1]] - value[one[0]]) / float(np.median(sigma[one])) for one in rows]
        widest = int(np.argmax(widths))
        if widths[widest] <= WIDE:
            break
        members = rows[widest]
        cut = int(np.argmax(np.diff(value[members]))) + 1
        rows[widest : widest + 1] = [members[:cut], members[cut:]]
    return rows


def _near(wanted: float, values: Floats, sigma: float) -> bool:
    return bool(np.min(values) - sigma <= wanted <= np.max(values) + sigma)


def _span(value: Floats, weight: Floats, members: Sequence[int]) -> tuple[float, float]:
    """The range that holds nearly all of a cluster: tails of 5 % by mass are left off."""
    ordered = sorted(members, key=lambda at: value[at])
    mass = np.array([weight[at] for at in ordered])
    if mass.sum() <= 0:
        return float(value[ordered[0]]), float(value[ordered[-1]])
    share = np.cumsum(mass) / mass.sum()
    low, high = int(np.searchsorted(share, 0.05)), int(np.searchsorted(share, 0.95))
    return float(value[ordered[low]]), float(value[ordered[min(high, len(ordered) - 1)]])


def _joined(
    rows: list[list[int]], value: Floats, weight: Floats, sleeping: float, total: float
) -> list[list[int]]:
    """Small clusters joined to the neighbour whose middle is nearer, until few enough are left."""
    healthy = len(value) - 1

    def mass(members: list[int]) -> float:
        return float(weight[members].sum()) + (sleeping if healthy in members else 0.0)

    def middle(members: list[int]) -> float:
        return float(np.average(value[members], weights=np.maximum(weight[members], 1e-12)))

    while len(rows) > 1:
        smallest = min(range(len(rows)), key=lambda at: mass(rows[at]))
        if mass(rows[smallest]) >= LEAST_CHANCE * total and len(rows) <= MOST_OUTCOMES:
            break
        beside = [at for at in (smallest - 1, smallest + 1) if 0 <= at < len(rows)]
        near = min(beside, key=lambda at: abs(middle(rows[at]) - middle(rows[smallest])))
        first, second = sorted((near, smallest))
        rows[first : second + 1] = [rows[first] + rows[second]]
    return rows


def _levels(hunt: Hunt, check: Check, now: Masses) -> list[Outcome]:
    machine = hunt.bench.machine
    chances = hunt.evidence.row_levels(check.function, check.state)
    expected = machine.functions[check.function].expected.get(check.state)
    found = []
    for at, level in enumerate(("off", "weak", "on")):
        mass = now.awake * chances[:, at] + now.asleep * chances[-1, at]
        made = _made(hunt, now, mass, level_word(machine, check.function, level), healthy=level == expected)
        if made.chance >= LEAST_CHANCE:
            found.append(made)
    return found


def _round(hunt: Hunt, check: Check, now: Masses) -> list[Outcome]:
    """Walk round: what is not as it should be, taken together; what is rarer than the first few is one result."""
    machine = hunt.bench.machine
    functions = round_functions(machine, check.state)
    patterns, kind = hunt.planner.teller.patterns(check.state, hunt.evidence)
    mass = np.bincount(kind, weights=now.awake, minlength=len(patterns))
    mass[kind[-1]] += now.asleep.sum()
    by_label: dict[str, list[int]] = {}
    order = [int(at) for at in np.argsort(-mass, kind="stable")]
    for place, at in enumerate(order):
        rare = place >= MOST_OUTCOMES - 1 or mass[at] < LEAST_CHANCE * now.total
        label = ANYTHING_ELSE if rare else _round_label(machine, check.state, functions, patterns[at])
        by_label.setdefault(label, []).append(at)
    found = []
    for label, members in by_label.items():
        weight = np.where(np.isin(kind, members), now.awake, 0.0)
        if kind[-1] in members:
            weight = weight + now.asleep
        if weight.sum() > 0.0:
            found.append(_made(hunt, now, weight, label, healthy=bool(kind[-1] in members)))
    return found


def _round_label(machine: Machine, state: str, functions: Sequence[str], pattern: Ints) -> str:
    """What is not as it should be, in the words that can be typed: "wiper stopped, beacon dim, 3 more"."""
    wrong = []
    for function, at in zip(functions, pattern, strict=True):
        level = ("off", "weak", "on")[int(at)]
        if level != machine.functions[function].expected[state]:
            wrong.append(f"{function} {level_word(machine, function, level)}")
    if not wrong:
        return "all right"
    named = wrong if len(wrong) <= NAMED + 1 else wrong[:NAMED]
    more = [f"{len(wrong) - len(named)} more"] if len(named) < len(wrong) else []
    return ", ".join([*named, *more])


def _code(hunt: Hunt, check: Check, now: Masses) -> list[Outcome]:
    table = hunt.bench.signatures.state(check.state)
    active = table.lines.codes[:, table.codes[(check.controller, check.code)]].astype(np.float64)
    chance = (1.0 - likelihood.CODE_WRONG) * active + likelihood.CODE_WRONG * (1.0 - active)
    healthy = bool(active[-1])
    on = now.awake * chance + now.asleep * chance[-1]
    off = now.awake * (1.0 - chance) + now.asleep * (1.0 - chance[-1])
    return [
        _made(hunt, now, on, "code active", healthy=healthy),
        _made(hunt, now, off, "no code", healthy=not healthy),
    ]


def _seen(hunt: Hunt, check: Check, now: Masses) -> list[Outcome]:
    chance = sight_chances(hunt.evidence, check.place, check.look or "move")
    whole = now.awake + now.asleep
    # A fault that comes and goes reacts to moving; a steady one seldom does.
    if check.kind == "move":
        eager = np.divide(2.0 * now.asleep, whole, out=np.zeros_like(whole), where=whole > 0).clip(0.0, 1.0)
        chance = np.where(chance > FALSE_MOVE, chance * (0.25 + 0.75 * eager), chance)
    found, missed = whole * chance, whole * (1.0 - chance)
    words = (
        ("it reacts", "nothing changes") if check.kind == "move" else ("bad spot seen", "nothing bad seen")
    )
    return [
        _made(hunt, now, found, words[0], healthy=False),
        _made(hunt, now, missed, words[1], healthy=True),
    ]


def sight_chances(evidence: Evidence, place: str, kind: str) -> Floats:
    """Chance that a look (or a move) at a place finds something, for each row and the sound machine last."""
    space = evidence.space
    false = FALSE_MOVE if kind == "move" else FALSE_FIND
    by_fault = np.full(len(space.faults), false)
    for number in evidence.faults_seen_at(kind, place):
        sees, hidden = evidence.sight(kind, place, number)
        by_fault[number] = sees if kind == "move" else (1.0 - hidden) * sees + hidden * false
    return np.append(by_fault[space.row_fault], false)
