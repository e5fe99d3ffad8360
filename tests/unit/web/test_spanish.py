"""Every sentence that the app shows of the three shipped machines has its Spanish, and nothing else is touched."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import fields, is_dataclass
from pathlib import Path
from typing import Any

import pytest

from halfsplit.diagnosis.explaining import check_words, explain_repair
from halfsplit.diagnosis.hunt import Bench, Hunt
from halfsplit.diagnosis.offers import Situation
from halfsplit.diagnosis.outcomes import outcomes
from halfsplit.faults.correcting import correction_sheet
from halfsplit.machine.model import Machine
from halfsplit.machine.reading import load_machine
from halfsplit.observations import Complaint, Symptom
from halfsplit.service.asking import asked_of_check, asked_of_repair
from halfsplit.service.kept_tables import tables
from halfsplit.service.working import check_step, repair_step, suspects_of
from halfsplit.web.languages import catalogue
from halfsplit.web.wording import WORDS

EXAMPLES = Path(__file__).resolve().parents[3] / "examples"
COMPLAINTS = {
    "hand-cart-generator": Symptom("starter", "start", "off", 0.96),
    "orchard-platform": Symptom("pump", "up", "off", 0.96),
    "saltmarsh-sweeper": Symptom("dust-spray-left", "sweep", "off", 0.96, "yes"),
}
#: English that cannot stand in a Spanish sentence.
ENGLISH = re.compile(
    r"\b(the|of|and|or|to|with|is|are|not|in|at|out|wire|wires|pin half|cavity|half|for|from|by|it|look|volts|ohms|"
    r"amps|move|clamp|replace|renew|below|about|above|more|dark|lit|dim|dead|what|this|that)\b",
    re.IGNORECASE,
)
#: Letters that stand in words of every language: units and what an ohmmeter shows.
EVERYWHERE = re.compile(r"\b(min|OL|ohm|kohm|Mohm|mohm|mV|mA|SPN|FMI|CAN|cm|km)\b")
#: An id of the drawing, or a number.
ID = re.compile(r"[^\s(),;]*\d[^\s(),;]*")
ANYWHERE = Situation()


def names_of(machine: Machine) -> re.Pattern[str]:
    """Whatever stands in a machine's file as a name, longest first."""
    found: set[str] = set(machine.bodies)
    for kind in ("parts", "connectors", "runs", "zones", "states", "functions", "wires", "access"):
        for one in getattr(machine, kind).values():
            found |= {one.id, getattr(one, "name", "") or one.id, getattr(one, "colour", "") or one.id}
    found |= {one.family.id for one in machine.connectors.values()}
    found |= {word for one in machine.zones.values() for word in one.keep_out}
    for part in machine.parts.values():
        if part.controller is not None:
            found |= set(part.controller.codes) | {one.text for one in part.controller.codes.values() if one.text}
        found |= {str(one) for one in getattr(part, "positions", ())}
    pieces = sorted((one for one in found if len(one) > 1), key=len, reverse=True)
    return re.compile("|".join(rf"(?<!\w){re.escape(one)}(?!\w)" for one in pieces), re.IGNORECASE)


def said_in(value: Any) -> Iterator[tuple[str, str]]:
    """The words of a result, each with the place it stands in."""
    if isinstance(value, tuple | list):
        for one in value:
            yield from said_in(one)
    elif is_dataclass(value) and not isinstance(value, type):
        spelled = {name for kind in type(value).__mro__ for name in WORDS.get(kind.__name__, ())}
        for item in fields(value):
            inner = getattr(value, item.name)
            if item.name not in spelled:
                yield from said_in(inner)
            else:
                for text in (inner,) if isinstance(inner, str) else inner:
                    yield f"{type(value).__name__}.{item.name}", text


def without_spanish(texts: Iterator[tuple[str, str]], machine: Machine) -> set[str]:
    """What a person would read in English, or in half English."""
    spanish, names = catalogue("es"), names_of(machine)
    # What differs in ids and numbers alone is looked at once.
    told = {(place, ID.sub("#", spanish.found(text) or ""), ID.sub("#", text)): text for place, text in texts}
    found = set()
    for place, other, text in told:
        if not other:
            left = EVERYWHERE.sub("", names.sub("", text))
            if re.search(r"[a-z]{2}", left):
                found.add(f"{place}: {told[place, other, text]}")
        elif ENGLISH.search(other) and (english := ENGLISH.search(names.sub("", other))):
            found.add(f"{place}: {told[place, other, text]} -> {other} [{english[0]}]")
    return found


@pytest.fixture(scope="module", params=sorted(COMPLAINTS))
def hunt(request: pytest.FixtureRequest) -> Hunt:
    machine = load_machine(EXAMPLES / request.param)
    return Hunt(Bench(machine, tables()), Complaint((COMPLAINTS[request.param],)))


def checks_said(hunt: Hunt) -> Iterator[tuple[str, str]]:
    machine = hunt.bench.machine
    for check in hunt.planner.checks:
        for now in (ANYWHERE, Situation(state=check.state)):
            yield from said_in(check_step(hunt, check_words(hunt, check, now)))
        yield from said_in(asked_of_check(machine, check, comes_and_goes=True))


def repairs_said(hunt: Hunt) -> Iterator[tuple[str, str]]:
    machine, space = hunt.bench.machine, hunt.bench.space
    for group in space.groups:
        yield from said_in(repair_step(explain_repair(hunt, group, ANYWHERE), None))
        yield from said_in(asked_of_repair(machine, group.place))
    for fault in space.faults:
        yield "Suspect.text", fault.text
        sheet = correction_sheet(machine, fault, ("",))
        told = [*sheet.cautions, *sheet.steps, sheet.correction]
        told += [text for one in sheet.materials for text in (one.item, one.amount, one.source)]
        told += [text for one in sheet.values for text in (one.item, one.condition, one.status)]
        told += [text for one in sheet.closing for text in (one.what, one.text)]
        told += [text for one in (*sheet.inspect_now, *sheet.inspect_later) for text in (*one.why, one.look_for)]
        yield from (("sheet", one) for one in told if one)
    yield from said_in(suspects_of(hunt, 1000, 0.0))


def results_said(hunt: Hunt) -> Iterator[tuple[str, str]]:
    for option in hunt.planner.rank(hunt.belief, hunt.evidence, hunt.situation):
        if option.check is not None:
            yield from (("OutcomeLine.label", one.label) for one in outcomes(hunt, option.check))


def test_every_check_is_told_in_spanish_with_its_cautions_and_answers(hunt: Hunt) -> None:
    assert without_spanish(checks_said(hunt), hunt.bench.machine) == set()


def test_every_repair_is_told_in_spanish_with_its_cautions_and_its_sheet(hunt: Hunt) -> None:
    assert without_spanish(repairs_said(hunt), hunt.bench.machine) == set()


def test_every_result_of_a_check_is_told_in_spanish(hunt: Hunt) -> None:
    assert without_spanish(results_said(hunt), hunt.bench.machine) == set()
