"""Nobody is sent where the machine file keeps people out: checks, what is typed, words of checks and repairs."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import numpy as np
import pytest

from halfsplit.diagnosis.checks import (
    AT_REST,
    Check,
    Point,
    all_checks,
    allowed,
    further_states,
    kept_out,
    points,
    watch_check,
    zone_of,
)
from halfsplit.diagnosis.evidence import FALSE_FIND
from halfsplit.diagnosis.explaining import STILL, explain_check, explain_repair
from halfsplit.diagnosis.hunt import Bench, Hunt, working_states
from halfsplit.diagnosis.practice import hide
from halfsplit.diagnosis.world import World
from halfsplit.errors import UserError
from halfsplit.machine.model import Machine
from halfsplit.machine.reading import load_machine
from halfsplit.observations import Complaint, Look, Symptom
from halfsplit.service.typed import unasked

ROOT = Path(__file__).resolve().parents[3]
MOWER = ROOT / "tests" / "cases" / "machine_checks" / "keep-out"
EXAMPLES = ["hand-cart-generator", "orchard-platform", "saltmarsh-sweeper"]
BRUSH_DEAD = Complaint((Symptom("brush-left", "sweep", "off"),))


@cache
def shown(name: str) -> Machine:
    return load_machine(ROOT / "examples" / name)


@cache
def bench() -> Bench:
    return Bench(shown("saltmarsh-sweeper"))


@cache
def mower() -> Machine:
    return load_machine(MOWER)


def marks_on_the_way(machine: Machine, at: dict[str, Point], check: Check) -> set[str]:
    """Every mark on a check's way, gathered anew: each zone probed or stood in, each step to it, each before that."""
    zones = {check.zone} - {""}
    zones |= {at[node].zone for node in (check.plus, check.minus) if node in at}
    zones |= {machine.connectors[one].zone for one in check.unplugged if one in machine.connectors}
    steps = set(check.steps)
    todo = [step for zone in zones for step in machine.zones[zone].reach] + list(steps)
    while todo:
        step = todo.pop()
        steps.add(step)
        todo += [before for before in machine.access[step].after if before not in steps]
    found = [machine.zones[zone].keep_out for zone in zones] + [machine.access[step].keep_out for step in steps]
    return {danger for marks in found for danger in marks}


@pytest.mark.parametrize("name", EXAMPLES)
def test_no_check_of_a_shown_machine_sends_anyone_where_people_are_kept_out(name: str) -> None:
    machine = shown(name)
    at = points(machine)
    for check in all_checks(machine):
        if check.state and check.kind not in AT_REST:
            assert not marks_on_the_way(machine, at, check) & set(machine.states[check.state].dangers), check.id


@pytest.mark.parametrize("name", ["orchard-platform", "saltmarsh-sweeper"])
def test_only_what_is_kept_out_of_is_left_out(name: str) -> None:
    machine = shown(name)
    at = points(machine)
    left = {check.id for check in all_checks(machine)}
    every = all_checks(machine, even_kept_out=True)
    out = [check for check in every if check.id not in left]
    assert len(out) > 1000
    assert len(left) > len(out)
    for check in out:
        assert marks_on_the_way(machine, at, check) & set(machine.states[check.state].dangers), check.id
    assert all(check.id in left for check in every if check.kind in (*AT_REST, "operate", "code"))


@pytest.mark.parametrize("name", EXAMPLES)
def test_the_zone_of_every_point_is_that_of_its_owner(name: str) -> None:
    machine = shown(name)
    assert all(zone_of(machine, node) == point.zone for node, point in points(machine).items())
    assert zone_of(machine, "body:frame") == ""


def test_under_the_mower_is_measured_with_the_engine_off_only_and_behind_the_cover_with_the_blades_at_rest() -> None:
    assert mower().states["idle"].dangers == ("engine",)  # nobody wrote it: the alternator runs
    assert mower().states["mow"].dangers == ("engine", "blades")
    checks = all_checks(mower())
    states = {part: {c.state for c in checks if c.plus.startswith(f"{part}.")} for part in ("H1", "Y1", "H2")}
    assert states["H1"] == {"off", "key"}
    assert states["Y1"] == {"off", "key", "idle"}
    assert states["H2"] == {"off", "key", "idle", "mow"}


def test_both_ends_of_a_drop_count() -> None:
    across = [
        check
        for check in all_checks(mower(), even_kept_out=True)
        if check.kind == "drop" and {zone_of(mower(), check.plus), zone_of(mower(), check.minus)} == {"seat", "belly"}
    ]
    assert {check.state for check in across} == set(mower().states)
    assert {check.state for check in across if not kept_out(mower(), check)} == {"off", "key"}


def test_watching_with_a_plug_apart_is_kept_out_of_too() -> None:
    machine = shown("saltmarsh-sweeper")
    assert kept_out(machine, watch_check(machine, "brush-left", "sweep", ("X100",)))
    assert not kept_out(machine, watch_check(machine, "spray-pump", "water-still", ("X102",)))


def test_what_a_person_types_is_refused_with_what_ends_the_danger() -> None:
    machine = shown("saltmarsh-sweeper")
    check = next(c for c in all_checks(machine, ("sweep",), even_kept_out=True) if c.id == "volts F30.1 in sweep")
    with pytest.raises(UserError, match="Engine off, key out") as refused:
        allowed(machine, check)
    assert refused.value.code == "kept-out"
    assert "Belly pan" in str(refused.value)
    with pytest.raises(UserError, match="Engine off, key out"):
        unasked(machine, "F30.1 in sweep: 12.6 V", "sweep")
    assert unasked(machine, "F30.1 in key-on: 12.6 V", "sweep") is not None


def hunt_standing_in(state: str) -> Hunt:
    hunt = Hunt(bench(), BRUSH_DEAD)
    hunt.record(Symptom("brush-left", state, "off"), next(
        c for c in all_checks(bench().machine, (state,)) if c.kind == "operate" and c.function == "brush-left"
    ))  # fmt: skip
    return hunt


@pytest.mark.parametrize("check_id", ["look by-eye F30", "move X15", "look closed X10", "look along arm-loom"])
def test_a_look_or_move_begins_with_ending_the_danger_the_machine_stands_in(check_id: str) -> None:
    running = hunt_standing_in("sweep")
    check = next(check for check in running.planner.checks if check.id == check_id)
    words = explain_check(running, check)
    assert words.cautions[0].startswith("Keep out of ")
    assert words.steps[0] == "Engine off, key out."
    assert any("Brush switch off" in step for step in words.steps[:4])
    still = Hunt(bench(), BRUSH_DEAD)
    still.situation = running.situation.__class__(state="standby")
    assert "Engine off, key out." not in explain_check(still, check).steps


def test_while_nobody_knows_how_the_machine_stands_every_danger_is_ended_first() -> None:
    hunt = Hunt(bench(), BRUSH_DEAD)
    check = next(check for check in hunt.planner.checks if check.id == "look by-eye F30")
    assert hunt.situation.state == ""
    ends = [bench().machine.ends(danger) for danger in bench().machine.zones["belly-pan"].keep_out]
    assert list(explain_check(hunt, check).steps[: len(ends)]) == ends


def test_what_is_moved_where_nobody_may_be_is_watched_from_outside_afterwards() -> None:
    hunt = hunt_standing_in("sweep")
    steps = explain_check(hunt, next(c for c in hunt.planner.checks if c.id == "move X15")).steps
    assert not any("watch what was complained about" in step for step in steps)
    assert steps[-1].startswith("Come out and stand clear")
    cab = explain_check(hunt, next(c for c in hunt.planner.checks if c.id == "move X3")).steps
    assert any("watch what was complained about" in step for step in cab)


def test_a_repair_begins_with_ending_the_danger_and_everybody_comes_out_before_it_is_tried() -> None:
    hunt = hunt_standing_in("sweep")
    group = next(group for group in bench().space.groups if group.id == "replace-fuse:F30")
    words = explain_repair(hunt, group)
    assert words.cautions[0].startswith("Keep out of Belly pan")
    assert words.steps[0] == "Engine off, key out."
    assert STILL in words.steps
    assert any("everybody out" in step for step in words.steps)


def test_a_hunt_also_works_in_a_state_without_danger_where_there_is_one() -> None:
    machine = shown("saltmarsh-sweeper")
    assert working_states(machine, Complaint((Symptom("brake-lamp-left", "reverse", "off"),))) == (
        "reverse", "reverse-still",
    )  # fmt: skip
    # Brushes turn nowhere without danger: the state set most alike, in which feeds and grounds can be read.
    assert further_states(machine, ["sweep"], ["brush-left"])[0] == "water-still"
    # Where no state of the complaint has a danger nothing is added but states in which the function works.
    assert further_states(shown("hand-cart-generator"), ["start"], ["starter"]) == ()


def test_a_fuse_blown_by_a_short_is_expected_to_be_found_when_it_is_looked_at() -> None:
    hunt = Hunt(bench(), BRUSH_DEAD)
    number, share = blower()
    assert bench().faults[number].place != "F30"
    assert 0.0 < share < 1.0
    before = hunt.belief.group_odds()
    hunt.record(Look("by-eye", "F30", True))
    there, absent, _ = hunt.evidence.look_chances(hunt.evidence.epochs[-1])
    # Seen 9 times of 10 where it can be seen (19 of 20); its severities that blow nothing are found falsely only.
    blown = share * (0.95 * 0.90 + 0.05 * FALSE_FIND)
    assert np.exp(there[number]) == pytest.approx(blown + (1.0 - share) * FALSE_FIND, rel=1e-12)
    assert np.exp(absent) == pytest.approx(FALSE_FIND)
    groups = [group.id for group in bench().space.groups]
    at = groups.index(bench().faults[number].group)
    assert hunt.belief.group_odds()[at] > before[at]
    # A look at another fuse tells nothing of it.
    assert number not in hunt.evidence.faults_seen_at("by-eye", "F31")
    assert number not in hunt.evidence.faults_seen_at("closed", "F30")


def blower() -> tuple[int, float]:
    """A fault elsewhere that blows F30 while sweeping, and the share of its severities that do."""
    table, space = bench().signatures.state("sweep"), bench().space
    blows = table.lines.blown[:-1, table.fuses.index("F30")]
    for number in np.unique(space.row_fault[blows]).tolist():
        rows = np.flatnonzero(space.row_fault == number)
        weight = [bench().faults[number].severities[grade].weight for grade in space.row_grade[rows].tolist()]
        share = float(np.dot(weight, blows[rows]) / sum(weight))
        if 0.0 < share < 1.0:
            return number, share
    raise AssertionError("nothing blows F30 in part of its severities")


def test_a_fuse_blown_by_a_short_is_seen_by_eye_on_the_practice_machine() -> None:
    table, space = bench().signatures.state("sweep"), bench().space
    number = int(space.row_fault[np.flatnonzero(table.lines.blown[:-1, table.fuses.index("F30")])[-1]])
    world, complaint = hide(bench(), np.random.default_rng(5), fault=bench().faults[number].id)
    look = next(check for check in all_checks(bench().machine, ()) if check.id == "look by-eye F30")
    found = 0
    for seed in range(40):
        fresh: World = world.fresh(np.random.default_rng(seed))
        for symptom in complaint.symptoms:
            fresh.settled(symptom.state, frozenset(fresh.present))
        assert "F30" in fresh.blown
        seen = fresh.answer(look)[0]
        assert isinstance(seen, Look)
        found += seen.found
    # 0.95 x 0.90 x 0.9 and false finds make 0.78 of 40, with four standard deviations to spare.
    assert found >= 20
