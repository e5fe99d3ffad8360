"""Made the old stores beside this file, and makes the next one.

    python tests/contracts/stores/make_store.py

writes ``jobs-FORM.sqlite3`` for the form this version knows and ``jobs-FORM.events.jsonl``, what must be read
from it. Run it once when a new form is released, commit both, and never change them again. Everything in it
is invented.
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
from halfsplit.jobs.recording import open_job, record
from halfsplit.jobs.sql import SqlStore
from halfsplit.jobs.store import Document, fingerprint_of
from halfsplit.observations import Action, CodeSeen, Complaint, Look, Move, OutOfReach, Reading, Symptom

HERE = Path(__file__).parent
FILES = {
    "machine.yaml": "format: halfsplit-machine/1\nname: invented drain jetter µ\n".encode(),
    "wires.csv": b"",
}


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
        opened = JobOpened("drain-jetter", fingerprint_of(FILES), "no. 3", complaint)
        for number in (1, 2):
            job = open_job(
                store, f"old-{number}", opened, when=f"2031-04-0{number}T07:15:00.250000Z", by="first fitter"
            )
            for what in whats:
                job = record(store, job, what, when=f"2031-04-0{number}T09:00:00Z", by="second fitter")
        record(store, job, JobClosed(NOT_FOUND, 0.5, "sold"), when="2031-05-01T00:00:00Z")
        for number, body in enumerate(('{"lines":[]}', '{"lines":["größer als Ω"]}'), start=1):
            store.put_document(Document("van", number, f"2031-05-0{number}T06:00:00Z", "first fitter", body))
        lines = [to_json(event) for line in store.jobs() for event in store.events(line.id)]
    with contextlib.closing(sqlite3.connect(file)) as connection:
        connection.execute("PRAGMA journal_mode=DELETE")  # one file, without a log beside it
    (HERE / f"jobs-{HEAD}.events.jsonl").write_text("\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
