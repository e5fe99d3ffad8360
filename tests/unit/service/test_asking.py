"""What is offered for a tap is what the bench reads, and a drawn face marks the cavity that is meant."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import pytest

from halfsplit.diagnosis.checks import Check, all_checks
from halfsplit.machine.model import Machine
from halfsplit.machine.reading import load_machine
from halfsplit.observations import Observation, Symptom
from halfsplit.service import typed, walking
from halfsplit.service.asking import UNITS, _choices, _faces, _leads, _marks, _round_lines

EXAMPLES = Path(__file__).resolve().parents[3] / "examples"
MACHINES = ("hand-cart-generator", "orchard-platform", "saltmarsh-sweeper")


@cache
def machine(name: str) -> Machine:
    return load_machine(EXAMPLES / name)


def sorts(name: str) -> list[Check]:
    """One check of each sort: the answers differ by kind, look, function and state alone."""
    found = {(one.kind, one.look, one.function, one.state): one for one in all_checks(machine(name))}
    return list(found.values())


@pytest.mark.parametrize("name", MACHINES)
def test_every_answer_offered_is_read_and_every_check_has_one(name: str) -> None:
    for check in sorts(name):
        offered = [one.text for one in _choices(machine(name), check)]
        offered += [f"1.5 {unit.text}" for unit in UNITS.get(check.kind, ())]
        assert offered, check.id
        for text in offered:
            if check.kind == "round":
                assert walking.answer(machine(name), check, text).observations
            else:
                assert isinstance(typed.answer(machine(name), check, text).observation, Observation)


@pytest.mark.parametrize("name", MACHINES)
def test_what_is_offered_as_right_is_what_a_sound_machine_shows(name: str) -> None:
    for check in sorts(name):
        if check.kind != "operate":
            continue
        expected = machine(name).functions[check.function].expected[check.state]
        for one in _choices(machine(name), check):
            seen = typed.answer(machine(name), check, one.text).observation
            assert isinstance(seen, Symptom)
            assert (one.tone == "right") == (seen.level == expected), (check.id, one)


@pytest.mark.parametrize("name", MACHINES)
def test_every_line_of_a_walk_round_can_be_said_to_be_amiss(name: str) -> None:
    for check in sorts(name):
        if check.kind != "round":
            continue
        for line in _round_lines(machine(name), check):
            for one in line.amiss:
                seen = walking.answer(machine(name), check, f"{line.function} {one.text}").observations
                level = next(s.level for s in seen if isinstance(s, Symptom) and s.function == line.function)
                assert level != machine(name).functions[line.function].expected[check.state]


def test_the_leads_of_a_check_are_marked_on_the_face_of_their_connector() -> None:
    sweeper = machine("saltmarsh-sweeper")
    every = all_checks(sweeper, ("sweep",), even_kept_out=True)
    check = next(one for one in every if one.id == "volts X108.1 in sweep")
    marks = _marks(sweeper, check)
    (face,) = _faces(sweeper, marks)
    assert (face.connector, face.rows, face.columns) == ("X108", 1, 2)
    assert [(one.name, one.mark) for one in face.cavities] == [("1", "red"), ("2", "")]
    red, black = _leads(sweeper, marks)
    assert red.words == "cavity 1 of X108 (Plug on the left dust spray valve)"
    assert "W210" in red.wires
    assert (black.mark, black.words) == ("black", "bare metal of the frame")


def test_the_two_halves_of_an_inline_connector_are_two_faces() -> None:
    sweeper = machine("saltmarsh-sweeper")
    faces = _faces(sweeper, [("red", "X10.9:p"), ("black", "X10.9:s")])
    assert [(one.half, [c.name for c in one.cavities if c.mark]) for one in faces] == [
        ("pin half", ["9"]), ("socket half", ["9"]),
    ]  # fmt: skip


def test_a_wires_end_on_a_terminal_has_words_and_no_face() -> None:
    sweeper = machine("saltmarsh-sweeper")
    wire = next(one for one in sweeper.wires.values() if one.a.owner in sweeper.parts)
    node = f"{wire.id}@{wire.a}"
    assert _faces(sweeper, [("red", node)]) == ()
    assert wire.id in _leads(sweeper, [("red", node)])[0].words
