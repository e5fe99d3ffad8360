"""Names and values from a DBC file, through cantools.

A DBC file comes from somebody else and may be anything: it is refused in a sentence when it is too large or cannot be
read. A message with a 29-bit identifier is looked up by its identifier and then by its parameter group, because such
files name one source and many send the same group (SAE J1939-21).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from halfsplit.buslog.j1939 import header
from halfsplit.errors import NotFound, UserError

if TYPE_CHECKING:
    from cantools.database.can import Database, Message

CODES: dict[str, str] = {
    "dbc-unreadable": "A DBC file cannot be opened or read.",
}

#: Largest DBC file that is read: a whole machine's are under 5 MB, and reading one takes some hundred times its size.
#: Invented.
LARGEST_DBC = 8 * 1024 * 1024


@dataclass(slots=True)
class SignalValues:
    """What a signal that was asked for said: how often, least, largest and last, in its unit."""

    message: str
    signal: str
    unit: str
    count: int
    least: float
    largest: float
    last: float


class Names:
    """Names of messages, and values of the signals that were asked for."""

    def __init__(self, database: Database, signals: tuple[str, ...] = ()) -> None:
        self._by_identifier: dict[tuple[int, bool], Message] = {}
        self._by_group: dict[int, Message] = {}
        self._signals: dict[int, tuple[str, ...]] = {}
        known: set[str] = set()
        for message in database.messages:
            self._by_identifier.setdefault((message.frame_id, message.is_extended_frame), message)
            if message.is_extended_frame:
                self._by_group.setdefault(header(message.frame_id).group, message)
            names = [signal.name for signal in message.signals]
            known.update(names)
            wanted = tuple(name for name in signals if name in names)
            if wanted:
                self._signals[id(message)] = wanted
        for name in signals:
            if name not in known:
                raise NotFound("signal", name, known)
        self.values: dict[tuple[int, str], SignalValues] = {}
        #: Frames of a known message whose data does not fit it.
        self.misfits = 0

    @property
    def reads_values(self) -> bool:
        """Whether any signal was asked for."""
        return bool(self._signals)

    def message(self, identifier: int, *, extended: bool) -> str:
        """The name of a message, "" when the file has none."""
        found = self._find(identifier, extended=extended)
        return "" if found is None else str(found.name)

    def sender(self, identifier: int, *, extended: bool) -> str:
        """The controller that sends a message by the file, "" when it does not say."""
        found = self._by_identifier.get((identifier, extended))
        return str(found.senders[0]) if found is not None and found.senders else ""

    def take(self, identifier: int, data: bytes, *, extended: bool) -> None:
        """One frame, for the values of the signals that were asked for."""
        message = self._find(identifier, extended=extended)
        wanted = self._signals.get(id(message)) if message is not None else None
        if message is None or wanted is None:
            return
        try:
            decoded: Any = message.decode(data, decode_choices=False, allow_truncated=True)
        except Exception:  # noqa: BLE001 - cantools raises many things at data that does not fit; each is a misfit
            self.misfits += 1
            return
        for name in wanted:
            value = decoded.get(name)
            if isinstance(value, int | float) and math.isfinite(value):
                self._note(message, name, float(value))

    def _note(self, message: Message, name: str, value: float) -> None:
        known = self.values.get((id(message), name))
        if known is None:
            unit = message.get_signal_by_name(name).unit or ""
            self.values[id(message), name] = SignalValues(str(message.name), name, unit, 1, value, value, value)
            return
        known.count += 1
        known.least, known.largest, known.last = min(known.least, value), max(known.largest, value), value

    def _find(self, identifier: int, *, extended: bool) -> Message | None:
        found = self._by_identifier.get((identifier, extended))
        return self._by_group.get(header(identifier).group) if found is None and extended else found


def read_dbc(path: Path, signals: tuple[str, ...] = ()) -> Names:
    """The names in a DBC file. Raises UserError("dbc-unreadable"), NotFound for a signal it does not have."""
    from cantools import database

    try:
        if path.stat().st_size > LARGEST_DBC:
            raise UserError("dbc-unreadable", f"{path.name} is larger than {LARGEST_DBC // 1024 // 1024} MB.")
        text = path.read_bytes().decode("cp1252", "replace")  # the encoding DBC files are written in
    except OSError as error:
        raise UserError("dbc-unreadable", f"{path} cannot be opened: {error.strerror or error}.") from error
    load: Callable[..., Any] = database.load_string
    try:
        found = load(text, "dbc", strict=False, sort_signals=None)
    except Exception as error:  # whatever cantools meets, the file is the reason
        said = " ".join((str(error) or type(error).__name__).split())[:300]
        raise UserError(
            "dbc-unreadable", f"{path.name} is no DBC file that can be read: {said}", "Ask for a newer copy of it."
        ) from error
    return Names(found, signals)
