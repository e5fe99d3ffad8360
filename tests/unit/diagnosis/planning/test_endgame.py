"""Looking ahead over few suspects: what it values, what it leaves out, and how the planner uses it."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np
import pytest
from tests.outside.machines.drawn import CART, machine

from halfsplit.diagnosis.belief import Belief
from halfsplit.diagnosis.endgame import (
    WRONG_REPAIR_MIN,
    Candidate,
    Mend,
    Rule,
    as_new,
    best_between,
    few_left,
    minutes_ahead,
    small_problem,
    without_twins,
)
from halfsplit.diagnosis.exact import exact
from halfsplit.diagnosis.hunt import Bench, Hunt
from halfsplit.diagnosis.lookahead import AccessStep, Check, Repair, RepairProblem
from halfsplit.diagnosis.planning import ALIKE_MIN, MENDED_MOST, NO_REPAIR_ABOVE, REPAIR_AT, Decision
from halfsplit.observations import Complaint, Symptom

RULE = Rule(repair_at=0.9, least_repair=0.6)


def shared_cover() -> RepairProblem:
    """A weak check outside, a sure one behind the cover that both repairs need opened anyway."""
    cover = frozenset({"cover"})
    return RepairProblem(
        ("pin", "coil"),
        (0.5, 0.5),
        (
            Check("outside", 4.0, ("low", "high"), np.array([[0.8, 0.2], [0.2, 0.8]])),
            Check("behind", 1.0, ("low", "high"), np.eye(2), cover),
        ),
        (Repair("pin", 10.0, access=cover), Repair("coil", 10.0, access=cover)),
        (AccessStep("cover", 12.0, 8.0),),
    )


def test_a_cover_that_must_come_off_anyway_is_not_held_against_the_check_behind_it() -> None:
    problem = shared_cover()
    ahead = minutes_ahead(problem, RULE)
    # Cover 20, check 1, repair 10; and with the outside check's 4 minutes before, as information per minute has it:
    # 0.193 nat for 4 minutes against 0.693 nat for 21.
    assert ahead.checks["behind"] == pytest.approx(31.0)
    assert ahead.by_rate == pytest.approx(35.0)
    assert ahead.checks["outside"] == pytest.approx(35.0)
    # One repair first: 30, and in half of the cases the other's 10.
    assert ahead.repairs["pin"] == pytest.approx(35.0)
    assert ahead.base_minutes == pytest.approx(35.0)
    assert ahead.best_minutes == pytest.approx(31.0)
    assert exact(problem).best.name == "behind"
    assert exact(problem).best.expected_minutes == pytest.approx(ahead.best_minutes)


def test_an_open_cover_costs_nothing() -> None:
    problem = replace(shared_cover(), open_steps=frozenset({"cover"}))
    ahead = minutes_ahead(problem, RULE)
    assert ahead.checks["behind"] == pytest.approx(11.0)
    assert ahead.by_rate == pytest.approx(11.0)


def test_telling_two_cheap_repairs_apart_is_not_worth_a_dear_check() -> None:
    problem = RepairProblem(
        ("left", "right"),
        (0.5, 0.5),
        (Check("drop", 30.0, ("low", "high"), np.eye(2)),),
        (Repair("left", 4.0), Repair("right", 4.0)),
    )
    ahead = minutes_ahead(problem, RULE)
    assert ahead.repairs["left"] == pytest.approx(6.0)
    assert ahead.checks["drop"] == pytest.approx(34.0)
    assert ahead.by_rate == pytest.approx(34.0)


def test_what_a_wrong_repair_costs_holds_back_from_mending_on_even_odds() -> None:
    """A check of 2 minutes that settles it against a repair of 6: 10.3 minutes either way but for the wrong repair."""
    cart = machine(CART)
    mends = [Mend("relay", 0.69, 6.0, 0.0, 1.0, ()), Mend("terminal", 0.31, 13.0, 0.0, 1.0, ())]
    told = Candidate("volts", 2.2, "", (), np.array([[0.69, 0.0], [0.0, 0.31]]))
    problem = small_problem(cart, frozenset(), "", mends, [told])
    ahead = minutes_ahead(problem, RULE)
    assert ahead.checks["volts"] - WRONG_REPAIR_MIN == pytest.approx(2.2 + 0.69 * 6 + 0.31 * 13)
    assert ahead.repairs["relay"] - WRONG_REPAIR_MIN == pytest.approx(6 + 0.31 * (13 + WRONG_REPAIR_MIN))
    free = [replace(one, minutes=one.minutes - WRONG_REPAIR_MIN) for one in problem.repairs]
    careless = minutes_ahead(replace(problem, repairs=tuple(free)), RULE)
    assert careless.repairs["relay"] < careless.checks["volts"]


def test_few_left_holds_the_mass_asked_for() -> None:
    odds = np.array([0.02, 0.5, 0.0, 0.46, 0.02])
    assert few_left(odds, most=3, mass=0.96).tolist() == [1, 3]  # type: ignore[union-attr] # not None is the claim
    assert few_left(odds, most=2, mass=0.97) is None
    assert few_left(np.zeros(3)) is None


def test_the_best_check_between_two_groups_is_the_one_that_parts_them_most_for_its_minutes() -> None:
    sure = np.array([[1.0, 0.0, 0.0], [0.0, 1.0, 1.0]])
    weak = np.array([[0.6, 0.4, 0.4], [0.4, 0.6, 0.6]])
    last = np.array([[0.5, 0.5, 0.1], [0.5, 0.5, 0.9]])
    worth, best = best_between(np.stack([sure, weak, last]), np.array([4.0, 2.0, 2.0]))
    # Pairs in the order 0-1, 0-2, 1-2; distances of the three checks: 1, 1, 0; 0.2, 0.2, 0; 0, 0.4, 0.4.
    assert best.tolist() == [0, 0, 2]
    assert worth == pytest.approx([1 / 4, 1 / 4, 0.4**2 / 2])


def test_a_reading_that_tells_the_same_as_one_taken_is_not_new() -> None:
    taken = np.array([[0.4, 0.1], [0.0, 0.5]])
    almost = np.array([[0.39, 0.08], [0.01, 0.52]])
    other = np.array([[0.4, 0.25], [0.0, 0.35]])
    assert as_new(np.stack([taken, almost, other]), taken[None]).tolist() == [False, False, True]
    assert as_new(np.stack([taken, almost]), np.zeros((0, 2, 2))).tolist() == [True, True]


def test_a_check_that_tells_next_to_nothing_is_not_made_on_the_way() -> None:
    blind = Check("blind", 20.0, ("low", "high"), np.array([[0.55, 0.45], [0.45, 0.55]]))
    problem = replace(two_repairs(), checks=(blind,))
    without = minutes_ahead(two_repairs(), RULE)
    assert minutes_ahead(problem, RULE).by_rate == pytest.approx(without.base_minutes)
    tells_all = Rule(RULE.repair_at, RULE.least_repair, least_rate=0.0)
    assert minutes_ahead(problem, tells_all).by_rate > without.base_minutes + 19.0


def two_repairs() -> RepairProblem:
    return RepairProblem(("left", "right"), (0.5, 0.5), (), (Repair("left", 4.0), Repair("right", 4.0)))


def test_a_dearer_check_that_tells_the_same_is_left_out() -> None:
    table = np.array([[0.4, 0.0], [0.1, 0.5]])
    swapped = table[::-1]
    same = Candidate("dear", 5.0, "sweep", (), swapped)
    cheap = Candidate("cheap", 2.0, "sweep", (), table)
    elsewhere = Candidate("elsewhere", 5.0, "sweep", ("cover",), table)
    other = Candidate("other", 5.0, "sweep", (), np.array([[0.5, 0.0], [0.0, 0.5]]))
    assert {one.name for one in without_twins([same, cheap, elsewhere, other])} == {"cheap", "elsewhere", "other"}


def test_the_small_problem_charges_a_state_once_and_access_with_closing() -> None:
    cart = machine(CART)
    states = [name for name, state in cart.states.items() if state.minutes > 0.0]
    assert states
    mends = [Mend("a", 0.6, 10.0, 3.0, 1.0, ()), Mend("b", 0.2, 20.0, 3.0, 0.9, ())]
    joint = np.array([[0.6, 0.0], [0.15, 0.25], [0.0, 0.0]])
    candidates = [Candidate("one", 2.0, states[0], (), joint), Candidate("two", 2.0, states[0], (), joint)]
    problem = small_problem(cart, frozenset(), "", mends, candidates)
    assert problem.prior == pytest.approx((0.75, 0.25))
    assert problem.checks[0].table == pytest.approx(np.array([[0.8, 0.0], [0.2, 1.0]]))
    assert [one.minutes for one in problem.repairs] == pytest.approx([10.0 + WRONG_REPAIR_MIN, 20.0 + WRONG_REPAIR_MIN])
    t, wanted = problem.tables, cart.states[states[0]].minutes
    assert t.access_minutes(t.closed_up(())[None], t.check_needs)[0] == pytest.approx([wanted, wanted])
    there = small_problem(cart, frozenset(), states[0], mends, candidates)
    now = there.tables.closed_up(there.open_steps)
    assert there.tables.access_minutes(now[None], there.tables.check_needs)[0] == pytest.approx([0.0, 0.0])


@cache
def hunt() -> Hunt:
    return Hunt(Bench(machine(CART)), Complaint((Symptom("starter", "start", "off", 0.9, "yes"),)))


def few(shares: dict[int, float], other: float = 0.0, mended: float = 0.0) -> Belief:
    """The hunt's belief with all odds on its likeliest groups, by rank, and the rest on the two others."""
    belief = hunt().belief
    space = belief.space
    order = np.argsort(-belief.group_odds(), kind="stable")
    there = np.zeros_like(belief.there)
    for rank, share in shares.items():
        members = (space.hyp_group == order[rank]) & (belief.there > 0.0)
        there[members] = share * belief.there[members] / belief.there[members].sum()
    there *= 1.0 - other - mended
    none = np.zeros_like(there)
    return replace(
        belief, there=there, gone=none, nothing=mended, other=other, both=0.0, member=none, cured=none, twos=()
    )  # fmt: skip


def decide(belief: Belief, **how: Any) -> Decision:
    it = hunt()
    return it.planner.decide(belief, it.evidence, it.situation, REPAIR_AT, True, **how)


def test_with_few_groups_left_the_step_with_the_least_minutes_to_the_end_comes_first() -> None:
    belief = few({0: 0.4, 1: 0.35, 2: 0.25})
    decision = decide(belief)
    assert decision.best is not None
    assert decision.best.expected_min is not None
    minutes = [one.expected_min for one in (decision.best, *decision.others) if one.expected_min is not None]
    assert len(minutes) > 1
    alike = sum(value <= min(minutes) + ALIKE_MIN for value in minutes)
    assert max(minutes[:alike]) <= min(minutes) + ALIKE_MIN
    assert minutes[alike:] == sorted(minutes[alike:])
    assert all(one.expected_min is None for one in decision.others[len(minutes) - 1 :])
    assert decision.best.expected_min >= decision.best.minutes
    by_rate = decide(belief, look_ahead=False)
    assert by_rate.best is not None
    assert by_rate.best.expected_min is None
    assert all(one.rate <= by_rate.best.rate for one in by_rate.others)


def test_there_is_no_looking_ahead_where_its_model_does_not_hold() -> None:
    shares = {0: 0.4, 1: 0.35, 2: 0.25}
    for belief in (
        few(shares, other=NO_REPAIR_ABOVE + 0.05),
        few(shares, mended=MENDED_MOST + 0.05),
        few(dict.fromkeys(range(14), 1.0 / 14)),
    ):
        decision = decide(belief)
        assert decision == decide(belief, look_ahead=False)


def test_a_repair_whose_odds_pass_the_threshold_is_done_without_looking_ahead() -> None:
    decision = decide(few({0: 0.96, 1: 0.02, 2: 0.02}))
    assert decision.kind == "repair"
    assert decision.best is not None
    assert decision.best.odds >= REPAIR_AT
    assert decision.best.expected_min is None


def test_no_repair_comes_first_while_something_else_may_explain_it() -> None:
    decision = decide(few({0: 0.7, 1: 0.3}, other=NO_REPAIR_ABOVE + 0.02))
    assert decision.kind == "check"
    assert all(one.repair is None for one in decision.others)
