"""Trouble codes as controllers send them: active ones (DM1) and previously active ones (DM2), by SAE J1939-73.

A payload has two bytes of lamps and then 4 bytes a code: suspect parameter number 19 bits, failure mode 5 bits, and an
occurrence count of 7 bits under one bit that says whether the number is laid out the old way, in which case it cannot
be known which of three layouts was meant.

What a failure mode hints at is in ``failure_modes.csv``: whether wiring is to be suspected is common practice, its
place in the standard published.
"""

from __future__ import annotations

import csv
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Literal

Lamp = Literal["off", "on", "reserved", "not available"]
_LAMPS: tuple[Lamp, ...] = ("off", "on", "reserved", "not available")

#: An occurrence count that is not known.
COUNT_UNKNOWN = 127


@dataclass(frozen=True, slots=True)
class Code:
    """One trouble code: suspect parameter ``spn``, failure mode ``fmi``, how often it occurred (127: not known).

    ``old_layout`` says that the controller marks its numbers as laid out the old way: then ``spn`` is not to be
    trusted.
    """

    spn: int
    fmi: int
    count: int
    old_layout: bool = False


@dataclass(frozen=True, slots=True)
class Lamps:
    """What a controller asks of the warning lamps, in the order of the first byte from its top."""

    malfunction: Lamp
    red_stop: Lamp
    amber: Lamp
    protect: Lamp


@dataclass(frozen=True, slots=True)
class CodeMessage:
    """The content of one DM1 or DM2."""

    lamps: Lamps
    codes: tuple[Code, ...]


def read_codes(data: bytes) -> CodeMessage | None:
    """The content of a DM1 or DM2 payload; None when it is too short to be one.

    Four bytes of zeros are "no code", four of FF filling; so are one to three bytes left over at the end.
    """
    if len(data) < 6:
        return None
    first = data[0]
    lamps = Lamps(_LAMPS[first >> 6], _LAMPS[first >> 4 & 3], _LAMPS[first >> 2 & 3], _LAMPS[first & 3])
    codes = []
    for begin in range(2, len(data) - 3, 4):
        piece = data[begin : begin + 4]
        if piece in (b"\0\0\0\0", b"\xff\xff\xff\xff"):
            continue
        spn = piece[0] | piece[1] << 8 | (piece[2] >> 5) << 16
        codes.append(Code(spn, piece[2] & 0x1F, piece[3] & 0x7F, bool(piece[3] & 0x80)))
    return CodeMessage(lamps, tuple(codes))


@dataclass(frozen=True, slots=True)
class FailureMode:
    """What a failure mode says in our words, and whether wiring or a contact is a likely reason: strong, some, no."""

    fmi: int
    said: str
    wiring: Literal["strong", "some", "no"]


@cache
def failure_modes() -> dict[int, FailureMode]:
    """All 32 failure modes by number."""
    text = resources.files("halfsplit.buslog").joinpath("failure_modes.csv").read_text("utf-8")
    found = {}
    for row in csv.DictReader(line for line in text.splitlines() if not line.startswith("#")):
        wiring = row["wiring"]
        assert wiring in ("strong", "some", "no")
        found[int(row["fmi"])] = FailureMode(int(row["fmi"]), row["said"], wiring)  # type: ignore[arg-type] # held above
    return found
