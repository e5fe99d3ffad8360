"""Lamps, clamps and unplugged connectors as they are typed, and what the job then holds."""

from __future__ import annotations

from datetime import UTC, datetime
from functools import cache
from pathlib import Path

import pytest

from halfsplit.diagnosis.checks import watch_check
from halfsplit.errors import UserError
from halfsplit.jobs.memory import MemoryStore
from halfsplit.machine.model import Machine
from halfsplit.machine.reading import load_machine
from halfsplit.observations import Action, Reading, Symptom
from halfsplit.service import working
from halfsplit.service.complaints import complaint_of
from halfsplit.service.desk import Desk, watched
from halfsplit.service.found import record
from halfsplit.service.typed import answer, unasked

SKETCH = Path(__file__).resolve().parents[3] / "examples" / "hand-cart-generator"


@cache
def machine() -> Machine:
    return load_machine(SKETCH)


def desk() -> Desk:
    it = Desk(MemoryStore(), lambda: datetime(2031, 4, 2, 7, tzinfo=UTC), "tester")
    working.open_job(it, SKETCH, complaint_of(machine(), ["starter dead in start"]))
    return it


@pytest.mark.parametrize(
    ("text", "seen"),
    [
        ("F1.2 in start: lit", Reading("lamp", "F1.2", "BAT.-post", "start", 2.0)),
        ("F1.2 in start: lamp dim", Reading("lamp", "F1.2", "BAT.-post", "start", 1.0)),
        ("K1.1 in start: dark, showing", Reading("lamp", "K1.1", "BAT.-post", "start", 0.0, showing="yes")),
        ("W4 in start: 3.2 A", Reading("amps", "W4", "", "start", 3.2)),
        ("F1 in start: -40 mA", Reading("amps", "F1", "", "start", 0.04)),
        ("panel-lamp with X1 out in start: dark", Symptom("panel-lamp", "start", "off", unplugged=("X1",))),
        ("panel-lamp in start with X1 out: lit", Symptom("panel-lamp", "start", "on", unplugged=("X1",))),
        ("panel-lamp in start: lit", Symptom("panel-lamp", "start", "on")),
    ],
)
def test_an_answer_tells_what_was_used(text: str, seen: Reading | Symptom) -> None:
    it = desk()
    record(it, text)
    assert seen in it.job().observations


def test_volts_with_a_connector_apart_and_the_refit_after_it() -> None:
    it = desk()
    found = record(it, "K1.1 with X1 out in start: 11.9 V")
    assert found.words[0] == "volts at K1.1, X1 out [start]: 11.9 V"
    kept = it.job().observations
    assert kept[-2] == Reading("volts", "K1.1", "body:frame", "start", 11.9, ("X1",))
    assert kept[-1] == Action("unplug-refit", "X1")
    # Worked through again from the entries alone, the job stands where it stood.
    odds = it.standing(it.job()).hunt.belief.group_odds()
    it.standings.clear()
    assert it.standing(it.job()).hunt.belief.group_odds() == pytest.approx(odds)


def test_a_watch_check_is_made_again_from_its_id() -> None:
    check = watch_check(machine(), "panel-lamp", "start", ("X1",))
    assert watched(machine(), check.id) == check
    assert watched(machine(), "watch panel-lamp in start, X7 out") is None


def test_with_a_connector_apart_ok_says_nothing() -> None:
    check = watch_check(machine(), "panel-lamp", "start", ("X1",))
    with pytest.raises(UserError) as caught:
        answer(machine(), check, "ok")
    assert caught.value.code == "answer-unknown"


def test_a_wrong_connector_is_refused_with_the_nearest() -> None:
    with pytest.raises(UserError) as caught:
        unasked(machine(), "panel-lamp with X11 out: dark", "start")
    assert caught.value.code == "subject-unknown"
    assert "X1" in caught.value.hint


def test_a_current_needs_its_unit() -> None:
    check = unasked(machine(), "W4 in start: 3.2 A", "start")
    assert check is not None
    with pytest.raises(UserError) as caught:
        answer(machine(), check, "3.2")
    assert caught.value.code == "answer-unit"
