"""Rows of a bench, each with its goal: shown as a table, and written as one JSON file with where and when they came.

The file is ``out/bench/NAME.json``: the bench and its arguments, the date, the machine, the versions, the rows, and
whatever else the bench wants kept. Whether a goal is met follows from the row's figures alone.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import subprocess
import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
OUT = ROOT / "out" / "bench"
PACKAGES = ("halfsplit", "numpy", "scipy", "PyYAML")


@dataclass(frozen=True, slots=True)
class Row:
    """One figure. ``measured`` is None where it could not be measured; ``note`` then says why.

    ``goal`` is the most that is wanted, or with ``at_least`` the least. ``more`` are further figures for the file.
    """

    what: str
    measured: float | None
    unit: str
    goal: float | None = None
    at_least: bool = False
    note: str = ""
    more: Mapping[str, object] = field(default_factory=dict)

    @property
    def met(self) -> bool | None:
        """Whether the goal is met; None without a goal or without a figure."""
        if self.goal is None or self.measured is None:
            return None
        return self.measured >= self.goal if self.at_least else self.measured <= self.goal

    def plain(self) -> dict[str, object]:
        """The row for the file."""
        wanted: dict[str, object] = {}
        if self.goal is not None:
            wanted = {"goal": self.goal, "sense": "at least" if self.at_least else "at most", "met": self.met}
        measured = None if self.measured is None else float(f"{self.measured:.4g}")
        found = {"what": self.what, "measured": measured, "unit": self.unit, **wanted, **self.more}
        return {**found, "note": self.note} if self.note else found


def figure(value: float | None) -> str:
    """A figure with about four digits, as a person reads it."""
    if value is None:
        return "-"
    return f"{value:,.0f}" if abs(value) >= 1000 else f"{value:.4g}"


def table(rows: Sequence[Row]) -> str:
    """The rows one below the other: what, measured, goal, met; a note stands below its row."""
    cells = []
    for row in rows:
        goal = "" if row.goal is None else f"{'>=' if row.at_least else '<='} {figure(row.goal)}"
        met = {True: "met", False: "not met", None: ""}[row.met]
        if row.goal is not None and row.measured is None:
            met = "not measured"
        cells.append((row.what, figure(row.measured), row.unit, goal, met))
    head = ("what", "measured", "", "goal", "")
    widths = [max(len(line[at]) for line in (head, *cells)) for at in range(len(head))]
    lines = []
    for number, line in enumerate((head, *cells)):
        what, measured, unit, goal, met = (
            text.rjust(width) if at == 1 else text.ljust(width)
            for at, (text, width) in enumerate(zip(line, widths, strict=True))
        )
        lines.append(f"{what}  {measured} {unit}  {goal}  {met}".rstrip())
        if number and rows[number - 1].note:
            lines.append(f"    {rows[number - 1].note}")
    return "\n".join(lines)


def processor() -> str:
    """The processor's name as the system tells it."""
    try:
        lines = Path("/proc/cpuinfo").read_text("utf-8").splitlines()
    except OSError:
        lines = []
    named = (line.partition(":")[2].strip() for line in lines if line.startswith("model name"))
    return next(named, platform.processor() or platform.machine())


def environment(packages: Sequence[str] = (), programs: Mapping[str, str] | None = None) -> dict[str, object]:
    """Date, machine and versions; ``programs`` are other programs with what they say of their version."""
    pages = os.sysconf("SC_PHYS_PAGES") if hasattr(os, "sysconf") else 0
    found: dict[str, str] = {"python": platform.python_version(), **(programs or {})}
    for name in (*PACKAGES, *packages):
        try:
            found[name] = version(name)
        except PackageNotFoundError:
            found[name] = "not installed"
    return {
        "date": datetime.now(UTC).isoformat(timespec="seconds"),
        "machine": {
            "processor": processor(), "cores": os.cpu_count(), "system": platform.platform(),
            "memory_bytes": pages * os.sysconf("SC_PAGE_SIZE") if pages else None,
            "load": list(os.getloadavg()) if hasattr(os, "getloadavg") else None,
            "blas_threads": os.environ.get("OPENBLAS_NUM_THREADS"),
        },
        "versions": found,
        "commit": commit(),
    }  # fmt: skip


def commit() -> str:
    """The commit the bench was run at, with ``changed`` behind it where the files are no longer those."""
    try:
        at = subprocess.run(["git", "rev-parse", "HEAD"], cwd=ROOT, capture_output=True, text=True, check=True)
        changed = subprocess.run(["git", "status", "--porcelain"], cwd=ROOT, capture_output=True, text=True, check=True)
    except (OSError, subprocess.CalledProcessError):
        return "unknown"
    return at.stdout.strip() + (" changed" if changed.stdout.strip() else "")


def parser(description: str | None) -> argparse.ArgumentParser:
    """A bench's arguments: what all benches take."""
    made = argparse.ArgumentParser(description=description, formatter_class=argparse.RawDescriptionHelpFormatter)
    made.add_argument("--out", type=Path, default=OUT, metavar="FOLDER", help="where the JSON file goes (%(default)s)")
    return made


def say(text: str) -> None:
    """How far a bench has come, for whoever waits."""
    print(text, file=sys.stderr, flush=True)


def finish(
    name: str, arguments: argparse.Namespace, rows: Sequence[Row], *, packages: Sequence[str] = (),
    programs: Mapping[str, str] | None = None, details: Mapping[str, object] | None = None,
) -> int:  # fmt: skip
    """Prints the table, writes the file and gives the exit status, which is 0: a goal not met is a finding."""
    given = {key: str(value) if isinstance(value, Path) else value for key, value in vars(arguments).items()}
    given.pop("out")
    whole = {
        "bench": name, "arguments": given, **environment(packages, programs),
        "rows": [row.plain() for row in rows], **(details or {}),
    }  # fmt: skip
    arguments.out.mkdir(parents=True, exist_ok=True)
    file = arguments.out / f"{name}.json"
    file.write_text(json.dumps(whole, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")
    print(table(rows))
    shown = file.relative_to(ROOT) if file.is_relative_to(ROOT) else file
    print(f"\nwritten to {shown}")
    return 0
