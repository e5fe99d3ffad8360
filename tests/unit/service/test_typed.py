"""What people type at the bench, and what becomes of it."""

from __future__ import annotations

import math
from functools import cache
from pathlib import Path

import pytest

from halfsplit.diagnosis.checks import Check, all_checks
from halfsplit.errors import ProblemsError, UserError
from halfsplit.machine.model import Machine
from halfsplit.machine.reading import load_machine
from halfsplit.observations import CodeSeen, Look, Move, OutOfReach, Reading, Symptom
from halfsplit.service.complaints import complaint_of, symptom_of
from halfsplit.service.typed import answer, answer_part, expected_answers, repair_answer, unasked

EXAMPLES = Path(__file__).resolve().parents[3] / "examples"


@cache
def machine() -> Machine:
    return load_machine(EXAMPLES / "saltmarsh-sweeper")


@cache
def checks() -> dict[str, Check]:
    return {check.id: check for check in all_checks(machine(), ("sweep", "night", "idle"))}


VOLTS, OPERATE = "volts X30.13 in sweep", "operate beacon in sweep"
THOROUGH, ALONG, MOVE = "look thorough X10", "look along arm-loom", "move X10"


def code_check() -> Check:
    return next(check for check in checks().values() if check.kind == "code")


def ohms_check() -> Check:
    return next(check for check in checks().values() if check.kind == "ohms")


@pytest.mark.parametrize(
    ("text", "volts", "showing", "minutes"),
    [
        ("9.8 V", 9.8, "unknown", None),
        ("850 mV", 0.85, "unknown", None),
        ("12,6 V", 12.6, "unknown", None),
        ("-0.2 V", -0.2, "unknown", None),
        ("9.8 V, showing", 9.8, "yes", None),
        ("9.8 V, fault away", 9.8, "no", None),
        ("9.8 V; fault showing, took 7 min", 9.8, "yes", 7.0),
        ("0 V, 90 s", 0.0, "unknown", 1.5),
    ],
)
def test_readings_carry_their_unit_and_may_say_more(
    text: str, volts: float, showing: str, minutes: float | None
) -> None:
    found = answer(machine(), checks()[VOLTS], text)
    assert isinstance(found.observation, Reading)
    assert found.observation.value == pytest.approx(volts)
    assert found.observation.showing == showing
    assert found.minutes == minutes


@pytest.mark.parametrize(
    ("text", "level"),
    [
        ("lit", "on"), ("ok", "on"), ("Dim", "weak"), ("dark", "off"), ("dead", "off"), ("runs", "on"),
        ("comes and goes", "comes-and-goes"), ("fails", "off"),
    ],
)  # fmt: skip
def test_levels_are_said_in_the_functions_own_words_or_general_ones(text: str, level: str) -> None:
    found = answer(machine(), checks()[OPERATE], text).observation
    assert isinstance(found, Symptom)
    assert (found.function, found.state, found.level) == ("beacon", "sweep", level)


def test_ok_where_the_function_should_rest_means_that_it_rests() -> None:
    found = answer(machine(), checks()["operate beacon in idle"], "ok").observation
    assert isinstance(found, Symptom)
    assert found.level == "off"


@pytest.mark.parametrize(
    ("check_id", "text", "found", "what"),
    [
        (THOROUGH, "dry", False, "dry"),
        (THOROUGH, "wet", True, "wet"),
        (THOROUGH, "green", True, "green"),
        (THOROUGH, "green and wet", True, "green and wet"),
        (THOROUGH, "ok", False, ""),
        (THOROUGH, "Bad", True, ""),
        (ALONG, "rubbed", True, "rubbed"),
        (ALONG, "nothing", False, "nothing"),
    ],
)
def test_looks_find_something_or_nothing(check_id: str, text: str, found: bool, what: str) -> None:
    seen = answer(machine(), checks()[check_id], text).observation
    assert isinstance(seen, Look)
    assert (seen.found, seen.what) == (found, what)


def test_a_look_may_name_the_spot_it_saw() -> None:
    seen = answer(machine(), checks()[THOROUGH], "green at x10.9").observation
    assert isinstance(seen, Look)
    assert (seen.place, seen.found, seen.what) == ("X10.9", True, "green")
    wire = next(one.id for one in machine().wires.values() if one.run == "arm-loom")
    along = answer(machine(), checks()[ALONG], f"rubbed at {wire}").observation
    assert isinstance(along, Look)
    assert along.place == wire
    with pytest.raises(UserError, match=r"X10\.9"):
        answer(machine(), checks()[THOROUGH], "green at X10.99")


def test_codes_moves_and_ohms_are_understood() -> None:
    code = answer(machine(), code_check(), "no code").observation
    assert isinstance(code, CodeSeen)
    assert not code.active
    move = answer(machine(), checks()[MOVE], "flickers").observation
    assert isinstance(move, Move)
    assert move.changed
    over = answer(machine(), ohms_check(), "OL").observation
    assert isinstance(over, Reading)
    assert math.isinf(over.value)
    bus = answer(machine(), ohms_check(), "60 ohm").observation
    assert isinstance(bus, Reading)
    assert bus.value == 60.0


@pytest.mark.parametrize(
    "text", ["can't reach", "can’t reach: guard welded on", "cannot reach, guard welded on"]
)
def test_out_of_reach_is_an_answer_to_any_check(text: str) -> None:
    found = answer(machine(), checks()[VOLTS], text).observation
    assert isinstance(found, OutOfReach)
    assert found.check == VOLTS
    assert found.reason in ("", "guard welded on")


@pytest.mark.parametrize(
    ("check_id", "text", "code", "hint"),
    [
        (VOLTS, "9.8", "answer-unit", "V"),
        (VOLTS, "60 ohm", "answer-unit", "12.3 V"),
        (OPERATE, "litt", "answer-unknown", "lit"),
        (THOROUGH, "gren", "answer-unknown", "green"),
        (VOLTS, "  ", "answer-empty", "12.3 V"),
    ],
)
def test_what_cannot_be_read_is_refused_with_what_to_type(
    check_id: str, text: str, code: str, hint: str
) -> None:
    with pytest.raises(UserError) as caught:
        answer(machine(), checks()[check_id], text)
    assert caught.value.code == code
    assert hint in caught.value.hint


@pytest.mark.parametrize(
    ("text", "check_id", "rest"),
    [
        ("horn: sounds", "operate horn in idle", "sounds"),
        ("Beacon in night: lit", "operate beacon in night", "lit"),
        ("X10: green", "look thorough X10", "green"),
        ("F30: blown", "look by-eye F30", "blown"),
        ("X30.13 in sweep: 12.1 V", "volts X30.13 in sweep", "12.1 V"),
        ("X16.2:s in water-still: 0 V", "volts X16.2:s in water-still", "0 V"),
        ("X16.2 in water-still: 0 V", "volts X16.2:p in water-still", "0 V"),
    ],
)
def test_something_unasked_is_typed_with_its_subject(text: str, check_id: str, rest: str) -> None:
    found = unasked(machine(), text, "idle")
    assert found is not None
    assert found.id == check_id
    assert answer_part(text) == rest


def test_an_unknown_subject_or_state_offers_the_nearest() -> None:
    with pytest.raises(UserError, match="beacon"):
        unasked(machine(), "becon: lit", "idle")
    with pytest.raises(UserError, match="sweep"):
        unasked(machine(), "horn in sweeping: sounds", "idle")


@pytest.mark.parametrize(
    ("text", "verdict"),
    [("mended", "mended"), ("Not mended.", "not mended"), ("done, 25 min", "done"), ("fixed!", "mended")],
)
def test_repairs_are_answered_in_plain_words(text: str, verdict: str) -> None:
    found = repair_answer(text)
    assert found is not None
    assert found.verdict == verdict


def test_every_check_says_what_can_be_typed_and_takes_its_own_examples() -> None:
    for check in checks().values():
        if check.kind in ("operate", "code", "move", "look"):
            for word in expected_answers(machine(), check).split(", "):
                answer(machine(), check, word)


@pytest.mark.parametrize(
    ("sentence", "function", "level", "state"),
    [
        ("left dust spray dead in sweep", "dust-spray-left", "off", "sweep"),
        ("dust-spray-left: dead", "dust-spray-left", "off", "sweep"),
        ("Horn is silent when horn-pressed", "horn", "off", "horn-pressed"),
        ("beacon comes and goes in night", "beacon", "comes-and-goes", "night"),
        ("left tail lamp lit in reverse", "tail-lamp-left", "on", "reverse"),
        ("beacon does not work in Sweeping, engine hot", "beacon", "off", "sweep"),
    ],
)
def test_complaints_are_sentences(sentence: str, function: str, level: str, state: str) -> None:
    found = symptom_of(machine(), sentence)
    assert (found.function, found.level, found.state) == (function, level, state)


def test_all_mistakes_of_a_complaint_are_told_at_once() -> None:
    with pytest.raises(ProblemsError) as caught:
        complaint_of(machine(), ["horm dead", "beacon blue"], ["rian"], worked_on=["X99"])
    codes = [problem.code for problem in caught.value.problems]
    assert sorted(codes) == ["complaint-unknown", "complaint-unknown", "condition-unknown", "subject-unknown"]
    text = str(caught.value)
    assert "rain" in text
    assert "orn" in text


def test_a_complaint_carries_conditions_and_what_was_worked_on() -> None:
    found = complaint_of(
        machine(), ["horn dead"], ["rain", "recent work"], worked_on=["X10"], words="no horn"
    )
    assert found.conditions == ("rain", "recent-work")
    assert found.worked_on == ("X10",)
    assert found.words == "no horn"
