"""The odds as they stood, kept beside the tables and read back by the report."""

from __future__ import annotations

from datetime import UTC, datetime
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from halfsplit.diagnosis.hunt import Bench, Hunt
from halfsplit.jobs.memory import MemoryStore
from halfsplit.jobs.store import fingerprint_of
from halfsplit.machine.reading import load_machine
from halfsplit.observations import Complaint, Observation, Reading, Symptom
from halfsplit.service import keeping, working
from halfsplit.service.complaints import complaint_of
from halfsplit.service.desk import Desk, machine_files
from halfsplit.service.examples import find_machine
from halfsplit.service.found import record
from halfsplit.service.kept_tables import NOTES_SUFFIX, FolderTables
from halfsplit.service.odds_notes import MOST_NOTED, NOTED, JobNotes, OddsNotes
from halfsplit.service.reporting import replay

CART = "hand-cart-generator"
DEAD = Symptom("starter", "start", "off")
COMPLAINT = Complaint((DEAD,))
TORN = ("", "x", "{key}", "{key} [0.1, [[0, 0.", "{key} [0.1, [[0, 0.5]]]", "{key} 7", "\0")


@cache
def bench() -> Bench:
    return Bench(load_machine(find_machine(CART)))


def hunt_after(*seen: Observation) -> Hunt:
    hunt = Hunt(bench(), COMPLAINT)
    hunt.record_all([(one, None) for one in seen])
    return hunt


def job_notes(folder: Path, job: str = "one") -> JobNotes:
    return OddsNotes(folder).of(job, "f", COMPLAINT, len(bench().space.groups))


def some_reading() -> Reading:
    table = bench().signatures.state("start")
    plus = next(name for name in table.nodes if "." in name and ":" not in name)
    return Reading("volts", plus, "", "start", 3.0)


def test_what_was_noted_is_read_back_by_another_for_the_same_findings_alone(tmp_path: Path) -> None:
    seen = some_reading()
    hunt = hunt_after(seen)
    job_notes(tmp_path).note([DEAD, seen], hunt)
    again = job_notes(tmp_path)
    stood = again.after([DEAD, seen])
    assert stood is not None
    odds = hunt.belief.cause_odds()
    best = np.argsort(-odds, kind="stable")[:MOST_NOTED]
    assert np.allclose(stood.odds[best], np.where(odds[best] >= NOTED, odds[best], 0.0), atol=1e-5)
    assert stood.other == pytest.approx(hunt.belief.other, abs=1e-5)
    space = bench().space
    assert all(space.hyp_group[suspect] == group for group, suspect in stood.likeliest.items())
    assert again.after([DEAD]) is None
    assert again.after([seen, DEAD]) is None
    assert again.after([DEAD, seen, seen]) is None
    assert again.after([DEAD, seen]) is not None
    assert job_notes(tmp_path, "another").after([DEAD, seen]) is None


@pytest.mark.parametrize("content", TORN)
def test_a_line_that_is_not_whole_is_as_good_as_none(tmp_path: Path, content: str) -> None:
    job_notes(tmp_path).note([DEAD], hunt_after())
    (file,) = tmp_path.glob(f"*{NOTES_SUFFIX}")
    whole = file.read_text("ascii")
    file.write_text(content.replace("{key}", whole.split()[0]), "ascii")
    notes = job_notes(tmp_path)
    assert notes.after([DEAD]) is None
    notes.note([DEAD], hunt_after())
    assert job_notes(tmp_path).after([DEAD]) is not None


def test_a_folder_that_cannot_be_written_costs_nothing_but_the_time(tmp_path: Path) -> None:
    blocked = tmp_path / "file"
    blocked.write_text("", "ascii")
    notes = job_notes(blocked / "cache")
    notes.note([DEAD], hunt_after())
    assert job_notes(blocked / "cache").after([DEAD]) is None


def test_notes_are_let_go_with_the_tables_when_the_folder_is_full(tmp_path: Path) -> None:
    job_notes(tmp_path).note([DEAD], hunt_after())
    small = Bench(bench().machine, FolderTables(tmp_path, most_bytes=10_000_000))
    small.signatures.state("start")
    assert list(tmp_path.glob(f"*{NOTES_SUFFIX}"))
    FolderTables(tmp_path, most_bytes=0)._make_room(tmp_path / "none")
    assert not list(tmp_path.iterdir())


def test_a_report_draws_the_noted_odds_and_works_out_what_was_taken_back(tmp_path: Path) -> None:
    path = find_machine(CART)
    benches = {fingerprint_of(machine_files(path)): bench()}
    store = MemoryStore()
    desk = Desk(store, lambda: datetime(2031, 4, 2, 7, tzinfo=UTC), "Rosa", benches, notes=OddsNotes(tmp_path))
    plain = Desk(store, desk.now, "Rosa", benches)
    working.open_job(desk, path, complaint_of(bench().machine, ["starter dead in start"]), job_id="j")
    for text in ("starter: dead", "starter: turns", "starter: dead"):
        record(desk, text, "j")
        working.next_step(desk, "j")

    def lines(at: Desk) -> list[tuple[float, ...]]:
        return [point.odds for point in replay(at, at.job("j")).story.points]

    assert replay(desk, desk.job("j")).standing.hunt._belief is None, "nothing had to be worked out"
    assert np.allclose(lines(desk), lines(plain), atol=0.002)
    keeping.undo(desk, "j", 3)
    assert np.allclose(lines(desk), lines(plain), atol=0.002)
