"""Bus lines in ohms and codes by their name, typed without having been asked for."""

from __future__ import annotations

from functools import cache

import pytest

from halfsplit.diagnosis.checks import Check, all_checks, one_apart
from halfsplit.errors import UserError
from halfsplit.machine.model import Machine
from halfsplit.machine.reading import load_machine
from halfsplit.service.examples import find_machine
from halfsplit.service.typed import unasked
from halfsplit.service.typed_between import bus_points


@cache
def machine() -> Machine:
    return load_machine(find_machine("orchard-platform"))


def typed(text: str) -> Check:
    found = unasked(machine(), text, "key-on")
    assert found is not None
    return found


@cache
def asked() -> dict[str, Check]:
    return {check.id: check for check in all_checks(machine(), ("key-on",))}


def test_the_pair_and_each_line_to_the_chassis_are_the_checks_that_are_asked_for() -> None:
    for text in ("X30.19 to X30.20: 60 ohm", "ohms x30.19 to x30.20: 60 ohm"):
        assert typed(text) == asked()["ohms X30.19 to X30.20"]
    for text in ("X30.20 to chassis: OL", "chassis to X30.20: OL", "X30.20 to frame: OL"):
        assert typed(text) == asked()["ohms X30.20 to chassis"]


def test_with_a_connector_apart_it_is_that_check_too() -> None:
    (apart,) = one_apart(machine(), asked()["ohms X30.19 to X30.20"], ("X10",))
    assert typed("X30.19 to X30.20 with X10 out: 120 ohm") == apart


def test_any_controllers_plug_will_do() -> None:
    console = typed("X32.19 to X32.20: 60 ohm")
    assert (console.kind, console.place, console.plus, console.minus) == ("ohms", "X32", "X32.19", "X32.20")
    assert set(bus_points(machine())) == {
        "X30.19", "X30.20", "X31.9", "X31.10", "X32.19", "X32.20", "X33.7", "X33.8",
    }  # fmt: skip


def test_a_code_is_named_with_its_controller() -> None:
    assert typed("code no-basket of ECU1: code") == asked()["code ECU1 no-basket in key-on"]
    assert typed("code no-basket of ecu1 in up: no code").state == "up"


@pytest.mark.parametrize(
    ("text", "near"),
    [
        ("X30.19 to X30.21: 60 ohm", "X30.2"),
        ("X30.1 to X30.2: 60 ohm", "line of a bus"),
        ("X30.19 to X30.19: 0 ohm", "line of a bus"),
        ("code no-baskt of ECU1: code", "no-basket"),
        ("code no-basket of ECU9: code", "ECU"),
    ],
)
def test_what_there_is_not_is_refused_with_the_nearest(text: str, near: str) -> None:
    with pytest.raises(UserError) as caught:
        typed(text)
    assert caught.value.code == "subject-unknown"
    assert near in f"{caught.value} {caught.value.hint}"


def test_a_machine_without_a_bus_has_no_such_lines() -> None:
    cart = load_machine(find_machine("hand-cart-generator"))
    assert bus_points(cart) == {}
    with pytest.raises(UserError, match="no line of a bus"):
        unasked(cart, "K1.30 to K1.87: 0 ohm", "work")
