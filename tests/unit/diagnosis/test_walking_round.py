"""A walk round the machine: what it may show, how it is said, and that it sees what single looks see."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from halfsplit.diagnosis.checks import Check, all_checks, round_check, round_functions
from halfsplit.diagnosis.explaining import MAY_MOVE, explain_check
from halfsplit.diagnosis.hunt import Bench, Hunt
from halfsplit.diagnosis.naming import round_found
from halfsplit.diagnosis.outcomes import MOST_OUTCOMES, outcomes
from halfsplit.diagnosis.practice import hide
from halfsplit.machine.reading import load_machine
from halfsplit.observations import Complaint, Symptom
from halfsplit.service.examples import find_machine


@cache
def bench(name: str) -> Bench:
    return Bench(load_machine(find_machine(name)))


@cache
def sweeper() -> Hunt:
    return Hunt(bench("saltmarsh-sweeper"), Complaint((Symptom("dust-spray-left", "sweep", "off"),)))


def walk(hunt: Hunt, state: str) -> Check:
    check = round_check(hunt.bench.machine, state)
    assert check is not None
    return check


@pytest.mark.parametrize("state", ["sweep", "night", "standby"])
def test_the_results_of_a_walk_are_few_different_and_sum_to_one(state: str) -> None:
    hunt = sweeper()
    found = outcomes(hunt, walk(hunt, state))
    assert sum(one.chance for one in found) == pytest.approx(1.0)
    assert len(found) <= MOST_OUTCOMES
    assert len({one.label for one in found}) == len(found)
    assert [one.chance for one in found] == sorted((one.chance for one in found), reverse=True)
    assert sum(one.healthy for one in found) == 1


def test_a_result_is_named_by_what_is_not_as_it_should_be() -> None:
    told = Complaint((Symptom("dust-spray-left", "sweep", "off"),), comes_and_goes=True)
    hunt = Hunt(bench("saltmarsh-sweeper"), told)
    labels = {one.label: one for one in outcomes(hunt, walk(hunt, "sweep"))}
    assert labels["all right"].healthy
    assert "dust-spray-left dead" in labels
    assert any(label.endswith(" more") for label in labels)


def test_what_a_result_is_said_to_mean_is_what_recording_it_makes_likeliest() -> None:
    hunt = sweeper()
    machine, check = hunt.bench.machine, walk(hunt, "sweep")
    said = next(one for one in outcomes(hunt, check) if one.label == "dust-spray-left dead")
    after = Hunt(hunt.bench, hunt.complaint)
    seen = [
        Symptom(one, "sweep", "off" if one == "dust-spray-left" else machine.functions[one].expected["sweep"])  # type: ignore[arg-type] # expected ones are levels
        for one in round_functions(machine, "sweep")
    ]
    after.record_all([(one, check) for one in seen])
    best = hunt.bench.space.groups[int(np.argmax(after.belief.group_odds()))].id
    assert best in {one.group for one in said.means}


def test_a_walk_names_every_function_with_what_is_expected_of_it() -> None:
    words = explain_check(sweeper(), walk(sweeper(), "sweep"))
    assert words.title == "Set to Sweeping, engine hot and walk round the machine"
    steps = " ".join(words.steps)
    for function in round_functions(sweeper().bench.machine, "sweep"):
        assert f"({function})" in steps
    assert "Dark: " in steps
    assert steps.index("Runs: ") < steps.index("Dark: ")  # what should work before what should rest


def test_a_walk_warns_of_the_state_and_keeps_people_out_of_the_zones_its_dangers_bar() -> None:
    machine = sweeper().bench.machine
    cautions = explain_check(sweeper(), walk(sweeper(), "sweep")).cautions
    state = machine.states["sweep"]
    assert {machine.cautions[one].text.strip() for one in state.cautions} <= set(cautions)
    barred = [zone.name for zone in machine.zones.values() if set(zone.keep_out) & set(state.dangers)]
    assert barred
    assert all(name in cautions[0] for name in barred)
    assert explain_check(sweeper(), walk(sweeper(), "standby")).cautions[0] != cautions[0]


def test_a_walk_on_a_machine_that_may_start_says_so() -> None:
    sketch = bench("hand-cart-generator")
    hunt = Hunt(sketch, Complaint((Symptom("starter", "start", "off"),)))
    moves = any(
        sketch.machine.parts[sketch.machine.functions[one].watch].kind in ("motor", "solenoid")
        for one in round_functions(sketch.machine, "start")
    )
    assert moves == (MAY_MOVE in explain_check(hunt, walk(hunt, "start")).cautions)


def test_there_is_one_walk_for_each_state_in_which_more_than_one_function_can_be_looked_at() -> None:
    machine = sweeper().bench.machine
    walks = {check.state for check in all_checks(machine) if check.kind == "round"}
    assert walks == {state for state in machine.states if len(round_functions(machine, state)) > 1}


@pytest.mark.parametrize("seed", [2, 3, 5])
def test_a_walk_on_the_hidden_machine_sees_what_looking_one_by_one_sees(
    seed: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("halfsplit.diagnosis.world.REPORT_WRONG", 0.0)
    sketch = bench("hand-cart-generator")
    world, _ = hide(sketch, np.random.default_rng(seed))
    # A fault that sleeps may wake between two looks, so the two are compared with it awake throughout.
    monkeypatch.setattr(world, "wake", lambda: frozenset(world.present))
    for state in sketch.machine.states:
        check = round_check(sketch.machine, state)
        assert check is not None
        single = [
            world.answer(
                Check("", "operate", one, "", (), 0.0, state=state, function=one)
            )[0]
            for one in round_functions(sketch.machine, state)
        ]  # fmt: skip
        assert list(world.answer(check)) == single


def test_what_was_found_is_said_with_what_is_wrong_first() -> None:
    machine = bench("hand-cart-generator").machine
    lamp, starter = Symptom("panel-lamp", "start", "on"), Symptom("starter", "start", "on")
    off = Symptom("starter", "start", "off")
    dark = Symptom("panel-lamp", "start", "off")
    assert round_found(machine, "start", [lamp, starter]) == "all 2 right"
    assert round_found(machine, "start", [lamp, off]) == "starter dead; the other one right"
    assert round_found(machine, "start", [dark, off]) == "panel-lamp dark, starter dead"
    assert round_found(machine, "start", [off]) == "starter dead; not looked at: panel-lamp"
    assert round_found(machine, "start", [lamp]) == "the one looked at right; not looked at: starter"
