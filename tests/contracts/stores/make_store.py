"""Made the old stores beside this file, and makes the next one.

    python tests/contracts/stores/make_store.py

writes ``jobs-FORM.sqlite3`` for the form this version knows, and ``jobs-FORM.events.jsonl`` and
``jobs-FORM.units.jsonl``, what must be read from it. Run it once when a new form is released, commit all, and never
change them again. Everything in it is invented.
"""

from __future__ import annotations

import contextlib
import sqlite3
from pathlib import Path

from halfsplit.jobs.events import (
    NOT_FOUND,
    AccessOpened,
    Cause,
    EntryRestored,
    EntryUndone,
    Happening,
    JobClosed,
    JobOpened,
    JobReopened,
    NoteAdded,
    ObservationRecorded,
    to_json,
)
from halfsplit.jobs.migrations.steps import HEAD
from halfsplit.jobs.past import (
    ExposureLevel,
    GroupOdds,
    Lesson,
    MissedLook,
    PossibleReturn,
    RecentWork,
    UnitPast,
)
from halfsplit.jobs.recording import open_job, record
from halfsplit.jobs.sql import SqlStore
from halfsplit.jobs.store import Document, fingerprint_of
from halfsplit.jobs.units import UnitEntryUndone, UnitHappening, UnitNoted, fold_unit, unit_to_json
from halfsplit.observations import Action, CodeSeen, Complaint, Look, Move, OutOfReach, Reading, Symptom

HERE = Path(__file__).parent
FILES = {
    "machine.yaml": "format: halfsplit-machine/1\nname: invented drain jetter µ\n".encode(),
    "wires.csv": b"",
}

PAST: dict[int, UnitPast | None] = {
    1: None,
    2: UnitPast(
        1240.0, "2031-04-02", (RecentWork("old-1", ("X4", "X4.2"), 1, 3.5),),
        PossibleReturn("old-1", 1, None, 0.83), "250 h or 90 days, from memory",
    ),
}  # fmt: skip
LESSON = Lesson(
    odds=(GroupOdds("renew-contact:X4.2", 0.31),), nothing=0.02, something_else=0.4, hit=0.31, hidden=0.2,
    missed=(MissedLook(5, "closed", "X4"),), exposure=(ExposureLevel("splash", "high"),), hours=1240.5,
    read_on="2031-04-30",
)  # fmt: skip
UNITS: tuple[tuple[str, UnitHappening], ...] = (
    ("no. 3", UnitNoted("drain-jetter", "Ünfug & Söhne (invented)", 1240.0, "2031-04-02")),
    ("no. 3", UnitNoted(hours=12400.0, read_on="2031-05-02")),
    ("no. 3", UnitEntryUndone(2, "one 0 too many")),
    ("no. 3", UnitNoted(hours=3.0, read_on="2031-05-02", meter_changed=True, text="new dash")),
    ("Ω 4", UnitNoted(text="stands in the yard")),
)


def main() -> None:
    file = HERE / f"jobs-{HEAD}.sqlite3"
    if file.exists():
        raise SystemExit(f"{file.name} is there; a released store is never made again")
    whats: list[Happening] = [
        ObservationRecorded(Symptom("horn", "key-on", "weak", 0.9, "yes"), "", 1.0, "größer als Ω"),
        AccessOpened("cab-tipped", 6.0),
        ObservationRecorded(
            Reading("ohms", "X4.2", "G1", "all-off", float("inf"), ("X4",), "no"), "read-7", 3.0
        ),
        ObservationRecorded(Look("thorough", "X4", True, "green contact"), "look-2", 2.0),
        EntryUndone(5, "wrong connector"),
        EntryRestored(5),
        ObservationRecorded(Move("X4", "horn", "key-on", True)),
        ObservationRecorded(CodeSeen("A1", "SPN 2641 FMI 5", "key-on", True)),
        ObservationRecorded(OutOfReach("look-9", "behind the tank")),
        ObservationRecorded(Action("dry-clean", "X4", "and greased"), "", 8.0),
        JobClosed(Cause("X4.2 high resistance", "green contact", 0.88), 2.0),
        JobReopened("came back at the next wash"),
        NoteAdded("customer called"),
    ]
    complaint = Complaint(
        (Symptom("horn", "key-on", "comes-and-goes"),), ("wash", "salt"), ("X4",), True, "at times"
    )
    with SqlStore.at_path(file) as store:
        store.put_machine(fingerprint_of(FILES), FILES)
        for number in (1, 2):
            opened = JobOpened("drain-jetter", fingerprint_of(FILES), "no. 3", complaint, past=PAST[number])
            job = open_job(
                store, f"old-{number}", opened, when=f"2031-04-0{number}T07:15:00.250000Z", by="first fitter"
            )
            for what in whats:
                job = record(store, job, what, when=f"2031-04-0{number}T09:00:00Z", by="second fitter")
        record(store, job, JobClosed(NOT_FOUND, 0.5, "sold", LESSON), when="2031-05-01T00:00:00Z")
        for number, body in enumerate(('{"lines":[]}', '{"lines":["größer als Ω"]}'), start=1):
            store.put_document(Document("van", number, f"2031-05-0{number}T06:00:00Z", "first fitter", body))
        for serial, noted in UNITS:
            unit = fold_unit(serial, store.unit_events(serial))
            event = unit.next_event(noted, when="2031-05-02T10:00:00Z", by="first fitter")
            store.append_unit(unit.last_number, event)
        units = [unit_to_json(event) for serial in store.units() for event in store.unit_events(serial)]
        lines = [to_json(event) for line in store.jobs() for event in store.events(line.id)]
    with contextlib.closing(sqlite3.connect(file)) as connection:
        connection.execute("PRAGMA journal_mode=DELETE")  # one file, without a log beside it
    (HERE / f"jobs-{HEAD}.events.jsonl").write_text("\n".join(lines) + "\n", encoding="utf-8")
    (HERE / f"jobs-{HEAD}.units.jsonl").write_text("\n".join(units) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
