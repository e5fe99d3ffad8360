"""Texts that a terminal would obey: kept as they were given, written out when they are shown."""

from __future__ import annotations

import json
import unicodedata
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.unit.cli.command_line import run

from halfsplit.cli.console import json_text, visible
from halfsplit.jobs.opening import open_store
from halfsplit.settings import STORE_NAME

#: Clears the screen, rings, moves to the line's begin, renames the window (as 8-bit codes too), turns the order round.
HOSTILE = "\x1b[2J\x07over\rwritten\x9b31m \x9d0;title\x9c \u202egnorw"
TURNED = "\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069"


def obeyed(text: str) -> set[str]:
    return {one for one in text if unicodedata.category(one) in ("Cc", "Zl", "Zp") or one in TURNED} - {"\n", "\t"}


@given(st.text())
def test_nothing_is_left_that_a_terminal_obeys_and_all_else_stays(text: str) -> None:
    shown = visible(text)
    assert not obeyed(shown)
    if not obeyed(text):
        assert shown == text


@given(st.text())
def test_json_reads_the_same_and_holds_nothing_that_a_terminal_obeys(text: str) -> None:
    written = json_text({"text": text})
    assert not obeyed(written)
    assert json.loads(written) == {"text": text}


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("\x1b[31m", "\\x1b[31m"), ("a\r\nb", "a\nb"), ("a\rb", "a\\x0db"), ("\x9b1m", "\\x9b1m"),
        ("\u202e", "\\u202e"), ("\u2068x\u2069", "\\u2068x\\u2069"), ("Łódź, שלום, 重機 \t", "Łódź, שלום, 重機 \t"),
    ],
)  # fmt: skip
def test_it_is_written_out_by_its_code(text: str, shown: str) -> None:
    assert visible(text) == shown


def test_a_hostile_complaint_and_note_are_kept_as_given_and_shown_written_out(tmp_path: Path) -> None:
    opened = run(
        tmp_path, "job", "open", "hand-cart-generator", "--complaint", "starter dead in start", "--words", HOSTILE,
        "--unit", "HC 1", "--id", "monday", "--by", HOSTILE,
    )  # fmt: skip
    noted = run(tmp_path, "job", "note", HOSTILE, "--job", "monday")
    unit = run(tmp_path, "unit", "note", "HC 1", "--note", HOSTILE, "--owner", HOSTILE)
    log, as_json = run(tmp_path, "job", "log"), run(tmp_path, "job", "log", "--json")
    wrong = run(tmp_path, "job", "found", HOSTILE, "--check", "volts K1.1 in start", status=2)
    for printed in (opened, noted, unit, log, as_json, wrong):
        assert not obeyed(printed)
    assert "\\x1b[2J\\x07over\\x0dwritten\\x9b31m" in log
    assert any(HOSTILE in line["words"] for line in json.loads(as_json)["lines"])
    with open_store(tmp_path / STORE_NAME) as store:
        events = store.events("monday")
        assert (events[0].what.complaint.words, events[0].by) == (HOSTILE, HOSTILE)  # type: ignore[union-attr] # the opening
        assert events[1].what.text == HOSTILE  # type: ignore[union-attr] # the note
