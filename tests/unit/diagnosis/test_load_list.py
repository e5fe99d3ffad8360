"""The load list: its chances against every way things can turn out, and what a machine's corrections take."""

from __future__ import annotations

from functools import cache
from itertools import product
from math import prod
from pathlib import Path

import numpy as np
import pytest

from halfsplit.diagnosis.hunt import Bench, Hunt
from halfsplit.diagnosis.load_list import (
    EVERY_JOB,
    METER,
    Case,
    Need,
    cases_of,
    enough,
    finishing,
    instruments,
    load_list,
    measured,
    needs_of,
    restated,
    something_else,
)
from halfsplit.diagnosis.space import ELSE_PRIOR
from halfsplit.machine.reading import load_machine
from halfsplit.observations import Complaint, Symptom

CART = Path(__file__).resolve().parents[3] / "examples" / "hand-cart-generator"


def need(item: str, share: float = 1.0, amount: str = "1") -> Need:
    return Need("part", item, amount, share, "invented")


#: Two cases with a thing in common, one that needs nothing, and a chance of 0.1 for two faults at once.
CASES = (
    Case("renew:A", 0.40, 0.10, 0.95, (need("contact"), need("seal", 0.5))),
    Case("mend:B", 0.25, 0.06, 0.90, (need("sleeve", amount="5 cm"), need("seal", 0.2))),
    Case("renew:C", 0.05, 0.04, 0.80, (need("sleeve", 0.7, amount="10 cm"),)),
    Case("tighten:D", 0.02, 0.00, 0.99, ()),
)
FINISHED, FOUND = 0.08, 0.9


def cured(case: Case, at_hand: set[str]) -> float:
    """Over every way in which what the case needs can turn out."""
    total = 0.0
    for turns in product((False, True), repeat=len(case.needs)):
        chance = prod(one.share if turn else 1.0 - one.share for one, turn in zip(case.needs, turns, strict=True))
        have_all = all(one.item in at_hand for one, turn in zip(case.needs, turns, strict=True) if turn)
        total += chance * case.success * have_all
    return total


def enumerated(at_hand: set[str]) -> float:
    alone = sum(case.alone * cured(case, at_hand) for case in CASES)
    both = sum(case.member for case in CASES) / 2.0
    # Two faults: two members drawn one by one with their shares of all members.
    of_two = sum(
        one.member * other.member / (2.0 * both) ** 2 * cured(one, at_hand) * cured(other, at_hand)
        for one, other in product(CASES, CASES)
    )
    return FOUND * (alone + both * of_two) + FINISHED


@pytest.mark.parametrize("at_hand", [set(), {"contact"}, {"sleeve", "seal"}, {"contact", "sleeve", "seal"}])
def test_the_chance_is_that_of_every_way_things_can_turn_out(at_hand: set[str]) -> None:
    assert finishing(CASES, at_hand, FINISHED, FOUND) == pytest.approx(enumerated(at_hand), abs=1e-12)


def test_a_complaint_alone_leaves_something_else_at_its_prior_and_what_is_seen_later_moves_it() -> None:
    assert something_else(0.12, 0.12) == pytest.approx(ELSE_PRIOR)
    # Seen later: the odds fell to a third, from 0.25 to 0.25 / 3.
    third = (ELSE_PRIOR / (1.0 - ELSE_PRIOR)) / 3.0
    assert something_else(1.0 / 13.0, 0.20) == pytest.approx(third / (1.0 + third))
    assert something_else(0.999, 0.10) > 0.9
    assert (something_else(0.0, 0.10), something_else(0.4, 0.0), something_else(0.4, 1.0)) == (0.0, 0.4, 0.4)


def test_cases_stated_anew_keep_their_proportions_and_sum_to_one_with_the_rest() -> None:
    cases, finished = restated(CASES, FINISHED, 0.10, 0.03)
    known = sum(case.alone for case in CASES) + sum(case.member for case in CASES) / 2.0
    whole = sum(case.alone for case in cases) + sum(case.member for case in cases) / 2.0 + finished + 0.03
    assert whole == pytest.approx((known + FINISHED) * 0.97 / 0.90 + 0.03)
    assert cases[1].alone / cases[0].alone == pytest.approx(CASES[1].alone / CASES[0].alone)
    assert cases[1].member / cases[0].member == pytest.approx(CASES[1].member / CASES[0].member)
    assert [case.needs for case in cases] == [case.needs for case in CASES]


def test_each_line_says_what_leaving_it_alone_behind_costs_and_the_dearest_stands_first() -> None:
    found = load_list(CASES, FINISHED, most=2, found=FOUND)
    everything = {"contact", "sleeve", "seal"}
    assert found.with_all == pytest.approx(enumerated(everything), abs=1e-12)
    assert found.with_none == pytest.approx(enumerated(set()), abs=1e-12)
    assert found.with_most == pytest.approx(enumerated({line.item for line in found.lines[:2]}), abs=1e-12)
    assert {line.item for line in found.lines} == everything
    for line in found.lines:
        left = enumerated(everything - {line.item})
        assert line.cost == pytest.approx(found.with_all - left, abs=1e-12), line.item
    assert [line.cost for line in found.lines] == sorted((line.cost for line in found.lines), reverse=True)


def test_each_line_says_how_likely_it_is_needed_what_for_and_how_much() -> None:
    lines = {line.item: line for line in load_list(CASES, FINISHED).lines}
    both, member = 0.1, {"contact": 0.10, "seal": 0.10 * 0.5 + 0.06 * 0.2}
    for item, alone in (("contact", 0.40), ("seal", 0.40 * 0.5 + 0.25 * 0.2)):
        of_two = 1.0 - (1.0 - member[item] / (2.0 * both)) ** 2
        assert lines[item].chance == pytest.approx(alone + both * of_two, abs=1e-12)
    assert [group for group, _ in lines["seal"].reasons] == ["renew:A", "mend:B"]
    assert lines["seal"].reasons[0][1] == pytest.approx(0.25)
    assert lines["sleeve"].amount == "10 cm"  # the larger of the two


def test_nothing_to_mend_needs_nothing_and_is_finished() -> None:
    found = load_list((), 1.0)
    assert (found.lines, found.with_all, found.with_none) == ((), 1.0, 1.0)


def test_named_corrections_are_the_likeliest_and_the_others_are_counted() -> None:
    cases = [Case(f"renew:{n}", 0.1 + 0.01 * n, 0.0, 0.9, (need("contact"),)) for n in range(6)]
    (line,) = load_list(cases, 0.0).lines
    assert [group for group, _ in line.reasons] == ["renew:5", "renew:4", "renew:3"]
    assert line.more == 3


@pytest.mark.parametrize(
    ("amount", "value"),
    [("1 and one to spare", 1.0), ("10 cm", 0.1), ("0.3 m", 0.3), ("5 mm", 0.005), ("a few", 0.0), ("", 0.0)],
)
def test_amounts_in_words_are_measured(amount: str, value: float) -> None:
    assert measured(amount) == pytest.approx(value)


@pytest.mark.parametrize(
    ("amount", "count", "unit", "is_enough"),
    [
        ("1 and one to spare", 1, "pcs", True),
        ("1", 0, "pcs", False),
        ("0.3 m", 30, "cm", True),
        ("0.3 m", 29, "cm", False),
        ("10 cm", 1, "pcs", True),  # a piece of unknown length
        ("1", 0.5, "rolls", True),
        ("a little", 1, "cans", True),
        ("as needed", 0, "pcs", False),
        ("", 2, "pcs", True),
    ],
)
def test_what_the_van_holds_is_enough_or_not(amount: str, count: float, unit: str, is_enough: bool) -> None:
    assert enough(amount, count, unit) is is_enough


@cache
def bench() -> Bench:
    return Bench(load_machine(CART))


def complaint(function: str, state: str) -> Complaint:
    return Complaint((Symptom(function, state, "off", 0.96, "yes"),))


def test_the_cases_of_a_belief_hold_all_its_odds() -> None:
    told = complaint("starter", "start")
    belief = Hunt(bench(), told).belief
    cases = cases_of(belief, bench().signatures, told)
    total = sum(case.alone for case in cases) + belief.both + belief.mended + belief.other
    assert total == pytest.approx(1.0, abs=1e-6)
    assert sum(case.member for case in cases) == pytest.approx(2.0 * belief.both, abs=1e-6)
    odds = dict(zip((group.id for group in bench().space.groups), belief.group_odds(), strict=True))
    for group, stated in odds.items():
        own = sum(case.alone + case.member for case in cases if case.group == group)
        assert own == pytest.approx(stated, abs=1e-6)


def test_a_fuse_that_the_cause_blew_is_needed_besides_its_own_correction() -> None:
    told = complaint("starter", "start")
    cases = cases_of(Hunt(bench(), told).belief, bench().signatures, told)
    shorted = [case for case in cases if case.group == "replace-part:K1" and len(case.needs) > 2]
    assert shorted
    assert {one.item for one in shorted[0].needs} == {
        "Starter solenoid (K1)", "seal of its plug", "fuse of 15 A",
    }  # fmt: skip
    open_coil = next(fault for fault in bench().faults if fault.group == "replace-part:K1")
    assert "fuse of 15 A" not in {one.item for one in needs_of(bench().machine, open_coil)}


def test_what_is_seen_at_the_machine_shortens_the_list() -> None:
    told = complaint("starter", "start")
    hunt = Hunt(bench(), told)
    before = load_list(cases_of(hunt.belief, bench().signatures, told), hunt.belief.mended)
    belief = hunt.record(Symptom("panel-lamp", "start", "on"))
    after = load_list(cases_of(belief, bench().signatures, told), belief.mended)
    chance = [{line.item: line.chance for line in found.lines} for found in (before, after)]
    # The lamp hangs on the same fuse: with it lit the fuse is whole.
    assert chance[0]["fuse of 15 A"] > 0.1
    assert chance[1]["fuse of 15 A"] < 0.3 * chance[0]["fuse of 15 A"]
    assert chance[1]["Starter solenoid (K1)"] > chance[0]["Starter solenoid (K1)"]


def test_instruments_are_named_with_the_odds_of_the_places_they_are_used_at() -> None:
    told = complaint("starter", "start")
    hunt = Hunt(bench(), told)
    space, odds = bench().space, hunt.belief.group_odds()
    found = dict(instruments(bench().machine, space.groups, odds, hunt.planner.checks))
    assert set(found) == {"test lamp, 6 W for 12 V", "clamp meter for direct current"}
    assert all(0.0 < chance <= 1.0 for chance in found.values())
    assert instruments(bench().machine, space.groups, odds, ()) == ()
    assert instruments(bench().machine, space.groups, np.zeros(len(odds)), hunt.planner.checks) == ()


def test_the_meter_goes_along_to_every_job() -> None:
    assert ("tool", METER) in EVERY_JOB
