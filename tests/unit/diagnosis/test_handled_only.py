"""What came right by being handled is mended before the job ends; what was mended is not mended again."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import pytest

from halfsplit.diagnosis.checks import round_functions
from halfsplit.diagnosis.hunt import HANDLED, Bench, Hunt
from halfsplit.diagnosis.planning import Decision
from halfsplit.machine.reading import load_machine
from halfsplit.observations import Action, Complaint, Look, Move, Observation, OutOfReach, Reading, Symptom

CART = Path(__file__).resolve().parents[3] / "examples" / "hand-cart-generator"
DARK = Symptom("panel-lamp", "work", "off", 0.9, "yes")
LIT = Symptom("panel-lamp", "work", "on")


@cache
def bench() -> Bench:
    return Bench(load_machine(CART))


def answered(hunt: Hunt) -> Decision:
    """The first step that is no check, every check before answered as the sound machine answers."""
    machine = hunt.bench.machine
    for _ in range(40):
        decision = hunt.next()
        check = None if decision.best is None else decision.best.check
        if check is None:
            return decision
        found: list[Observation] = []
        if check.kind in ("round", "operate"):
            names = round_functions(machine, check.state) if check.kind == "round" else [check.function]
            levels = {name: machine.functions[name].expected[check.state] for name in names}
            found = [Symptom(name, check.state, level) for name, level in levels.items()]  # type: ignore[arg-type] # of the three
        elif check.kind in ("look", "move"):
            found = [Look(check.look, check.place, False) if check.kind == "look" else Move(check.place, "", "", False)]  # type: ignore[arg-type] # a look check names its look
        elif check.kind in ("volts", "drop"):
            table = hunt.bench.signatures.state(check.state)
            plus, minus = (table.nodes[name] for name in (check.plus, check.minus))
            volts = float(table.lines.volts[-1, plus] - table.lines.volts[-1, minus])
            found = [Reading("volts", check.plus, check.minus, check.state, round(volts, 2))]
        hunt.record_all([(one, check) for one in found or [OutOfReach(check.id, "no instrument at hand")]])
    raise AssertionError("forty checks of a sound machine")


@pytest.fixture
def handled() -> Hunt:
    """A bad contact was seen in X1; since X1 was opened for that and closed again all is as it should be."""
    hunt = Hunt(bench(), Complaint((DARK,)))
    hunt.record(Look("thorough", "X1.1", True))
    hunt.record(Action("unplug-refit", "X1"))
    return hunt


def test_a_contact_that_came_right_by_being_opened_is_renewed_before_the_end(handled: Hunt) -> None:
    decision = answered(handled)
    assert handled.belief.mended > 0.9
    assert decision.kind == "repair"
    assert decision.best is not None
    assert decision.best.repair is not None
    assert decision.best.repair.id == "renew-contact:X1"
    assert decision.best.odds >= HANDLED
    assert decision.best.minutes >= decision.best.repair.minutes + decision.best.setup_min
    assert "handled" in decision.reason


def test_once_it_is_renewed_the_job_ends(handled: Hunt) -> None:
    answered(handled)
    handled.record(Action("renew-contact", "X1"))
    handled.record(LIT)
    assert answered(handled).kind == "finish"


def test_a_contact_out_of_reach_is_not_asked_for(handled: Hunt) -> None:
    handled.record(OutOfReach("renew-contact:X1", "seized"))
    assert answered(handled).kind == "finish"


def test_what_was_mended_with_success_leaves_nothing_to_mend() -> None:
    hunt = Hunt(bench(), Complaint((DARK,)))
    hunt.record(Look("thorough", "X1.1", True))
    hunt.record(Action("renew-contact", "X1"))
    hunt.record(LIT)
    assert answered(hunt).kind == "finish"
