"""Every sentence that the app shows of the three shipped machines has its Spanish, and nothing else is touched."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import fields, is_dataclass
from datetime import UTC, datetime
from itertools import count
from pathlib import Path
from typing import Any

import pytest
from fastapi.testclient import TestClient

from halfsplit.diagnosis.explaining import check_words, explain_repair
from halfsplit.diagnosis.hunt import Bench, Hunt
from halfsplit.diagnosis.offers import Situation
from halfsplit.diagnosis.outcomes import outcomes
from halfsplit.faults.correcting import correction_sheet
from halfsplit.jobs.memory import MemoryStore
from halfsplit.machine.model import Machine
from halfsplit.machine.reading import load_machine
from halfsplit.observations import Complaint, Symptom
from halfsplit.service.asking import asked_of_check, asked_of_repair
from halfsplit.service.board import Board
from halfsplit.service.desk import Desk
from halfsplit.service.kept_tables import tables
from halfsplit.service.working import check_step, repair_step, suspects_of
from halfsplit.web.app import create_app
from halfsplit.web.hunts import Hunts
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
#: Fields whose texts are ids, or chosen by the app's own words.
SAME_KEYS = {
    "kind", "tone", "mark", "state", "code", "id", "group", "sort", "measure", "media", "role", "clock", "condition",
    "conditions", "faces", "pooling", "source", "nearest", "sending", "rival", "job", "machine", "showing", "own",
}  # fmt: skip
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
    for (place, other, alike), text in told.items():
        if not other:
            left = EVERYWHERE.sub("", names.sub("", alike))
            if re.search(r"[a-z]{2}", left):
                found.add(f"{place}: {text}")
        elif ENGLISH.search(other) and (english := ENGLISH.search(names.sub("", other))):
            found.add(f"{place}: {text} -> {other} [{english[0]}]")
    return found


def strings(found: Any, key: str = "") -> Iterator[tuple[str, str]]:
    """The texts of an answer's JSON that are words, with their keys; what is chosen from has its tone beside it."""
    if isinstance(found, dict):
        for name, one in found.items():
            if name not in SAME_KEYS and not (name == "text" and {"tone", "factor"} & set(found)):
                yield from strings(one, name)
    elif isinstance(found, list):
        for one in found:
            yield from strings(one, key)
    elif isinstance(found, str):
        yield key, found


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


def test_what_keeps_people_out_of_a_zone_is_told_in_spanish() -> None:
    words = catalogue("es")
    for name in COMPLAINTS:
        for zone in load_machine(EXAMPLES / name).zones.values():
            for mark in zone.keep_out:
                shown = mark.replace("-", " ")
                said = words.of(f"Keep out of {zone.name} while any of this is so: {shown}.")
                assert said.startswith("No entre en ")
                assert said.endswith(f" mientras se dé algo de esto: {words.found(shown)}.")


def test_a_name_stays_whole_and_the_colours_and_tellings_around_it_are_spanish() -> None:
    words = catalogue("es")
    state = "Left brush turns [Key on, engine stopped, sweeping]"
    assert words.of(state) == state
    assert words.of("dead, as reported") == "no funciona, según lo avisado"
    assert words.of("violet/grey wire W209") == "cable violeta/gris W209"
    assert words.of("red wire W1 from A to B: wire broken") == "cable rojo W1 de A a B: cable cortado"
    assert words.of("teal wire W9") == "cable teal W9"


def test_a_job_from_the_complaint_to_the_proof_is_told_in_spanish() -> None:
    cart = load_machine(EXAMPLES / "hand-cart-generator")
    path = EXAMPLES / "hand-cart-generator"
    desk = Desk(MemoryStore(), lambda: datetime(2031, 4, 2, 7, tzinfo=UTC), "Ines")
    app = create_app(Hunts(desk, Board((path,), with_shipped=False)), built=None)
    client = TestClient(app, base_url="http://127.0.0.1", headers={"accept-language": "es"})
    numbers, seen = count(1), []

    def post(address: str, **content: Any) -> Any:
        answer = client.post(f"/api/{address}", json={"sending": f"sending-{next(numbers)}", **content})
        assert answer.headers["content-language"] == "es"
        seen.append(answer.json())
        return answer.json()

    told = [{"function": "starter", "state": "start", "level": "dead"}]
    opened = post("jobs", machine="hand-cart-generator", told=told, conditions=["rain"], comes_and_goes=True, unit="7")
    job = f"jobs/{opened['next']['head']['job']}"
    first = opened["next"]["step"]["id"]
    repair = opened["next"]["suspects"][0]["group"]
    post(f"{job}/findings", check="volts F1.2 in start", answer="12.4 V, showing")
    post(f"{job}/findings", check="look thorough X1", answer="green")
    post(f"{job}/findings", check="move X1", answer="reacts, away")
    post(f"{job}/findings", function="panel-lamp", state="work", answer="lit")
    post(f"{job}/findings", check=first, answer="can't reach")
    post(f"{job}/undo")
    post(f"{job}/restore")
    post(f"{job}/corrections", suspect=repair, went="partly", why="Falta un sello")
    post(f"{job}/findings", repair=repair, answer="done")
    post(f"{job}/history", events=3, amount="40 h", condition="rain")
    post(f"{job}/runs", amount="8 h", minutes=5)
    post(f"{job}/runs", amount="2 starts", came_back=True)
    post(f"{job}/used", text="Sello", quantity="2", price="4.80 EUR")
    post(f"{job}/travel", minutes="35 min", distance="42 km")
    post(f"{job}/advice", text="Enjuagar la bandeja", next_inspection="2031-06-01")
    post(f"{job}/notes", text="Nada más")
    post(f"{job}/findings", check="volts F1.2 in start", answer="mucho")
    post(f"{job}/findings", check="volts F1.9 in start", answer="1 V")
    post(f"{job}/findings", answer="1 V")
    one = f"?suspect={repair}"
    asked = ("next", "suspects", "why", "where", f"path{one}", "log", f"correction{one}", "proof", "papers")
    seen.extend(client.get(f"/api/{job}/{address}").json() for address in asked)
    post(f"{job}/close", cause="not found")
    post(f"{job}/notes", text="Demasiado tarde")
    seen.append(client.get("/api/jobs").json())
    seen.append(client.get("/api/machines/hand-cart-generator").json())
    seen.append(client.get("/api/nothing").json())
    english = {
        f"{key}: {text}" for key, text in strings(seen) if ENGLISH.search(names_of(cart).sub("", text))
    }
    assert english == set()
    assert {one["error"]["code"] for one in seen if "error" in one} >= {"finding-subject", "address-unknown"}
