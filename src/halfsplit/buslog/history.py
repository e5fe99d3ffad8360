"""Trouble codes over a whole log: which controller reported which, when, and what was lost on the way."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from halfsplit.buslog.codes import COUNT_UNKNOWN, Code, Lamps, read_codes

Kind = Literal["active", "previous"]

#: Codes and stretches that are kept apart. A machine has some hundreds; invented.
MOST_CODES = 4096
MOST_SPANS = 64
#: Active codes are sent once a second while there are any (SAE J1939-73); a code not repeated for longer than this was
#: not active in between. Common practice, no source.
LAPSE_S = 5.0


@dataclass(frozen=True, slots=True)
class CodeHistory:
    """One code of one controller: when it was reported, in stretches, how often, and its highest occurrence count."""

    channel: int
    source: int
    kind: Kind
    spn: int
    fmi: int
    old_layout: bool
    spans: tuple[tuple[float, float], ...]
    messages: int
    count: int

    @property
    def first_s(self) -> float:
        """When it was first reported."""
        return self.spans[0][0]

    @property
    def last_s(self) -> float:
        """When it was last reported."""
        return self.spans[-1][1]


@dataclass(slots=True)
class _Told:
    kind: Kind
    code: Code
    count: int
    messages: int = 0
    spans: list[list[float]] = field(default_factory=list)


class CodeBook:
    """Gathers code messages in the order of the log."""

    def __init__(self) -> None:
        self._told: dict[tuple[int, int, Kind, int, int, bool], _Told] = {}
        self.lamps: dict[tuple[int, int], Lamps] = {}
        #: Messages of codes that were read, and that were too short to be any.
        self.read = 0
        self.short = 0
        self.left_out = 0

    def take(self, time_s: float, channel: int, source: int, kind: Kind, data: bytes) -> None:
        """One DM1 ("active") or DM2 ("previous")."""
        content = read_codes(data)
        if content is None:
            self.short += 1
            return
        self.read += 1
        if kind == "active":
            self.lamps[channel, source] = content.lamps
        for code in dict.fromkeys(content.codes):  # some controllers repeat a code within a message
            key = (channel, source, kind, code.spn, code.fmi, code.old_layout)
            told = self._told.get(key)
            if told is None:
                if len(self._told) >= MOST_CODES:
                    self.left_out += 1
                    continue
                told = self._told[key] = _Told(kind, code, code.count)
            told.messages += 1
            if code.count != COUNT_UNKNOWN:
                told.count = code.count if told.count == COUNT_UNKNOWN else max(told.count, code.count)
            if told.spans and (time_s - told.spans[-1][1] <= LAPSE_S or len(told.spans) >= MOST_SPANS):
                told.spans[-1][1] = time_s
            else:
                told.spans.append([time_s, time_s])

    def histories(self) -> tuple[CodeHistory, ...]:
        """Every code, by controller, active ones first, in the order they were first reported."""
        found = [
            CodeHistory(
                channel, source, kind, spn, fmi, old, tuple((a, b) for a, b in told.spans), told.messages, told.count
            )
            for (channel, source, kind, spn, fmi, old), told in self._told.items()
        ]
        return tuple(sorted(found, key=lambda one: (one.channel, one.source, one.kind, one.first_s)))
