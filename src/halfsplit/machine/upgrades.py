"""Versions of the machine file format, apart from the program's own.

Every version ever written stays readable: an old one is turned into the newest before it is read. There is
one so far; the next adds its step to ``STEPS``, a function that changes the written values of version n
into n + 1.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping

from halfsplit.machine.source import Entries

FORMAT = "halfsplit-machine"
NEWEST = 1
STEPS: Mapping[int, Callable[[Entries], Entries]] = {}

_SPELLING = re.compile(r"halfsplit-machine/([1-9][0-9]{0,3})")


def version_of(text: str) -> int | None:
    """The version in "halfsplit-machine/1", None when it is not spelled so."""
    match = _SPELLING.fullmatch(text.strip())
    return int(match.group(1)) if match else None


def refusal(version: int) -> str:
    """What a person is told whose file is newer than the program."""
    return (
        f"The file is in {FORMAT}/{version}; this program reads up to {FORMAT}/{NEWEST}. "
        "Update halfsplit, or ask the author for an older version of the file."
    )


def upgraded(written: Entries, version: int) -> Entries:
    """``written`` of ``version`` brought to the newest version, step by step."""
    for step in range(version, NEWEST):
        written = STEPS[step](written)
    return written
