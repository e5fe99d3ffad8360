"""Two faults at once: when they are thought of, what is left when one is mended, and how they show together."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from tests.outside.machines.drawn import CART, machine

from halfsplit.circuit.stamps import Floats
from halfsplit.diagnosis import likelihood
from halfsplit.diagnosis.belief import Belief, believe
from halfsplit.diagnosis.evidence import Evidence
from halfsplit.diagnosis.hunt import Bench, Hunt, Settings
from halfsplit.diagnosis.pairs import CLASS_LEAST_V, CLASS_LOG, CLASS_STEP, Pairs
from halfsplit.faults.priors import fault_weights
from halfsplit.observations import Action, Complaint, Observation, Reading, Symptom

LAMP_DARK, STARTER_DEAD = (
    Symptom("panel-lamp", "work", "off", 0.96, "yes"), Symptom("starter", "start", "off", 0.96, "yes"),
)  # fmt: skip
#: Lamp and starter hang on one battery, fuse and switch, and each returns to the battery by a wire of its own.
SHARED_IS_GOOD = (
    Reading("volts", "S1.1", "", "work", 12.5), Reading("volts", "S1.2", "", "work", 12.5),
    Reading("volts", "S1.3", "", "start", 12.4),
)  # fmt: skip
#: Full volts on both sides of both loads: both returns are broken.
RETURNS_ARE_OPEN = (
    Reading("volts", "H1.+", "", "work", 12.4), Reading("volts", "H1.-", "", "work", 12.4),
    Reading("volts", "K1.1", "", "start", 12.4), Reading("volts", "K1.2", "", "start", 12.4),
)  # fmt: skip
LAMP_RETURN = {"renew-contact:X1", "repair-wire:W5", "renew-terminal:W5@BAT.-", "replace-part:X1"}
STARTER_RETURN = {"repair-wire:W6", "renew-terminal:W6@BAT.-", "renew-terminal:W6@K1.2"}


@cache
def bench() -> Bench:
    return Bench(machine(CART))


def hunted(*seen: Observation, grow: bool = True, complaint: tuple[Symptom, ...] = (LAMP_DARK, STARTER_DEAD)) -> Hunt:
    hunt = Hunt(bench(), Complaint(complaint), Settings(grow=grow))
    for one in seen:
        hunt.record(one)
    return hunt


def by_group(odds: Floats) -> dict[str, float]:
    return {group.id: float(value) for group, value in zip(bench().space.groups, odds, strict=True)}


def needed(belief: Belief, groups: set[str]) -> float:
    """Odds that one of some repairs is needed, of which no two are needed at once."""
    return sum(value for group, value in by_group(belief.group_odds()).items() if group in groups)


def first(odds: Floats, count: int) -> set[str]:
    return {bench().space.groups[int(at)].id for at in np.argsort(-odds)[:count]}


def test_at_first_one_common_cause_is_likelier_than_two_faults() -> None:
    belief = hunted().belief
    assert 0.0 < belief.both < 0.1
    assert first(belief.group_odds(), 1) == {"replace-fuse:F1"}


def test_two_faults_on_two_functions_come_first_once_common_causes_are_ruled_out() -> None:
    before, after = hunted().belief, hunted(*SHARED_IS_GOOD).belief
    assert after.both > 4.0 * before.both
    read = hunted(*SHARED_IS_GOOD, *RETURNS_ARE_OPEN).belief
    assert read.both > 0.95
    assert needed(read, LAMP_RETURN) > 0.95
    assert needed(read, STARTER_RETURN) > 0.95
    assert first(read.group_odds(), 2) == {"renew-contact:X1", "repair-wire:W6"}
    rows = bench().space.row_group[[read.twos[0].one, read.twos[0].other]]
    named = {bench().space.groups[int(group)].id for group in rows}
    assert len(named & LAMP_RETURN) == len(named & STARTER_RETURN) == 1
    assert read.twos[0].odds == pytest.approx(read.both, abs=0.05)
    # One fault alone has to explain one of the two away, and does not reach the lamp's side.
    alone = hunted(*SHARED_IS_GOOD, *RETURNS_ARE_OPEN, grow=False).belief
    assert needed(alone, LAMP_RETURN) < 0.1


def test_mending_one_of_two_leaves_the_other() -> None:
    seen = (*SHARED_IS_GOOD, *RETURNS_ARE_OPEN, Action("repair-wire", "W6"), Symptom("starter", "start", "on"))
    for later in ((), (Symptom("panel-lamp", "work", "off"),)):
        belief = hunted(*seen, *later).belief
        assert belief.both < 0.05
        assert needed(belief, LAMP_RETURN) > 0.95
        assert needed(belief, STARTER_RETURN) < 0.05
        causes = by_group(belief.cause_odds())
        assert causes["repair-wire:W6"] > 0.95
        assert causes["renew-contact:X1"] > 0.8
    done = hunted(*seen, Action("renew-contact", "X1"), Symptom("panel-lamp", "work", "on")).belief
    assert done.mended > 0.9
    causes = by_group(done.cause_odds())
    assert min(causes["repair-wire:W6"], causes["renew-contact:X1"]) > 0.9


def test_a_fault_hidden_behind_another_shows_once_that_is_mended() -> None:
    """No volts behind the fuse hide what is wrong behind the switch."""
    # Two points behind it, because one alone may be the wrong pin.
    seen = (
        Reading("volts", "F1.1", "", "work", 12.5), Reading("volts", "F1.2", "", "work", 0.0),
        Reading("volts", "S1.1", "", "work", 0.0),
    )  # fmt: skip
    belief = hunted(*seen).belief
    assert first(belief.group_odds(), 1) == {"replace-fuse:F1"}
    renewed = (
        Action("replace-fuse", "F1"), Symptom("starter", "start", "on"), Symptom("panel-lamp", "work", "off"),
        Reading("volts", "F1.2", "", "work", 12.5),
    )  # fmt: skip
    belief, alone = hunted(*seen, *renewed).belief, hunted(*seen, *renewed, grow=False).belief
    assert first(belief.group_odds(), 1) == {"renew-contact:X1"}
    assert first(alone.group_odds(), 1) != {"renew-contact:X1"}
    cause = [by_group(one.cause_odds())["replace-fuse:F1"] for one in (belief, alone)]
    assert cause[0] > 0.5
    assert cause[0] > 2.0 * cause[1]


def test_what_is_seen_later_of_the_one_left_speaks_of_the_one_that_was_cured() -> None:
    """Work on the starter's wire cured one of two: if the starter turns after it and the lamp stays dark, then that."""
    seen: tuple[Observation, ...] = (*SHARED_IS_GOOD, Action("repair-wire", "W6"))
    lit = hunted(*seen, Symptom("panel-lamp", "work", "off"), Symptom("starter", "start", "on")).belief
    dark = hunted(*seen, Symptom("panel-lamp", "work", "on"), Symptom("starter", "start", "off")).belief
    starter = [by_group(one.cured @ membership())["repair-wire:W6"] for one in (lit, dark)]
    assert starter[0] > 10.0 * starter[1]
    for one in (lit, dark):
        assert one.cured.sum() <= one.there.sum() + one.gone.sum() + 1e-12


def membership() -> Floats:
    """Which hypothesis belongs to which group, ``[singles, groups]``."""
    space = bench().space
    found = np.zeros((space.singles, len(space.groups)))
    found[np.arange(space.singles), space.hyp_group] = 1.0
    return found


def test_of_two_cured_by_the_same_work_each_is_a_cause() -> None:
    """A plug is cleaned that holds both contacts of the lamp; nothing else was ever wrong."""
    space = bench().space
    rows = [row for row in range(space.rows) if space.faults[int(space.row_fault[row])].group == "renew-contact:X1"]
    complaint = Complaint((Symptom("panel-lamp", "work", "off", 0.96, "yes"),))
    evidence = Evidence(space, bench().signatures, complaint)
    for one in (
        Reading("volts", "H1.+", "", "work", 6.0), Reading("volts", "H1.-", "", "work", 3.0),
        Action("renew-contact", "X1"), Symptom("panel-lamp", "work", "on"),
    ):  # fmt: skip
        evidence.add(one)
    log_prior = np.full(space.singles + 2, -np.inf)
    log_prior[2 * np.array(rows)] = -np.log(len(rows))
    belief = believe(evidence, log_prior, Pairs(evidence, log_prior))
    alone = believe(evidence, log_prior)
    of_two = 1.0 - np.exp(alone.log_evidence - belief.log_evidence)
    assert of_two > 1e-4
    # Each pair has two causes, whether the work cured both, one or none.
    causes = belief.there.sum() + belief.gone.sum() + belief.member.sum() + belief.cured.sum()
    assert causes == pytest.approx(1.0 + of_two, abs=1e-9)


def test_who_comes_first_does_not_matter_where_two_stray_alike() -> None:
    none, some = Reading("volts", "H1.+", "", "work", 0.0), Reading("volts", "K1.1", "", "start", 9.0, showing="yes")
    evidence = hunted(none, some).evidence
    pairs = Pairs(evidence, bench().space.log_prior(fault_weights(bench().machine, bench().faults)))
    weight = np.logaddexp.reduce([pairs.epoch(epoch) for epoch in evidence.epochs], axis=0)
    swapped = np.swapaxes(np.swapaxes(weight, 0, 1), 2, 3)
    assert np.allclose(weight, swapped, rtol=0.0, atol=1e-9)
    # A break and a bad joint may both leave 0 V, and only one of them be as sure of it: this was put to the test.
    strays, log = pairs.said(none).strays[pairs.chief], pairs.said(none).log[pairs.chief]
    assert ((strays[:, None] == strays[None, :]) & (np.abs(log[:, None] - log[None, :]) > 0.1)).any()


def test_faults_of_one_class_predict_the_same_and_stand_for_each_other() -> None:
    evidence = hunted(*SHARED_IS_GOOD, *RETURNS_ARE_OPEN).evidence
    pairs = Pairs(evidence, bench().space.log_prior(fault_weights(bench().machine, bench().faults)))
    assert 1 < len(pairs) < len(pairs.member)
    chief = pairs.chief[pairs.kind]
    for seen in (LAMP_DARK, STARTER_DEAD):
        log = pairs.said(seen).log
        assert np.abs(log[pairs.member] - log[chief]).max() <= CLASS_LOG + 1e-9, seen
    for reading in (*SHARED_IS_GOOD, *RETURNS_ARE_OPEN):
        table = bench().signatures.state(reading.state)
        value = likelihood.volts_of(table, table.lines, reading.plus, table.netlist.reference)
        step_v = CLASS_STEP * max(CLASS_LEAST_V, np.hypot(0.02, table.spread_v(reading.plus, table.netlist.reference)))
        assert np.abs(value[pairs.member] - value[chief]).max() <= step_v + 1e-9, reading


@pytest.mark.parametrize(("state", "most"), [("work", 0.10), ("start", 0.20)])
def test_what_two_faults_show_is_mostly_what_the_circuit_with_both_shows(state: str, most: float) -> None:
    """The member that strays further decides; how often that is half a volt off the solved circuit."""
    it, rng = bench(), np.random.default_rng(1)
    table, off = it.signatures.state(state), []
    for _ in range(300):
        one, other = rng.choice(it.space.rows, 2, replace=False)
        if it.space.row_fault[one] == it.space.row_fault[other]:
            continue
        solved = table.predict([(*it.signatures.effects[one], *it.signatures.effects[other])])
        for node in ("F1.2", "S1.1", "K1.1", "H1.+"):
            value = likelihood.volts_of(table, table.lines, node, table.netlist.reference)
            both = likelihood.volts_of(table, solved, node, table.netlist.reference)[0]
            ruled = max((one, other), key=lambda row: abs(value[row] - value[-1]))
            off.append(abs(value[ruled] - both) > 0.5)
    assert len(off) > 1000
    assert 0.0 < np.mean(off) < most


def test_of_two_the_one_that_is_suspected_alone_too_is_hunted_first() -> None:
    space = bench().space
    likely, beside = (int(np.flatnonzero(space.hyp_group == group)[0]) for group in (0, 1))
    there, first, second = np.zeros(space.singles), np.zeros(space.singles), np.zeros(space.singles)
    there[likely] = 0.5
    there[np.flatnonzero(space.hyp_group == 2)[0]] = 0.4
    # A second one beside either: whose place is known by itself, the other two as open as when they are alone.
    second[beside] = 0.1
    first[likely], first[np.flatnonzero(space.hyp_group == 2)[0]] = 0.06, 0.04
    none = np.zeros(space.singles)
    found = Belief(
        space=space, there=there, gone=none, nothing=0.0, other=0.0, both=0.1, member=first + second, cured=none,
        twos=(), leads=(second, first), log_evidence=0.0, log_prior=none,
    )  # fmt: skip
    assert found.one_trouble == pytest.approx(there + first)
    # With nothing suspected alone it is the one whose place is known.
    two = replace(found, there=none, both=1.0, leads=(first * 10.0, second * 10.0))
    assert two.one_trouble == pytest.approx(second * 10.0)
