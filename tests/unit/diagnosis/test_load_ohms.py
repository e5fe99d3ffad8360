"""Ohms through a load with its plug apart tells a burnt load from a bad contact, though a load at rest is another."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import numpy as np
import pytest

from halfsplit.diagnosis.belief import Belief, believe
from halfsplit.diagnosis.evidence import Evidence
from halfsplit.diagnosis.explaining import explain_check
from halfsplit.diagnosis.hunt import Bench, Hunt
from halfsplit.diagnosis.load_ohms import alone, at_rest, load_between, load_check, load_of, suspected
from halfsplit.diagnosis.naming import check_short, check_title
from halfsplit.faults.priors import fault_weights
from halfsplit.machine.reading import load_machine
from halfsplit.observations import Action, Complaint, Reading, Symptom

EXAMPLES = Path(__file__).resolve().parents[3] / "examples"
DARK = Symptom("panel-lamp", "work", "off", 0.96, "yes")


@cache
def bench() -> Bench:
    return Bench(load_machine(EXAMPLES / "hand-cart-generator"))


def believed(value_ohm: float | None) -> Belief:
    it = bench()
    evidence = Evidence(it.space, it.signatures, Complaint((DARK,), comes_and_goes=False))
    if value_ohm is not None:
        evidence.add(Reading("ohms", "H1.+", "H1.-", "work", value_ohm, ("X1",)))
    return believe(evidence, it.space.log_prior(fault_weights(it.machine, it.faults)))


def odds(belief: Belief, group: str) -> float:
    names = [one.id for one in bench().space.groups]
    return float(belief.group_odds()[names.index(group)])


def at_work_ohm() -> float:
    table = bench().signatures.state("work")
    return next(one.resistance_ohm for one in table.netlist.branches if one.name == "load:H1")


def test_an_open_load_reads_open_and_the_plug_is_cleared() -> None:
    before, after = believed(None), believed(20e6)
    assert odds(after, "replace-part:H1") > 0.9
    assert odds(after, "renew-contact:X1") < 0.2 * odds(before, "renew-contact:X1")


@pytest.mark.parametrize("share", [0.06, 0.1, 0.2])
def test_a_whole_filament_read_cold_clears_the_lamp(share: float) -> None:
    before, after = believed(None), believed(share * at_work_ohm())
    assert odds(after, "replace-part:H1") < 0.1 * odds(before, "replace-part:H1")
    assert odds(after, "renew-contact:X1") > odds(before, "renew-contact:X1")
    assert after.other < 0.05


def test_the_prediction_is_that_of_a_cold_lamp() -> None:
    it = bench()
    evidence = Evidence(it.space, it.signatures, Complaint((DARK,)))
    ohms = evidence.ohms.predicted("work", "H1.+", "H1.-", ("X1",))
    assert ohms[-1] == pytest.approx(0.1 * at_work_ohm(), rel=0.01)
    assert np.log10(ohms).max() > 5.0  # the burnt one stays open


def test_only_two_pins_of_one_load_are_a_load_at_rest() -> None:
    machine = bench().machine
    assert at_rest(machine, "H1.-", "H1.+")[0] == 0.1
    assert at_rest(machine, "H1.+", "X1.1") == (1.0, 0.0)
    assert at_rest(machine, "H1.+", "H1.+") == (1.0, 0.0)
    assert load_between(machine, "BAT.+", "BAT.-") is None


def test_a_load_with_one_plug_or_with_bare_terminals_has_such_a_check() -> None:
    machine = load_machine(EXAMPLES / "saltmarsh-sweeper")
    made = {part.id: load_check(machine, part, "sweep") for part in machine.parts.values()}
    assert made["H5"] is not None
    assert made["H5"].unplugged == (machine.parts["H5"].plugs["+"][0],)
    for part in machine.parts.values():
        check = made[part.id]
        if check is not None:
            assert load_of(check.id) == part.id
            assert {pin.partition(".")[0] for pin in (check.plus, check.minus)} == {part.id}
        elif part.kind in ("lamp", "motor", "solenoid", "heater"):
            assert part.plugs
            assert len({part.plugs[pin][0] for pin in part.plugs}) != 1 or len(part.plugs) < 2
    assert made["BAT"] is None
    bare = made["M1"]
    assert bare is not None
    assert bare.unplugged == ()
    words = explain_check(Hunt(Bench(machine), Complaint((Symptom("starter", "crank", "off", 0.96, "yes"),))), bare)
    assert any("two terminals" in step for step in words.steps)
    assert any("battery disconnected" in caution for caution in words.cautions)


def test_ohms_on_bare_terminals_tell_only_of_a_load_with_nothing_beside_it() -> None:
    machine = bench().machine
    lamp = machine.parts["H1"]
    at_rest_ohm = 0.1 * at_work_ohm()
    assert alone(machine, lamp, at_rest_ohm)
    assert not alone(machine, lamp, 0.5 * at_rest_ohm)


def test_the_likeliest_loads_are_asked_for() -> None:
    machine = load_machine(EXAMPLES / "saltmarsh-sweeper")
    owners = [("H5", 0.1), ("M4", 0.3), ("H5", 0.25), ("X74", 0.3), ("HT1", 0.02)]
    assert [part.id for part in suspected(machine, owners, 0.05, 2)] == ["H5", "M4"]
    assert [part.id for part in suspected(machine, owners, 0.32, 2)] == ["H5"]


def test_the_check_is_told_in_order_with_its_cautions_first() -> None:
    it = bench()
    check = load_check(it.machine, it.machine.parts["H1"], "work")
    assert check is not None
    words = explain_check(Hunt(it, Complaint((DARK,))), check)
    assert any("battery disconnected" in caution for caution in words.cautions)
    said = ("battery disconnected", "Unplug X1", "two pins")
    at = [next(k for k, step in enumerate(words.steps) if text in step) for text in said]
    assert at == sorted(at)
    assert "X1" in check_title(it.machine, check)
    assert check_short(check) == check.id


def test_nearly_nothing_may_be_the_leads_and_does_not_condemn_a_motor() -> None:
    it = Bench(load_machine(EXAMPLES / "saltmarsh-sweeper"))
    off = Symptom("radiator-fan", "sweep", "off", 0.96, "yes")
    motor = next(at for at, one in enumerate(it.space.groups) if one.id == "replace-part:M7")
    found = []
    for value_ohm in (None, 0.0, 0.1, 0.2):
        evidence = Evidence(it.space, it.signatures, Complaint((off,), comes_and_goes=False))
        if value_ohm is not None:
            evidence.add(Reading("ohms", "M7.+", "M7.-", "sweep", value_ohm, ("X103",)))
        belief = believe(evidence, it.space.log_prior(fault_weights(it.machine, it.faults)))
        found.append(float(belief.group_odds()[motor]))
    before, *after = found
    # Sound it has about 0.17 ohm at rest, which a hand meter cannot tell from a dead short.
    assert all(one < 1.5 * before for one in after)


def test_what_was_read_with_a_plug_out_is_not_asked_again_and_again_because_a_plug_was_refitted() -> None:
    hunt = Hunt(bench(), Complaint((DARK,), comes_and_goes=False))
    check = load_check(bench().machine, bench().machine.parts["H1"], "work")
    assert check is not None
    assert check.unplugged == ("X1",)
    seen = Reading("ohms", check.plus, check.minus, check.state, 10.0, check.unplugged)
    hunt.record(seen, check)
    used = hunt.situation.done[check.id]
    hunt.record(Action("unplug-refit", "X1"))
    assert hunt.situation.done.get(check.id) == used
    # Another plug may be in the way, so once more, and no third time.
    hunt.record(Action("unplug-refit", "X2"))
    assert check.id not in hunt.situation.done
    hunt.record(seen, check)
    hunt.record(Action("unplug-refit", "X2"))
    assert hunt.situation.done.get(check.id) == used
    # Mending may have changed what it shows.
    hunt.record(Action("renew-contact", "X1"))
    assert check.id not in hunt.situation.done
    hunt.record(seen, check)
    hunt.record(Action("unplug-refit", "X2"))
    assert check.id not in hunt.situation.done
