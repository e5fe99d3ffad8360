"""Events as JSON: what is written is read back, and what is not an event is refused with its code."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone
from typing import Any, get_args

import pytest

from halfsplit.errors import InternalError, UserError
from halfsplit.jobs import events as module
from halfsplit.jobs.events import CODES as OWN_CODES
from halfsplit.jobs.events import (
    KINDS,
    NOT_FOUND,
    Cause,
    EntryUndone,
    Event,
    Happening,
    JobClosed,
    JobOpened,
    NoteAdded,
    ObservationRecorded,
    check_job_id,
    from_json,
    to_json,
    utc_text,
    utc_time,
)
from halfsplit.jobs.lines import CODES as LINE_CODES
from halfsplit.jobs.lines import LARGEST_EVENT_BYTES
from halfsplit.observations import Complaint, Look, Observation, Reading, Symptom, to_data

WHEN = "2031-04-02T07:15:00Z"
NOTE = Event("job-1", 2, WHEN, "", NoteAdded("rain", 1.5))
READING = Event(
    "job-1", 3, WHEN, "", ObservationRecorded(Reading("volts", "X1.1", "", "key-on", 9.8), "c", 2.0)
)
OPENED = Event("job-1", 1, WHEN, "", JobOpened("m", "f", "u", Complaint((Symptom("horn", "key-on", "off"),))))
CODES = {**OWN_CODES, **LINE_CODES}

LOOK = to_data(Look("closed", "X1", True))


def refused(text: str) -> str:
    with pytest.raises(UserError) as caught:
        from_json(text)
    assert caught.value.code in CODES
    return caught.value.code


def changed(event: Event, **values: Any) -> str:
    return json.dumps({**json.loads(to_json(event)), **values})


def with_data(event: Event, **values: Any) -> str:
    record = json.loads(to_json(event))
    record["data"].update(values)
    return json.dumps(record)


def test_the_json_of_an_event_is_one_canonical_line() -> None:
    assert to_json(NOTE) == (
        '{"by":"","data":{"minutes":1.5,"text":"rain"},"job":"job-1","kind":"note-added","number":2,"v":1,'
        '"when":"2031-04-02T07:15:00Z"}'
    )


def test_whole_minutes_are_written_and_read_as_the_float_they_are() -> None:
    whole = replace(NOTE, what=NoteAdded("rain", 2))
    assert '"minutes":2.0' in to_json(whole)
    read = from_json(to_json(whole)).what
    assert isinstance(read, NoteAdded)
    assert type(read.minutes) is float


@pytest.mark.parametrize("value", [math.inf, -math.inf])
def test_an_open_reading_is_infinite_and_comes_back_so(value: float) -> None:
    event = replace(READING, what=ObservationRecorded(Reading("ohms", "X1.1", "X1.2", "all-off", value)))
    assert "Infinity" in to_json(event)
    json.loads(to_json(event), parse_constant=pytest.fail)  # as text: JSON knows no such number
    assert from_json(to_json(event)) == event


def test_what_names_a_sending_is_kept_and_left_out_where_there_is_none() -> None:
    sent = replace(NOTE, sending="0f0f-once-only")
    assert from_json(to_json(sent)) == sent
    assert json.loads(to_json(sent))["sending"] == "0f0f-once-only"
    assert "sending" not in json.loads(to_json(NOTE))


@pytest.mark.parametrize("sending", ["short", "with a space", "x" * 65, "dots.and/more", 7, None])
def test_what_cannot_name_a_sending_is_refused(sending: object) -> None:
    assert refused(changed(NOTE, sending=sending)) in ("event-sending", "event-shape")


def test_not_a_number_is_refused() -> None:
    observation: Observation = Reading("ohms", "X1.1", "X1.2", "all-off", math.nan)
    with pytest.raises(UserError) as caught:
        to_json(replace(READING, what=ObservationRecorded(observation)))
    assert caught.value.code == "event-shape"


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("", "event-json"),
        ("[]", "event-json"),
        ("{", "event-json"),
        ("[" * 100_000, "event-json"),
        ('{"v":1,"v":2}', "event-json"),
        ("9" * 5000, "event-json"),
        (to_json(NOTE)[:-1], "event-json"),
        (to_json(NOTE).replace("1.5", "NaN"), "event-json"),
        ("x" * (LARGEST_EVENT_BYTES + 1), "event-too-large"),
        (changed(NOTE, extra=1), "event-shape"),
        (changed(NOTE, v=0), "event-shape"),
        (changed(NOTE, v=True), "event-shape"),
        (changed(NOTE, v=2), "event-newer"),
        (changed(NOTE, kind="note-aded"), "event-kind"),
        (changed(NOTE, kind=["note-added"]), "event-kind"),
        (changed(NOTE, data=[]), "event-shape"),
        (changed(NOTE, number="2"), "event-shape"),
        (changed(NOTE, number=True), "event-shape"),
        (changed(NOTE, number=0), "event-value"),
        (changed(NOTE, job="../job"), "job-id"),
        (changed(NOTE, job=None), "event-shape"),
        (changed(NOTE, by=7), "event-shape"),
        (changed(NOTE, when="2031-04-02"), "event-time"),
        (changed(NOTE, when="2031-13-02T07:15:00Z"), "event-time"),
        (changed(NOTE, when="2031-04-02T07:15:00+02:00"), "event-time"),
        (with_data(NOTE, text=None), "event-shape"),
        (with_data(NOTE, minutes=-1), "event-value"),
        (with_data(NOTE, minutes="Infinity"), "event-value"),
        (with_data(NOTE, minutes=10**400), "event-shape"),
        (with_data(NOTE, minutes=True), "event-shape"),
        (with_data(NOTE, hours=1), "event-shape"),
        (with_data(NOTE, text="a\0b"), "event-text"),
        (with_data(NOTE, text="\ud800"), "event-text"),
        (with_data(READING, observation="volts"), "event-shape"),
        (with_data(READING, observation={"kind": "hunch"}), "event-shape"),
        (with_data(READING, observation={"kind": []}), "event-shape"),
        (with_data(READING, observation={**LOOK, "found": 1}), "event-shape"),
        (with_data(READING, observation={**LOOK, "look": "nice"}), "event-shape"),
        (with_data(READING, observation={"kind": "look", "look": "closed", "place": "X1"}), "event-shape"),
        (with_data(OPENED, complaint={"symptoms": 3}), "event-shape"),
        (with_data(OPENED, complaint={"symptoms": ["off"]}), "event-shape"),
        (with_data(OPENED, complaint={"symptoms": [{"kind": "action", "action": "other", "place": "X1"}]}),
         "event-shape"),
        (with_data(OPENED, complaint={"symptoms": [], "conditions": ["hail"]}), "event-shape"),
        (with_data(OPENED, complaint={"symptoms": [{"kind": "symptom", "function": "horn", "state": "key-on",
                                                    "level": "off", "reliability": 0.4}]}), "event-value"),
        (with_data(OPENED, clock="sundial"), "event-shape"),
    ],
)  # fmt: skip
def test_what_is_not_an_event_is_refused_with_its_code(text: str, code: str) -> None:
    assert refused(text) == code


def test_a_sound_look_is_taken_so_that_the_broken_ones_are_refused_for_what_is_broken() -> None:
    event = from_json(with_data(READING, observation=LOOK))
    assert isinstance(event.what, ObservationRecorded)
    assert event.what.observation == Look("closed", "X1", True)


def test_a_misspelt_kind_gets_the_nearest_one() -> None:
    with pytest.raises(UserError) as caught:
        from_json(changed(NOTE, kind="note-aded"))
    assert "note-added" in caught.value.hint


@pytest.mark.parametrize("odds", [-0.1, 1.1, math.inf])
def test_odds_beyond_certainty_are_refused(odds: float) -> None:
    with pytest.raises(UserError) as caught:
        to_json(replace(NOTE, what=JobClosed(Cause("X1", "text", odds))))
    assert caught.value.code == "event-value"


def test_a_cause_names_its_group_or_is_not_found() -> None:
    with pytest.raises(UserError) as caught:
        to_json(replace(NOTE, what=JobClosed(Cause("", "no idea"))))
    assert caught.value.code == "event-value"
    closed = replace(NOTE, what=JobClosed(NOT_FOUND))
    assert from_json(to_json(closed)) == closed


def test_an_undo_of_entry_zero_is_refused() -> None:
    with pytest.raises(UserError) as caught:
        to_json(replace(NOTE, what=EntryUndone(0)))
    assert caught.value.code == "event-value"


def test_a_backslash_and_the_letters_u0000_are_harmless_words() -> None:
    event = replace(NOTE, what=NoteAdded("\\u0000 and \\\\u0000"))
    assert from_json(to_json(event)) == event


def test_an_older_version_of_a_kind_is_upgraded_on_reading(monkeypatch: pytest.MonkeyPatch) -> None:
    # Two steps that a later version might have: first minutes were hours, before that the text was called
    # words.
    monkeypatch.setattr(module, "VERSIONS", {**module.VERSIONS, "note-added": 3})
    monkeypatch.setattr(
        module,
        "UPGRADES",
        {
            ("note-added", 1): lambda data: {"text": data["words"], "hours": data["hours"]},
            ("note-added", 2): lambda data: {"text": data["text"], "minutes": data["hours"] * 60},
        },
    )
    assert from_json(changed(NOTE, v=1, data={"words": "rain", "hours": 2})).what == NoteAdded("rain", 120.0)
    assert from_json(changed(NOTE, v=2, data={"text": "rain", "hours": 2})).what == NoteAdded("rain", 120.0)
    assert '"v":3' in to_json(NOTE)
    assert from_json(to_json(NOTE)) == NOTE


def test_every_kind_has_its_own_word() -> None:
    assert len(KINDS) == len(get_args(Happening))
    assert set(module.VERSIONS) == set(KINDS)


@pytest.mark.parametrize("job", ["a", "7", "2031-0042", "a.b_c-d", "x" * 64])
def test_job_ids_that_can_be_file_names(job: str) -> None:
    assert check_job_id(job) == job


@pytest.mark.parametrize("job", ["", ".", "..", "-a", "a-", "A", "a b", "a/b", "ä", "x" * 65, "a\n", "٣"])
def test_job_ids_that_cannot(job: str) -> None:
    with pytest.raises(UserError) as caught:
        check_job_id(job)
    assert caught.value.code == "job-id"


def test_times_are_written_in_utc_and_read_back() -> None:
    moment = datetime(2031, 4, 2, 9, 15, 0, 250, tzinfo=timezone(timedelta(hours=2)))
    assert utc_text(moment) == "2031-04-02T07:15:00.000250Z"
    assert utc_time(utc_text(moment)) == moment
    assert utc_text(datetime(33, 1, 1, tzinfo=UTC)) == "0033-01-01T00:00:00Z"


def test_a_time_without_a_zone_is_our_mistake() -> None:
    with pytest.raises(InternalError):
        utc_text(datetime(2031, 4, 2))  # noqa: DTZ001 - the missing zone is what is tested
