"""The odds as they stood whenever somebody was told the next step, so that a report need not work them out again.

One file for a job, in the user's cache folder beside the tables; it may be lost at any time. A line holds the key of
what was seen so far, the chance of something else, and of each repair that stood out its number, its odds and the
number of its likeliest suspect::

    5d0c8c2b9a1f4e77 [0.00412, [[12, 0.41327, 341], [3, 0.09114, 77]]]

The key hangs on the program's own text, the machine, the complaint and every observation up to there, in order. So a
finding taken back, added between or told late makes other keys, and a line never stands for anything else. A line cut
short is as good as none.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from halfsplit.diagnosis.belief import Belief
from halfsplit.diagnosis.hunt import Hunt
from halfsplit.jobs.shapes import plain
from halfsplit.observations import Complaint, Observation, to_data
from halfsplit.service.kept_tables import MAKERS, NOTES_SUFFIX, program_version
from halfsplit.settings import cache_dir

Floats = NDArray[np.float64]

#: Odds below this are not noted and read as 0; it cannot be seen in the figure. No source.
NOTED = 0.0005
#: Repairs noted at most, the likeliest first; the figure follows five. No source.
MOST_NOTED = 24
#: The odds hang on more of the program than the tables do.
WEIGHED_BY = (*MAKERS, "observations.py", "diagnosis")


@dataclass(frozen=True, slots=True)
class Stood:
    """How the odds stood: of each repair group ``[groups]``, of something else, and who is likeliest in a group.

    ``likeliest`` holds numbers of suspects by the number of their group, for the groups that stand out.
    """

    odds: Floats
    other: float
    likeliest: Mapping[int, int]


def stood(belief: Belief) -> Stood:
    """How the odds stand."""
    odds = belief.cause_odds()
    best = np.argsort(-odds, kind="stable")[:MOST_NOTED]
    return Stood(odds, float(belief.other), {int(at): belief.likeliest(int(at)) for at in best})


class JobNotes:
    """The notes of one job on a machine with so many repair groups. Nothing here raises for the sake of a file."""

    def __init__(self, file: Path, complaint: Complaint, groups: int) -> None:
        self._file = file
        self._groups = groups
        self._keys = [hashlib.sha256(_text({**asdict(complaint), "by": program_version(WEIGHED_BY)})).hexdigest()[:16]]
        self._seen: list[Observation] = []
        self._known: dict[str, Stood] | None = None

    def after(self, seen: Sequence[Observation]) -> Stood | None:
        """How the odds of what stood out were noted after these observations; None when they were not."""
        if self._known is None:
            self._known = self._read()
        return self._known.get(self._key(seen))

    def note(self, seen: Sequence[Observation], hunt: Hunt) -> None:
        """Notes the odds of a hunt after these observations, once."""
        if self.after(seen) is not None or self._known is None:
            return
        key = self._key(seen)
        now = stood(hunt.belief)
        lines = [[at, round(float(now.odds[at]), 5), one] for at, one in now.likeliest.items() if now.odds[at] >= NOTED]
        worth = [round(now.other, 5), lines]
        self._known[key] = self._stood(worth)
        with contextlib.suppress(OSError):
            self._file.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
            with self._file.open("a", encoding="ascii") as out:
                out.write(f"\n{key} {json.dumps(worth)}\n")

    def _key(self, seen: Sequence[Observation]) -> str:
        same = 0
        while same < min(len(seen), len(self._seen)) and seen[same] == self._seen[same]:
            same += 1
        del self._seen[same:], self._keys[same + 1 :]
        for one in seen[same:]:
            self._seen.append(one)
            self._keys.append(hashlib.sha256(self._keys[-1].encode() + _text(to_data(one))).hexdigest()[:16])
        return self._keys[-1]

    def _read(self) -> dict[str, Stood]:
        try:
            lines = self._file.read_text("ascii", errors="replace").splitlines()
        except OSError:
            return {}
        found = {}
        for line in lines:
            key, _, noted = line.partition(" ")
            with contextlib.suppress(ValueError, TypeError, IndexError):
                found[key] = self._stood(json.loads(noted))
        return found

    def _stood(self, worth: Sequence[Any]) -> Stood:
        odds = np.zeros(self._groups)
        other, lines = worth
        for at, one, _ in lines:
            odds[int(at)] = one
        return Stood(odds, float(other), {int(at): int(suspect) for at, _, suspect in lines})


class OddsNotes:
    """The notes of all jobs, in one folder."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder

    def of(self, job: str, fingerprint: str, complaint: Complaint, groups: int) -> JobNotes:
        """The notes of a job."""
        name = hashlib.sha256(f"{program_version(WEIGHED_BY)} {fingerprint} {job}".encode()).hexdigest()[:40]
        return JobNotes(self._folder / f"{name}{NOTES_SUFFIX}", complaint, groups)


def notes(environ: Mapping[str, str] | None = None) -> OddsNotes | None:
    """The user's own notes; None when the person switched keeping off."""
    folder = cache_dir(environ)
    return None if folder is None else OddsNotes(folder)


def _text(data: object) -> bytes:
    return json.dumps(plain(data), sort_keys=True).encode("ascii")
