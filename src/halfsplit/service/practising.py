"""Jobs against a hidden fault on a simulated machine: for practice, for the demo and for comparison.

The person (or the planner) and, for comparison, the planner afterwards work on the same hidden fault with the
same tolerances. Such jobs carry the clock "practice" and never count as experience.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

from halfsplit.diagnosis.checks import (
    Check,
    all_checks,
    allowed,
    chassis_node,
    operate,
    points,
    round_check,
    watch_check,
)
from halfsplit.diagnosis.hunt import Bench
from halfsplit.diagnosis.naming import group_short
from halfsplit.diagnosis.planning import setup_minutes
from halfsplit.diagnosis.practice import Clock, Played, hide, play, true_groups
from halfsplit.diagnosis.space import RepairGroup
from halfsplit.diagnosis.world import World, draw
from halfsplit.errors import NotFound, UserError, nearest
from halfsplit.jobs.store import JobStore, fingerprint_of
from halfsplit.machine.model import Machine
from halfsplit.machine.reading import load_machine
from halfsplit.observations import Action, Complaint
from halfsplit.service.desk import Desk, machine_files
from halfsplit.service.found import check_events, keep, refitted, work_events
from halfsplit.service.kept_tables import tables
from halfsplit.service.odds_notes import notes
from halfsplit.service.results import NextStep, Recorded
from halfsplit.service.typed import state_of
from halfsplit.service.working import find_group, next_step, open_job

CODES: dict[str, str] = {
    "practice-none": "No hidden fault that shows could be made with these choices.",
    "practice-step": "What was typed is nothing that can be done on the practice machine.",
}

#: Where the clock of a practice job starts; invented, so that the same seed gives the same job.
START = datetime(2031, 4, 2, 7, 0, tzinfo=UTC)
#: Tries to find a machine on which the hidden fault shows.
TRIES = 60


@dataclass
class Rig:
    """A practice machine with its hidden fault, the job on it, and the minutes spent so far."""

    desk: Desk
    bench: Bench
    world: World
    complaint: Complaint
    clock: Clock
    job: str
    seed: int

    @property
    def causes(self) -> tuple[str, ...]:
        """The repair groups of what is hidden."""
        return tuple(sorted(true_groups(self.world)))


@dataclass(frozen=True, slots=True)
class Verdict:
    """How a practice job ended: the person's minutes and repairs beside the planner's on the same fault."""

    job: str
    hidden: tuple[str, ...]
    causes: tuple[str, ...]
    mended: bool
    minutes: float
    checks: int
    repairs: int
    wrong_repairs: int
    planner_mended: bool
    planner_minutes: float
    planner_checks: int
    planner_wrong_repairs: int


class PracticeClock:
    """The time of a practice job: a fixed start plus the minutes worked."""

    def __init__(self) -> None:
        self.minutes = 0.0
        self._calls = 0

    def __call__(self) -> datetime:
        """Now. Each call is a moment after the one before, so that separate recordings stay separate."""
        self._calls += 1
        return START + timedelta(minutes=self.minutes, milliseconds=self._calls)


def set_up(store: JobStore, machine_path: Path, seed: int = 1, fault: str = "") -> Rig:
    """A practice job with a fault drawn from ``seed``, or the fault of the id ``fault``.

    Raises NotFound for an unknown fault, UserError when it shows nowhere.
    """
    desk, bench = _desk(store, machine_path)
    if fault:
        _number(bench, fault)
    try:
        world, complaint = hide(bench, np.random.default_rng(seed), 1, fault or None)
    except ValueError:
        raise UserError("practice-none", f"The fault {fault} shows nowhere on this machine.") from None
    return _rig(desk, bench, machine_path, world, complaint=complaint, seed=seed)


def set_up_told(store: JobStore, machine_path: Path, fault: str, complaint: Complaint, seed: int) -> Rig:
    """A practice job with a given steady fault and a given complaint, which must show as told."""
    desk, bench = _desk(store, machine_path)
    number = _number(bench, fault)
    rng = np.random.default_rng(seed)
    weights = np.ones(len(bench.faults)) / len(bench.faults)
    for _ in range(TRIES):
        hidden = draw(bench.faults, weights, rng, number)
        world = World(bench.machine, bench.faults, [hidden], rng, bench.drawings)
        if not hidden.sleeps and _shows_as_told(world, complaint):
            return _rig(desk, bench, machine_path, world, complaint=complaint, seed=seed)
    raise UserError("practice-none", f"The fault {fault} does not show as the complaint says.")


def _number(bench: Bench, fault: str) -> int:
    for number, one in enumerate(bench.faults):
        if one.id == fault:
            return number
    raise NotFound("fault", fault, [one.id for one in bench.faults])


def _shows_as_told(world: World, complaint: Complaint) -> bool:
    return all(
        world.level(one.function, one.state, frozenset({0})) == one.level for one in complaint.symptoms
    )


def _desk(store: JobStore, machine_path: Path) -> tuple[Desk, Bench]:
    machine = load_machine(machine_path)
    desk = Desk(store, PracticeClock(), tables=tables(), notes=notes())
    bench = Bench(machine, desk.tables)
    desk.benches[fingerprint_of(machine_files(machine_path))] = bench
    return desk, bench


def _rig(desk: Desk, bench: Bench, path: Path, world: World, *, complaint: Complaint, seed: int) -> Rig:
    # The person and, later, the planner each get the machine as it was first met, with the same luck.
    own = world.fresh(np.random.default_rng([seed, 1]))
    found = open_job(desk, path, complaint, clock="practice", machine=bench.machine)
    return Rig(desk, bench, own, complaint, Clock(own), found.head.job, seed)


def do_check(rig: Rig, check: Check) -> Recorded:
    """Does a check on the practice machine and writes it into the job."""
    standing = rig.desk.standing(rig.desk.job(rig.job))
    opened = setup_minutes(rig.bench.machine, check.steps, rig.clock.open_steps)
    before = rig.clock.minutes
    found = rig.clock.check(check, rig.complaint.symptoms)
    spent = rig.clock.minutes - before - opened
    _advance(rig)
    for place in refitted(rig.bench.machine, check):
        rig.world.act(Action("unplug-refit", place))
    return keep(rig.desk, rig.desk.job(rig.job), check_events(standing, check, found, spent))


def do_repair(rig: Rig, group: RepairGroup) -> Recorded:
    """Does a repair on the practice machine, tries it out, and writes both into the job."""
    standing = rig.desk.standing(rig.desk.job(rig.job))
    rig.clock.repair(group)
    seen = rig.clock.verify(rig.complaint)
    _advance(rig)
    return keep(rig.desk, rig.desk.job(rig.job), work_events(standing, group, seen))


def _advance(rig: Rig) -> None:
    clock = rig.desk.now
    if isinstance(clock, PracticeClock):
        clock.minutes = rig.clock.minutes


def do_asked(rig: Rig, step: NextStep) -> Recorded:
    """Does the step that was asked."""
    if step.step is None:
        raise UserError("practice-step", "Nothing is asked any more.")
    if step.step.kind == "repair":
        return do_repair(rig, next(one for one in rig.bench.space.groups if one.id == step.step.id))
    check = rig.desk.standing(rig.desk.job(rig.job)).check(step.step.id)
    if check is None:
        raise UserError("practice-step", f"There is no check {step.step.id}.")
    return do_check(rig, check)


def check_typed(rig: Rig, line: str) -> Check | RepairGroup:
    """What a person wants to do: "volts X12.3 in sweep", "operate horn", "mend X12.3" and the like.

    ``VERBS`` are the words it may begin with. Raises UserError with near words.
    """
    standing = rig.desk.standing(rig.desk.job(rig.job))
    hunt, machine = standing.hunt, rig.bench.machine
    verb, _, rest = line.strip().partition(" ")
    verb = verb.casefold()
    if verb in ("mend", "repair", "replace"):
        return find_group(hunt, rest)
    if verb == "walk":
        return _walk(machine, rest, hunt.situation.state or hunt.states[0])
    body, _, state_text = rest.partition(" in ")
    state = state_of(machine, state_text) if state_text.strip() else hunt.situation.state or hunt.states[0]
    words = body.split()
    if verb == "operate":
        return _operate(machine, body.strip(), state, bool(state_text.strip()))
    if verb == "unplug":
        return _unplug(machine, body, state)
    if verb in ("lamp", "amps") and len(words) == 1:
        words = [clamp_name(machine, words[0])] if verb == "amps" else words
    if verb == "volts" and len(words) == 1:
        return _volts(machine, words[0], state)
    wanted = {
        "drop": f"drop {' to '.join(words)} in {state}",
        "ohms": f"ohms {' to '.join(words)}",
        "lamp": f"lamp {' '.join(words)} in {state}",
        "amps": f"amps {' '.join(words)} in {state}",
        "look": f"look closed {body.strip()}",
        "open": f"look thorough {body.strip()}",
        "move": f"move {body.strip()}",
    }.get(verb, "")
    checks = {check.id: check for check in all_checks(machine, (state,), even_kept_out=True)}
    if verb == "look" and wanted not in checks:
        wanted = next(
            (
                f"look {kind} {body.strip()}"
                for kind in ("by-eye", "along")
                if f"look {kind} {body.strip()}" in checks
            ),
            wanted,
        )
    if verb == "code":
        wanted = next(
            (one for one in checks if one.startswith("code ") and f" {body.strip()} in " in one), ""
        )
    if wanted in checks:
        return allowed(machine, checks[wanted])
    near = nearest(wanted, checks) if wanted else nearest(verb, VERBS)
    raise UserError(
        "practice-step",
        f'"{line.strip()}" is nothing that can be done here.',
        f'Did you mean "{near}"?' if near else f"Begin with {', '.join(VERBS)}.",
    )


VERBS = (
    "operate", "walk", "volts", "drop", "lamp", "amps", "ohms", "unplug", "look", "open", "move", "code", "mend",
)  # fmt: skip


def clamp_name(machine: Machine, name: str) -> str:
    """The wire or fuse of that id, whatever its letters' case."""
    by_folded = {one.casefold(): one for one in (*machine.wires, *machine.parts)}
    return by_folded.get(name.casefold(), name)


def _unplug(machine: Machine, body: str, state: str) -> Check:
    """A function watched with a connector apart, from "X12 and watch horn". Raises NotFound, UserError."""
    out, _, function = body.partition(" and watch ")
    if not function.strip():
        raise UserError("practice-step", "Say what to watch meanwhile.", "Like: unplug X12 and watch horn in sweep.")
    connectors = {one.casefold(): one for one in machine.connectors}
    if out.strip().casefold() not in connectors:
        raise NotFound("connector", out.strip(), machine.connectors)
    watched = _operate(machine, function.strip(), state, said=True)
    return allowed(
        machine, watch_check(machine, watched.function, watched.state, (connectors[out.strip().casefold()],))
    )


def _walk(machine: Machine, text: str, current: str) -> Check:
    """The walk round the machine in a state, from "sweep", "round in sweep" or nothing for the present one."""
    said = re.sub(r"^(?:a?round\b)?\s*(?:in\b)?", "", text.strip(), flags=re.IGNORECASE).strip()
    state = state_of(machine, said) if said else current
    check = round_check(machine, state)
    if check is None:
        raise UserError("practice-step", f"Nothing is expected of any function in {state}.", "Name another state.")
    return allowed(machine, check)


def _operate(machine: Machine, name: str, state: str, said: bool) -> Check:
    for function in machine.functions.values():
        if name.casefold() in (function.id.casefold(), function.name.casefold()):
            usual = state if said or state in function.expected else next(iter(function.expected), state)
            return operate(machine, function.id, usual)
    raise NotFound("function", name, machine.functions)


def _volts(machine: Machine, point: str, state: str) -> Check:
    known = points(machine)
    for node in (point, f"{point}:p"):
        if node in known:
            at = known[node]
            minutes = next(
                check.minutes
                for check in all_checks(machine, (state,), even_kept_out=True)
                if check.id == f"volts {node} in {state}"
            )
            check = Check(
                f"volts {node} in {state}", "volts", at.owner, at.zone, at.steps, minutes,
                state=state, plus=node, minus=chassis_node(machine),
            )  # fmt: skip
            return allowed(machine, check)
    raise NotFound("point", point, known)


def planner_on_the_same(rig: Rig) -> Played:
    """The planner's job on the same hidden fault and machine."""
    world = rig.world.fresh(np.random.default_rng([rig.seed, 1]))
    return play(rig.bench, world, rig.complaint)


def verdict(rig: Rig, repairs: Sequence[str]) -> Verdict:
    """The end of a practice job, compared with the planner. ``repairs`` are the groups the person mended."""
    other = planner_on_the_same(rig)
    causes = set(rig.causes)
    return Verdict(
        job=rig.job,
        hidden=tuple(f"{rig.bench.faults[one.fault].text} ({one.label})" for one in rig.world.hidden),
        causes=tuple(group_short(one) for one in rig.bench.space.groups if one.id in causes),
        mended=not rig.world.present,
        minutes=rig.clock.minutes,
        checks=rig.clock.checks,
        repairs=len(repairs),
        wrong_repairs=sum(one not in causes for one in repairs),
        planner_mended=other.mended,
        planner_minutes=other.minutes,
        planner_checks=other.checks,
        planner_wrong_repairs=other.wrong_repairs,
    )


def play_out(
    rig: Rig, before: Callable[[NextStep], None], after: Callable[[NextStep, Recorded], None], most: int = 60
) -> NextStep:
    """Lets the planner work the job; ``before`` and ``after`` hear of each step, and what came of it."""
    step = next_step(rig.desk, rig.job)
    for _ in range(most):
        if step.step is None:
            break
        before(step)
        done = do_asked(rig, step)
        after(step, done)
        step = done.next
    return step
