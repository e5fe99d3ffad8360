"""Played jobs, kept line by line, so that a measurement of hours can be broken off and gone on with.

A file's name holds a digest of all that a job's outcome hangs on: the program's source text and tables, the ways of
working and the breakdowns, the machine's files, the setting. After any change there jobs are played anew.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from rows import ROOT
from ways import Went

#: The part of the program that a played job hangs on; the service, the web app and the reports are not among it.
ENGINE = tuple(
    f"src/halfsplit/{name}"
    for name in ("errors.py", "quantities.py", "observations.py", "machine", "circuit", "faults", "diagnosis")
)
SOURCES = (*ENGINE, "bench/breakdowns.py", "bench/ways.py")


@dataclass(frozen=True, slots=True)
class Job:
    """One breakdown and how each way of working fared on it; ``kinds`` are the modes of what was hidden."""

    seed: int
    hidden: tuple[str, ...]
    kinds: tuple[str, ...]
    went: dict[str, Went]


def digest(folder: Path, *words: str, sources: Sequence[str] = SOURCES) -> str:
    """Twelve digits that are others when anything in ``sources`` is, or in the machine's files."""
    found = hashlib.sha256(" ".join(words).encode())
    files = sorted(folder.iterdir())
    for source in sources:
        place = ROOT / source
        inside = sorted(each for each in place.rglob("*") if each.suffix in (".py", ".csv"))
        files += [place] if place.is_file() else inside
    for file in files:
        if file.is_file():
            found.update(file.name.encode())
            found.update(file.read_bytes())
    return found.hexdigest()[:12]


def kept(file: Path, seeds: Sequence[int], ways: Sequence[str]) -> dict[int, Job]:
    """The jobs of some seeds that were played by all these ways; a line cut short is as good as none."""
    found = {}
    for line in file.read_text("utf-8").splitlines() if file.exists() else ():
        try:
            job = _read(json.loads(line))
        except (ValueError, KeyError, TypeError):
            continue
        if job.seed in seeds and set(ways) <= set(job.went):
            found[job.seed] = job
    return found


def keep(file: Path, jobs: Iterable[Job]) -> Iterator[Job]:
    """The jobs as they come, each written down at once."""
    file.parent.mkdir(parents=True, exist_ok=True)
    for job in jobs:
        with file.open("a", encoding="utf-8") as out:
            out.write(json.dumps(asdict(job), separators=(",", ":")) + "\n")
        yield job


def _read(plain: dict[str, Any]) -> Job:
    went = {name: _went(one) for name, one in plain["went"].items()}
    return Job(int(plain["seed"]), tuple(plain["hidden"]), tuple(plain["kinds"]), went)


def _went(plain: dict[str, Any]) -> Went:
    pairs = {each: tuple((float(odds), bool(so)) for odds, so in plain[each]) for each in ("repairs", "stated")}
    return Went(**{**plain, **pairs})
