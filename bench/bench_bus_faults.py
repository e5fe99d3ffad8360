"""What a log of the bus is worth: where it ranks hidden bus, feed and ground faults, and the minutes it saves.

    python bench/bench_bus_faults.py [--count 100] [--minutes 100] [--machine orchard-platform]

Hidden faults are drawn by how often each comes, of those that stop a controller or keep it from being made out; those
inside controllers and batteries are left out, though nobody tells the program. The recorder hangs beside ECU1 with the
key on. ``bus_recordings.py`` makes the log from the hidden machine, which is perturbed as in practice; it is written as
candump text and taken into a job as by ``halfsplit job buslog``. A run that was broken off goes on from there.
"""

from __future__ import annotations

import json
import sys
import tempfile
from collections import Counter
from collections.abc import Sequence
from dataclasses import asdict, astuple
from pathlib import Path

import numpy as np
from bus_jobs import Log, best_possible, hide_on_bus, judged, seeds, taken
from bus_minutes import WAYS, Minutes, minutes_of
from estimates import ratio_of_means, share_interval
from kept_jobs import SOURCES, digest
from rows import ROOT, Row, finish, parser, say

from halfsplit.diagnosis.hunt import Bench
from halfsplit.jobs.store import fingerprint_of
from halfsplit.machine.reading import load_machine
from halfsplit.service.desk import machine_files
from halfsplit.service.kept_tables import tables

BESIDE, STATE = "ECU1", "key-on"
FIRST_TWO, MINUTES_WITH = 0.90, 0.80


def share_row(what: str, hits: Sequence[bool], goal: float | None = None, note: str = "") -> Row:
    """The share of hits, with its interval."""
    low, high = share_interval(sum(hits), len(hits))
    about = f"95 % interval {low:.3f} to {high:.3f}" + (f"; {note}" if note else "")
    return Row(what, sum(hits) / len(hits), "share", goal, at_least=True, note=about)


def rank_rows(logs: Sequence[Log], best: float) -> list[Row]:
    """Where the right repair stands."""
    sets = Counter(one.silent for one in logs)
    said = "; ".join(f"{' '.join(who) or 'nobody'} {count}" for who, count in sets.most_common(8))
    return [
        share_row("right repair first or second, log and codes alone", [one.alone <= 2 for one in logs], FIRST_TWO),
        Row(
            "the same, the most that anybody could reach", best, "share",
            note="all in the log read without a mistake, the likeliest two of those that look the same named",
        ),
        share_row("right connector, part or wire first or second, log alone", [one.owner <= 2 for one in logs]),
        share_row(
            "right set of repairs that the bus cannot tell apart first or second", [one.place <= 2 for one in logs]
        ),
        Row("repairs in such a set, median", float(np.median([one.alike for one in logs])), "repairs"),
        share_row("right repair first or second, complaint alone", [one.before <= 2 for one in logs]),
        share_row("right repair first or second, complaint and log", [one.with_complaint <= 2 for one in logs]),
        Row("rank of the right repair, complaint alone, median", float(np.median([one.before for one in logs])), ""),
        Row(
            "rank of the right repair, complaint and log, median",
            float(np.median([one.with_complaint for one in logs])), "", note=f"silent in the log: {said}",
        ),
    ]  # fmt: skip


def minute_rows(played: Sequence[Minutes]) -> list[Row]:
    """Minutes of the four ways, and over those without a log."""
    by_way = [[one.minutes[at] for one in played] for at in range(len(WAYS))]
    rows = [
        Row(f"minutes {'without a log' if not at else f'with the log {way}'}, mean", float(np.mean(by_way[at])), "min",
            note=f"mended in {np.mean([one.mended[at] for one in played]):.0%}")
        for at, way in enumerate(WAYS)
    ]  # fmt: skip
    for way, spent in zip(WAYS[1:], by_way[1:], strict=True):
        ratio = ratio_of_means(spent, by_way[0])
        goal = MINUTES_WITH if way == "first" else None
        what = f"minutes with the log {way} over without"
        rows.append(Row(what, ratio.value, "x", goal, note=f"95 % interval {ratio}"))
    known = [one.known_at for one in played if one.known_at is not None]
    if known:
        rows.append(
            Row("without a log, minutes until no more doubt is left than by the log, median", float(np.median(known)),
                "min", note=f"in {len(known)} of {len(played)} jobs")
        )  # fmt: skip
    taken_in = float(np.mean([one.taken for one in played]))
    return [*rows, Row("log taken where it is a check among others", taken_in, "share")]


def read_kept(file: Path) -> dict[int, tuple[Log, Minutes | None]]:
    """Jobs of a run that was broken off, by number; a line cut short is as good as none."""
    found = {}
    for line in file.read_text("utf-8").splitlines() if file.exists() else ():
        try:
            number, log, went = json.loads(line)
            minutes = Minutes(tuple(went[0]), tuple(went[1]), went[2], went[3]) if went else None
            found[int(number)] = Log(**{**log, "silent": tuple(log["silent"])}), minutes
        except (ValueError, KeyError, TypeError):
            continue
    return found


def keep_one(file: Path, number: int, log: Log, went: Minutes | None) -> None:
    """Writes one job down."""
    file.parent.mkdir(parents=True, exist_ok=True)
    with file.open("a", encoding="utf-8") as out:
        minutes = astuple(went) if went else None
        out.write(json.dumps([number, asdict(log), minutes], separators=(",", ":")) + "\n")


def main() -> int:
    arguments = parser(__doc__)
    arguments.add_argument("--machine", default="orchard-platform", metavar="NAME")
    arguments.add_argument("--count", type=int, default=100, help="hidden faults (%(default)s)")
    arguments.add_argument("--minutes", type=int, default=100, help="of them played with and without (%(default)s)")
    given = arguments.parse_args()
    folder = ROOT / "examples" / given.machine
    bench = Bench(load_machine(folder), tables())
    fingerprint = fingerprint_of(machine_files(folder))
    sources = (*SOURCES, "bench/bus_jobs.py", "bench/bus_minutes.py", "bench/bus_recordings.py")
    kept = given.out / "jobs" / f"bus-faults-{digest(folder, sources=sources)}.jsonl"
    known = read_kept(kept)
    logs: list[Log] = []
    played: list[Minutes] = []
    with tempfile.TemporaryDirectory() as above:
        for number, rng in enumerate(seeds(6, given.count)):
            log, went = known.get(number, (None, None))
            if log is None or (number < given.minutes and went is None):
                world, complaint = hide_on_bus(bench, rng, BESIDE, STATE)
                file = Path(above, f"{number}.log")
                desk, found = taken(bench, folder, fingerprint, world, complaint, file, rng, BESIDE, STATE)
                log = judged(bench, world, complaint, desk, found)
                if number < given.minutes:
                    went = minutes_of(bench, world, complaint, found, number, BESIDE, STATE)
                file.unlink()
                keep_one(kept, number, log, went)
            logs.append(log)
            if went is not None:
                played.append(went)
            if number % 10 == 9:
                say(f"{number + 1} of {given.count}")
    rows = rank_rows(logs, best_possible(bench, BESIDE, STATE))
    if played:
        rows += minute_rows(played)
    details = {"logs": [asdict(one) for one in logs], "minutes": [asdict(one) for one in played]}
    return finish("bus_faults", given, rows, details=details)


if __name__ == "__main__":
    sys.exit(main())
