"""What is seen while a fault sleeps, and what a sleeping short leaves behind."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import numpy as np
import pytest

from halfsplit.diagnosis.belief import Belief, believe
from halfsplit.diagnosis.evidence import NEW_LOOK, Evidence
from halfsplit.diagnosis.hunt import Bench
from halfsplit.faults.priors import fault_weights
from halfsplit.machine.reading import load_machine
from halfsplit.observations import Action, Complaint, Observation, Reading, Symptom

CASES = Path(__file__).resolve().parents[2] / "cases" / "faults"
DARK = Symptom("lamp", "rest", "off", 0.9, "yes")


@cache
def bench() -> Bench:
    """Two fused loads on one ground stud, nothing switched."""
    return Bench(load_machine(CASES / "blown-fuse-follows-overload"))


def believed(*observations: Observation, complaint: Complaint | None = None) -> Belief:
    it = bench()
    evidence = Evidence(it.space, it.signatures, complaint or Complaint((DARK,), comes_and_goes=True))
    for one in observations:
        evidence.add(one)
    return believe(evidence, it.space.log_prior(fault_weights(it.machine, it.faults)))


def hypothesis(fault: str, *, sleeps: bool, severity: str = "open") -> int:
    space = bench().space
    for h in range(space.singles):
        found = space.fault_of(h)
        grade = found.severities[int(space.row_grade[space.hyp_row[h]])]
        if found.id == fault and grade.label == severity and bool(space.hyp_sleeps[h]) == sleeps:
            return h
    raise AssertionError(fault)


STEADY = hypothesis("W3/wire-open", sleeps=False)
ASLEEP = hypothesis("W3/wire-open", sleeps=True)
#: A break in what feeds both loads.
SHARED_STEADY = hypothesis("W7/wire-open", sleeps=False)
SHARED_ASLEEP = hypothesis("W7/wire-open", sleeps=True)
DUTY = bench().faults[int(bench().space.row_fault[bench().space.hyp_row[ASLEEP]])].mode.duty


def against_nothing(belief: Belief, number: int) -> float:
    """Odds of a hypothesis over those of nothing wrong."""
    return float(belief.there[number] / belief.nothing)


def moved(*observations: Observation, number: int, complaint: Complaint | None = None) -> float:
    """By which factor observations move the odds of a hypothesis against nothing wrong."""
    before, after = believed(complaint=complaint), believed(*observations, complaint=complaint)
    return against_nothing(after, number) / against_nothing(before, number)


def test_a_lit_lamp_nearly_clears_a_steady_break_but_only_weakens_a_sleeping_one() -> None:
    lit = Symptom("lamp", "rest", "on")
    assert moved(lit, number=STEADY) < 0.03
    # While it sleeps the lamp is as lit as on the sound machine: what is left is the share of time asleep.
    assert moved(lit, number=ASLEEP) == pytest.approx(1.0 - DUTY, abs=0.02)


def test_a_good_voltage_nearly_clears_a_steady_break_but_only_weakens_a_sleeping_one() -> None:
    good = Reading("volts", "H1.+", "", "rest", 12.4)
    assert moved(good, number=STEADY) < 0.05
    assert moved(good, number=ASLEEP) == pytest.approx(1.0 - DUTY, abs=0.05)


@pytest.mark.parametrize(
    "seen",
    [Symptom("lamp", "rest", "on", showing="no"), Reading("volts", "H1.+", "", "rest", 12.4, showing="no")],
    ids=["symptom", "reading"],
)
def test_what_is_seen_while_it_is_known_to_sleep_leaves_a_sleeping_fault_as_likely_as_before(
    seen: Observation,
) -> None:
    assert moved(seen, number=ASLEEP) == pytest.approx(1.0, rel=1e-9)
    assert moved(seen, number=STEADY) < 0.05


@pytest.mark.parametrize(
    "seen",
    [Symptom("lamp", "rest", "off", showing="yes"), Reading("volts", "H1.+", "", "rest", 0.0, showing="yes")],
    ids=["symptom", "reading"],
)
def test_what_is_seen_while_it_shows_counts_alike_for_a_steady_and_a_sleeping_fault(seen: Observation) -> None:
    assert moved(seen, number=ASLEEP) == pytest.approx(moved(seen, number=STEADY), rel=1e-9)
    assert moved(seen, number=STEADY) > 10.0


def test_looking_again_soon_is_only_part_of_a_new_look() -> None:
    lit = Symptom("lamp", "rest", "on")
    once, five = moved(lit, number=ASLEEP), moved(*[lit] * 5, number=ASLEEP)
    # Within what the lamp's own chance of being lit, 0.99, makes of five looks.
    assert five == pytest.approx(once ** (1.0 + 4.0 * NEW_LOOK), rel=0.03)
    assert five > 5.0 * once**5


def test_resistances_that_a_sleeping_fault_does_not_touch_leave_it_as_likely_as_before() -> None:
    it = bench()
    evidence = Evidence(it.space, it.signatures, Complaint((DARK,), comes_and_goes=True))
    good = []
    for plus, minus in (("W1@BAT.+", "W1@F1.1"), ("W5@F2.2", "W5@B1.+"), ("W6@B1.-", "W6@G1")):
        ohm = evidence.ohms.predicted("rest", plus, minus)
        row = int(it.space.hyp_row[ASLEEP])
        assert ohm[row] == pytest.approx(ohm[-1], rel=0.01)  # far below what a meter shows
        good.append(Reading("ohms", plus, minus, "rest", float(ohm[-1])))
    # The break in the lamp's feed has nothing to do with these wires, steady or not.
    assert moved(*good, number=STEADY) == pytest.approx(1.0, rel=0.05)
    assert moved(*good, number=ASLEEP) == pytest.approx(1.0, rel=0.05)


def test_a_fuse_that_a_sleeping_short_blew_stays_blown() -> None:
    # The short to the frame came and went, and took its fuse along: the lamp stays dark.
    short = hypothesis("W3/wire-chafed", sleeps=True, severity="10 mohm")
    steady = hypothesis("W3/wire-chafed", sleeps=False, severity="10 mohm")
    dark = Symptom("lamp", "rest", "off")
    assert moved(dark, dark, number=short) == pytest.approx(moved(dark, dark, number=steady), rel=0.6)
    belief = believed(dark, dark)
    broken = hypothesis("W3/wire-open", sleeps=True)
    before = believed()
    # A break that sleeps would have let the lamp light in between; the short would not.
    assert belief.there[short] / belief.there[broken] > 1.5 * before.there[short] / before.there[broken]


def test_after_its_fuse_was_replaced_a_sleeping_short_lets_the_lamp_light_again() -> None:
    short = hypothesis("W3/wire-chafed", sleeps=True, severity="10 mohm")
    steady = hypothesis("W3/wire-chafed", sleeps=False, severity="10 mohm")
    fuse = hypothesis("F1/fuse-open", sleeps=False)
    renewed = (Action("replace-fuse", "F1"), Symptom("lamp", "rest", "on"))
    before, after = believed(), believed(*renewed)
    assert after.gone[fuse] > 0.9 * (after.gone[fuse] + after.there[fuse])
    kept = after.there[short] / before.there[short]
    assert kept > 5.0 * after.there[steady] / before.there[steady]


@pytest.mark.parametrize("showing", ["unknown", "no"])
def test_nothing_behind_a_blown_fuse_counts_no_less_for_a_short_that_sleeps_now(showing: str) -> None:
    # Behind the open fuse there is nothing to read, short or no short.
    short = hypothesis("W3/wire-chafed", sleeps=True, severity="10 mohm")
    steady = hypothesis("W3/wire-chafed", sleeps=False, severity="10 mohm")
    nothing_there = Reading("volts", "F1.2", "", "rest", 0.0, showing=showing)  # type: ignore[arg-type] # a Showing
    table = bench().signatures.state("rest")
    rows = bench().space.hyp_row
    assert table.lines.volts[rows[short], table.nodes["F1.2"]] == pytest.approx(0.0, abs=0.01)
    # More, if anything: how much the short still conducts no longer matters once it sleeps behind an open fuse.
    assert moved(nothing_there, number=short) >= 0.95 * moved(nothing_there, number=steady)


def test_a_complaint_that_comes_and_goes_speaks_for_sleeping_faults() -> None:
    comes = believed(complaint=Complaint((DARK,), comes_and_goes=True))
    stays = believed(complaint=Complaint((DARK,), comes_and_goes=False))
    sleeps = bench().space.hyp_sleeps
    assert comes.there[sleeps].sum() > 2.0 * stays.there[sleeps].sum()
    assert np.isclose(comes.there.sum() + comes.nothing + comes.other, 1.0)


def test_what_is_seen_on_one_walk_says_once_whether_the_fault_sleeps() -> None:
    """Two loads dark at once: a sleeping break of what feeds both was awake once, not twice by chance."""
    walk = (Symptom("lamp", "rest", "off"), Symptom("buzzer", "rest", "off"))
    both, one = moved(*walk, number=SHARED_ASLEEP), moved(*walk, number=SHARED_STEADY)
    assert both / one == pytest.approx(DUTY, rel=0.05)


def test_two_walks_say_twice_whether_the_fault_sleeps() -> None:
    walk = (Symptom("lamp", "rest", "off"), Symptom("buzzer", "rest", "off"))
    both, one = moved(*walk, *walk, number=SHARED_ASLEEP), moved(*walk, *walk, number=SHARED_STEADY)
    assert both / one == pytest.approx(DUTY**2, rel=0.05)


def test_of_two_walks_one_may_find_the_fault_asleep() -> None:
    dark = (Symptom("lamp", "rest", "off"), Symptom("buzzer", "rest", "off"))
    lit = (Symptom("lamp", "rest", "on"), Symptom("buzzer", "rest", "on"))
    assert moved(*dark, *lit, number=SHARED_ASLEEP) > 100.0 * moved(*dark, *lit, number=SHARED_STEADY)
