"""Checks and repairs in words, what results would mean, what speaks for a suspect, and how a hunt ends."""

from __future__ import annotations

import re
from functools import cache
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from halfsplit.diagnosis.checks import Check, all_checks
from halfsplit.diagnosis.explaining import MANUAL, NO_PIERCING, POWER_OFF, explain_check, explain_repair
from halfsplit.diagnosis.fixed_idea import fixed_idea
from halfsplit.diagnosis.hunt import Bench, Hunt
from halfsplit.diagnosis.likelihood import volts_of
from halfsplit.diagnosis.naming import check_title, group_words, place_words, point_words
from halfsplit.diagnosis.outcomes import outcomes
from halfsplit.diagnosis.planning import setup_minutes, state_minutes
from halfsplit.diagnosis.stopping import ending
from halfsplit.diagnosis.surprise import surprise
from halfsplit.diagnosis.testimony import why
from halfsplit.errors import NotFound
from halfsplit.machine.reading import load_machine
from halfsplit.observations import Action, Complaint, Level, Observation, Reading, Symptom

EXAMPLES = Path(__file__).resolve().parents[3] / "examples"
STARTER_DEAD = Complaint((Symptom("starter", "start", "off", 0.9, "yes"),))


@cache
def bench(name: str = "hand-cart-generator") -> Bench:
    return Bench(load_machine(EXAMPLES / name))


def hunt_with(*seen: Observation) -> Hunt:
    hunt = Hunt(bench(), STARTER_DEAD)
    for one in seen:
        hunt.record(one)
    return hunt


def check_of(hunt: Hunt, check_id: str) -> Check:
    return next(check for check in hunt.planner.checks if check.id == check_id)


def volts(point: str, value: float) -> Reading:
    return Reading("volts", point, "body:frame", "start", value)


def test_the_results_of_every_check_cover_all_that_is_suspected() -> None:
    hunt = hunt_with()
    for check in hunt.planner.checks:
        found = outcomes(hunt, check)
        total = sum(one.chance for one in found)
        # Levels below 2 % are left out, at most two of three.
        assert 0.96 <= total <= 1.0 + 1e-9, (check.id, total)
        assert list(found) == sorted(found, key=lambda one: -one.chance)


def test_results_of_a_reading_do_not_overlap_and_one_of_them_is_the_sound_machines() -> None:
    hunt = hunt_with()
    for check in hunt.planner.checks:
        if check.kind not in ("volts", "drop"):
            continue
        spans = sorted(
            (one.low, one.high)
            for one in outcomes(hunt, check)
            if one.low is not None and one.high is not None
        )
        assert all(first[1] < second[0] for first, second in pairwise(spans)), check.id
        assert sum(one.healthy for one in outcomes(hunt, check)) >= 1, check.id


def middle_of(hunt: Hunt, check: Check, low: float, high: float) -> float:
    """The reading that half of what reads between two voltages lies below, by its odds."""
    table = hunt.bench.signatures.state(check.state)
    value = volts_of(table, table.lines, check.plus, check.minus)[:-1]
    within = np.flatnonzero((value >= low) & (value <= high))
    within = within[np.argsort(value[within])]
    share = np.cumsum(hunt.belief.row_odds()[within])
    return float(value[within[np.searchsorted(share, share[-1] / 2.0)]])


@pytest.mark.parametrize(
    "check_id", ["volts K1.1 in start", "volts S1.3 in start", "operate panel-lamp in start"]
)
def test_what_a_result_is_said_to_mean_is_what_recording_it_makes_likeliest(check_id: str) -> None:
    hunt = hunt_with()
    check = check_of(hunt, check_id)
    for one in outcomes(hunt, check):
        if one.chance < 0.1 or not one.means[0].group:
            continue
        after = hunt_with()
        if check.kind == "operate":
            level: Level = "on" if one.healthy else "off"
            after.record(Symptom(check.function, check.state, level), check)
        else:
            assert one.low is not None
            assert one.high is not None
            after.record(volts(check.plus, middle_of(hunt, check, one.low, one.high)), check)
        odds = after.belief.group_odds()
        named = {meaning.group for meaning in one.means}
        assert bench().space.groups[int(np.argmax(odds))].id in named, one.label


def test_minutes_of_a_check_are_those_the_plan_counts() -> None:
    machine = bench("saltmarsh-sweeper").machine
    hunt = Hunt(bench("saltmarsh-sweeper"), Complaint((Symptom("horn", "horn-pressed", "off"),)))
    for check in hunt.planner.checks[::97]:
        words = explain_check(hunt, check)
        planned = check.minutes + setup_minutes(machine, check.steps, frozenset())
        planned += state_minutes(machine, check.state, "")
        assert words.minutes.total == pytest.approx(planned), check.id


def test_every_check_of_every_machine_has_cautions_that_end_with_the_makers_manual() -> None:
    for name in ("hand-cart-generator", "saltmarsh-sweeper"):
        one = bench(name)
        function = next(iter(one.machine.functions.values()))
        hunt = Hunt(one, Complaint((Symptom(function.id, next(iter(function.expected)), "off"),)))
        for check in hunt.planner.checks[:: 41 if name == "saltmarsh-sweeper" else 1]:
            words = explain_check(hunt, check)
            assert words.cautions[-1] == MANUAL
            assert words.steps


def test_probing_a_plug_says_never_to_pierce_and_unplugging_asks_for_power_off() -> None:
    hunt = hunt_with()
    probe = next(check for check in hunt.planner.checks if check.kind == "volts" and check.place == "X1")
    assert NO_PIERCING in explain_check(hunt, probe).cautions
    assert any("back-probe" in step for step in explain_check(hunt, probe).steps)
    assert POWER_OFF in explain_check(hunt, check_of(hunt, "look thorough X1")).cautions


def test_no_step_anywhere_tells_to_pierce_bridge_or_defeat() -> None:
    one = bench("saltmarsh-sweeper")
    hunt = Hunt(one, Complaint((Symptom("horn", "horn-pressed", "off"),)))
    wrong = re.compile(r"pierc|bridge|defeat|bypass|bigger fuse", re.IGNORECASE)
    for check in all_checks(one.machine, ("horn-pressed",)):
        assert not [step for step in explain_check(hunt, check).steps if wrong.search(step)], check.id
    for group in one.space.groups:
        assert not [step for step in explain_repair(hunt, group).steps if wrong.search(step)], group.id


def test_leads_are_placed_before_the_machine_is_set_and_access_is_opened_with_the_engine_stopped() -> None:
    one = bench("saltmarsh-sweeper")
    hunt = Hunt(one, Complaint((Symptom("brush-left", "sweep", "off"),)))
    check = check_of(hunt, "volts X100.1 in water-still")
    words = explain_check(hunt, check)
    order = [next(at for at, step in enumerate(words.steps) if step.startswith(start)) for start in (
        "Engine stopped", "Chock the wheels", "Meter on DC volts", "Set the machine", "Read with",
    )]  # fmt: skip
    assert order == sorted(order)
    assert any("Brushes start without warning" in caution for caution in words.cautions)


def test_access_that_is_open_is_neither_charged_nor_told_again() -> None:
    one = bench("saltmarsh-sweeper")
    hunt = Hunt(one, Complaint((Symptom("brush-left", "sweep", "off"),)))
    check = check_of(hunt, "volts X100.1 in water-still")
    before = explain_check(hunt, check)
    hunt.open_steps(check.steps)
    after = explain_check(hunt, check)
    assert before.openings
    assert not after.openings
    assert after.minutes.total == pytest.approx(
        before.minutes.total - before.minutes.opening - before.minutes.closing
    )


def test_a_repair_says_what_to_look_for_likeliest_first_and_how_surely_it_cures() -> None:
    hunt = hunt_with(volts("K1.1", 12.4))
    group = next(one for one in bench().space.groups if one.id == "replace-part:K1")
    words = explain_repair(hunt, group)
    assert "burnt out" in words.look_for[0]
    assert words.success == group.success
    assert words.odds == pytest.approx(float(hunt.belief.group_odds()[bench().space.groups.index(group)]))
    assert words.cautions[-1] == MANUAL


def test_the_listed_ratios_and_the_prior_together_are_the_odds_between_two_suspects() -> None:
    seen = (Symptom("panel-lamp", "start", "on"), volts("S1.3", 12.5), volts("K1.1", 0.02))
    hunt = hunt_with(*seen)
    found = why(hunt, "repair-wire:W4", (*STARTER_DEAD.symptoms, *seen))
    space, belief = bench().space, hunt.belief

    def best(group: str) -> int:
        at = [one.id for one in space.groups].index(group)
        inside = np.flatnonzero(space.hyp_group == at)
        return int(inside[int(np.argmax(belief.there[inside]))])

    mine, theirs = best(found.group), best(found.rival)
    assert not space.hyp_sleeps[[mine, theirs]].any()
    told = sum(one.ratio for one in found.testimonies) + found.prior_ratio
    assert told == pytest.approx(float(np.log(belief.there[mine] / belief.there[theirs])), abs=1e-6)


def test_a_reading_that_only_one_suspect_explains_speaks_strongly_for_it() -> None:
    seen = (volts("S1.3", 12.5), volts("K1.1", 0.02))
    hunt = hunt_with(*seen)
    found = why(hunt, "replace-part:K1", (*STARTER_DEAD.symptoms, *seen))
    against = next(one for one in found.testimonies if "K1.1" in one.subject)
    assert against.weight == "strongly against"
    assert against.found == "20 mV"


def test_a_suspect_and_its_double_give_the_same_reading_at_every_point_within_reach() -> None:
    one = bench("saltmarsh-sweeper")
    complaint = Complaint((Symptom("dust-spray-left", "sweep", "off"),))
    hunt = Hunt(one, complaint)
    # The two joints beside a splice lie where no probe reaches without harm.
    at_splice = next(
        fault for fault in one.faults if fault.mode.id == "splice-open" and "SP31" in fault.place
    )
    found = why(hunt, at_splice.group, complaint.symptoms)
    table = one.signatures.state("sweep")
    reach = [table.nodes[check.plus] for check in hunt.planner.checks if check.kind == "volts"]
    groups = [group.id for group in one.space.groups]
    row_mine = _likeliest_row(hunt, groups.index(found.group))
    for name, _ in found.doubles:
        rows = np.flatnonzero(one.space.row_group == groups.index(name))
        away = np.abs(table.lines.volts[rows][:, reach] - table.lines.volts[row_mine, reach]).max(axis=1)
        assert away.min() < 0.25, name
    assert found.group not in {name for name, _ in found.doubles}


def _likeliest_row(hunt: Hunt, group: int) -> int:
    space = hunt.bench.space
    inside = np.flatnonzero(space.hyp_group == group)
    return int(space.hyp_row[inside[int(np.argmax(hunt.belief.there[inside]))]])


def test_asking_why_of_a_repair_the_machine_does_not_have_offers_the_nearest() -> None:
    with pytest.raises(NotFound, match="repair-wire:W4"):
        why(hunt_with(), "repair-wire:W44", STARTER_DEAD.symptoms)


def test_a_repair_that_mends_everything_ends_the_hunt_and_names_its_cause() -> None:
    hunt = hunt_with(
        volts("S1.3", 12.5), volts("K1.1", 12.3), volts("K1.2", 0.02), Action("replace-part", "K1"),
        Symptom("starter", "start", "on"),
    )  # fmt: skip
    end = ending(hunt, hunt.next())
    assert end.kind == "finish"
    assert end.groups[0] == "replace-part:K1"
    assert float(hunt.belief.cause_odds().max()) > 0.9


def test_nothing_is_said_to_be_a_surprise_while_the_evidence_fits() -> None:
    seen = (volts("S1.3", 12.5), volts("K1.1", 0.02))
    assert surprise(hunt_with(*seen), (*STARTER_DEAD.symptoms, *seen)) is None


def test_the_reading_that_does_not_fit_is_the_one_to_repeat() -> None:
    # The battery side of the switch at 7 V, one switched side at 3 V, and the solenoid behind it at 12.4 V.
    seen = (volts("K1.1", 12.4), volts("S1.3", 3.0), volts("F1.2", 7.0))
    hunt = hunt_with(*seen)
    told = surprise(hunt, (*STARTER_DEAD.symptoms, *seen))
    assert told is not None
    assert told.doubtful == (3,)
    assert told.left < told.other
    assert "F1.2" in told.words
    assert hunt.next().kind != "repair"


def test_a_fixed_idea_is_named_when_minutes_and_odds_lie_apart() -> None:
    found = fixed_idea({"X1": 30.0, "K1": 5.0}, {"X1": 0.05, "K1": 0.6})
    assert found is not None
    assert (found.place, found.elsewhere) == ("X1", "K1")
    assert "K1" in found.words


@pytest.mark.parametrize(
    ("minutes", "odds"),
    [
        ({"X1": 30.0, "K1": 5.0}, {"X1": 0.5, "K1": 0.4}),  # the place deserves its minutes
        ({"X1": 10.0, "K1": 1.0}, {"X1": 0.01, "K1": 0.9}),  # too early to speak of a habit
        ({"X1": 15.0, "K1": 15.0}, {"X1": 0.01, "K1": 0.9}),  # the minutes are spread
        ({}, {}),
    ],
)
def test_no_fixed_idea_is_named_otherwise(minutes: dict[str, float], odds: dict[str, float]) -> None:
    assert fixed_idea(minutes, odds) is None


def test_points_are_named_with_cavity_half_and_wire_colour() -> None:
    machine = bench("saltmarsh-sweeper").machine
    words = point_words(machine, "X16.2:p")
    assert words.startswith("cavity 2 of X16 (Brush arm, signals), pin half")
    assert "W210" in words
    assert point_words(machine, "body:frame") == "bare metal of the frame"
    assert "positive post" in point_words(machine, "BAT.+post")


def test_every_check_and_every_point_has_a_title_without_inner_names() -> None:
    for name in ("hand-cart-generator", "saltmarsh-sweeper"):
        machine = bench(name).machine
        for check in all_checks(machine):
            title = check_title(machine, check)
            assert title
            assert "body:" not in title, title
            assert "@" not in title, title


def test_no_place_of_a_repair_is_named_with_a_gap() -> None:
    it = bench()
    for group in it.space.groups:
        assert "  " not in group_words(it.machine, group), group.id
        assert "  " not in place_words(it.machine, group.place), group.id


def test_severities_of_one_fault_count_together_when_a_place_is_named() -> None:
    space = bench().space
    group = next(at for at, one in enumerate(space.groups) if one.id == "renew-contact:X1")
    weight = np.zeros(space.rows)
    of = {space.faults[int(fault)].mode.id: fault for fault in space.row_fault[space.row_group == group]}
    open_row = int(np.flatnonzero(space.row_fault == of["contact-open"])[0])
    rows = np.flatnonzero(space.row_fault == of["contact-resistance"])
    weight[open_row], weight[rows], weight[rows[2]] = 0.3, 0.1, 0.15
    assert space.foremost_row(group, weight) == rows[2]
    weight[open_row] = 2.0
    assert space.foremost_row(group, weight) == open_row
    there = np.repeat(weight, 2) / weight.sum()
    assert space.hyp_row[space.foremost(group, there)] == open_row
