"""Which language an answer comes in, how a catalogue is read, and that no field of the interface is forgotten."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import pytest
from starlette.datastructures import Headers

from halfsplit.web.catalogue import PLACE, Catalogue
from halfsplit.web.languages import catalogue, wanted
from halfsplit.web.wording import WORDS

CLIENT = Path(__file__).resolve().parents[3] / "src" / "halfsplit" / "web" / "client"
#: Texts of answers that are the same in every language: ids, names from a machine file, times, what somebody wrote
#: himself, and words of few that the app has its own for.
SAME: dict[str, set[str]] = {
    "About": {"name", "version"},
    "Asked": {"state"},
    "AttachmentLine": {"caption", "media", "name", "role", "sha256"},
    "Choice": {"text"},
    "CircuitPath": {"group", "state", "state_name"},
    "ClosingLine": {"source"},
    "ComplaintForm": {"conditions", "machine", "name", "units"},
    "CorrectionSheet": {"group", "source"},
    "EarlierLine": {"back_in", "closed", "job", "opened", "state"},
    "Face": {"connector", "faces", "name", "zone"},
    "FaceCavity": {"name"},
    "Failure": {"code", "nearest"},
    "Fault": {"code", "field", "nearest"},
    "FoundBy": {"by", "when"},
    "FunctionLine": {"function", "name"},
    "InspectLine": {"thing", "zone"},
    "JobCard": {"changed", "job", "machine", "machine_name", "opened", "state", "unit"},
    "JobHead": {"clock", "conditions", "job", "machine", "machine_name", "state", "unit"},
    "LogLine": {"by", "kind", "when"},
    "MachineLine": {"machine", "maker", "name"},
    "MaterialLine": {"sort"},
    "MeaningLine": {"group"},
    "NamedThing": {"id", "name"},
    "NextStep": {"kind", "open_access"},
    "OpeningLine": {"step"},
    "OtherStep": {"id", "kind"},
    "PaperLine": {"kind"},
    "PathPoint": {"node", "zone"},
    "PersonLine": {"last_sign_in", "name", "since"},
    "PlaceLine": {"place"},
    "Proof": {"measure"},
    "ProvokeLine": {"condition", "measure"},
    "ReadAgain": {"mark"},
    "ReadingUnit": {"text"},
    "RoundLine": {"function", "name"},
    "Session": {"name"},
    "StateLine": {"name", "state"},
    "Step": {"id", "kind"},
    "Suspect": {"group", "place", "zone"},
    "ToldFunction": {"function", "level", "state"},
    "UnitSeen": {"near", "read_on", "still_open", "unit"},
    "ValueLine": {"unit"},
    "WhyLines": {"group", "rival"},
    "ZoneLink": {"a", "b"},
    "ZoneSpot": {"low_points", "name", "pooling", "zone"},
    "ZoneSuspect": {"group"},
}


def texts_of(schema: dict[str, Any]) -> set[str]:
    """The fields of a schema that hold any text, or several."""
    found = set()
    for name, one in schema.get("properties", {}).items():
        inner = [one, one.get("items", {}), *one.get("anyOf", [])]
        if any(each.get("type") == "string" and not {"enum", "const"} & set(each) for each in inner):
            found.add(name)
    return found


def test_every_text_of_an_answer_is_put_into_another_language_or_is_the_same_in_all() -> None:
    schemas = json.loads((CLIENT / "openapi.json").read_text("utf-8"))["components"]["schemas"]
    sent = {name for name, one in schemas.items() if "sending" in one.get("properties", {})}
    sent |= {"SignIn", "Newcomer", "OwnPassword", "PasswordGiven"}  # these come in, and no answer has them
    for name, schema in schemas.items():
        if name not in sent:
            assert texts_of(schema) == set(WORDS.get(name, ())) | SAME.get(name, set()), name
            assert not set(WORDS.get(name, ())) & SAME.get(name, set()), name
    assert set(WORDS) - set(schemas) == {"NewsLine"}  # the stream of news has no schema


@pytest.mark.parametrize(
    ("headers", "language"),
    [
        ({}, "en"),
        ({"accept-language": "es-AR,es;q=0.9,en;q=0.5"}, "es"),
        ({"accept-language": "de-DE,en;q=0.3,es;q=0.7"}, "es"),
        ({"accept-language": "es;q=0, en"}, "en"),
        ({"accept-language": "fr, *;q=0.5"}, "en"),
        ({"accept-language": "es;q=often"}, "en"),
        ({"accept-language": "es", "cookie": "halfsplit-language=en"}, "en"),
        ({"accept-language": "en", "cookie": "other=1; halfsplit-language=es"}, "es"),
        ({"accept-language": "en", "cookie": "halfsplit-language=../es"}, "en"),
    ],
)
def test_the_phones_choice_counts_before_the_browsers(headers: dict[str, str], language: str) -> None:
    assert wanted(Headers(headers)) == language


def test_a_row_fills_its_places_by_their_kind() -> None:
    some = Catalogue([
        ("wire {wire:id}", "cable {wire}"),
        ("open", "abierto"),
        ("Go to {place:words}, {zone}.", "Vaya a {place}, {zone}."),
        ("{place}: {what:known}", "{place}: {what}"),
        ("Unplug {these:and}.", "Desconecte {these}."),
        ("note: {said:text}", "nota: {said}"),
    ])  # fmt: skip
    assert some.of("Go to wire W2, Cab (left, low).") == "Vaya a cable W2, Cab (left, low)."
    assert some.of("Go to X1 (Seat, left), Cab.") == "Vaya a X1 (Seat, left), Cab."
    assert some.of("X1 (Seat): open") == "X1 (Seat): abierto"
    assert some.of("X1 (Seat): shut") == "X1 (Seat): shut"
    assert some.of("Unplug X1 (Up and down) and X2.") == "Desconecte X1 (Up and down) y X2."
    assert some.of("note: wire W2 (the red one") == "nota: wire W2 (the red one"
    assert some.of("") == ""


@pytest.mark.parametrize("english", ["{all}", "{one:kind} more"])
def test_a_row_that_fits_everything_or_has_a_place_of_no_kind_is_no_row(english: str) -> None:
    with pytest.raises(ValueError, match="has"):
        Catalogue([(english, "x")])


def test_every_row_names_the_same_places_in_both_languages() -> None:
    for row in catalogue("es").rows:
        # A command that the app's hints leave out, and a quantity that stands beside its unit anyway.
        left_out = set(row.kinds) - {name for name, _ in PLACE.findall(row.other)}
        assert left_out <= {"more", "quantity"}, row.english
        assert {(name, "") for name in set(row.kinds) - left_out} == set(PLACE.findall(row.other)), row.english


def entries(language: str) -> dict[str, str]:
    """Keys and texts of a file of the app's own words."""
    text = (CLIENT / "src" / "texts" / f"{language}.ts").read_text("utf-8")
    body = text[text.index("= {") :].replace('"\n    + "', "")
    return dict(re.findall(r'^  "?([\w-]+)"?: "((?:[^"\\]|\\.)*)",$', body, re.MULTILINE))


def test_the_apps_own_words_have_the_same_keys_and_places_in_both_languages() -> None:
    english, spanish = entries("en"), entries("es")
    assert len(english) > 300
    assert list(english) == list(spanish)
    for key, text in english.items():
        assert sorted(re.findall(r"\{\w+\}", text)) == sorted(re.findall(r"\{\w+\}", spanish[key])), key
