"""Reading a log file through python-can's readers, a block at a time, with everything unreadable counted and located.

The format is told by the end of the name, with or without ".gz". python-can decodes; what it would stop at or pass
over in silence is noted here, and reading goes on after a line that cannot be read. A binary log is read up to its
first damage. Memory holds one block of frames, whatever the log's length.
"""

from __future__ import annotations

import logging
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from halfsplit.buslog.frames import (
    ERROR,
    EXTENDED,
    FLEXIBLE,
    LARGEST_IDENTIFIER,
    LONGEST_DATA,
    REMOTE,
    Block,
    Unreadable,
)
from halfsplit.buslog.sources import MOST_LISTED, Damaged, Findings, Lines, Pieces, Source
from halfsplit.errors import UserError, nearest

if TYPE_CHECKING:
    from can import Message
    from can.io.generic import MessageReader

CODES: dict[str, str] = {
    "log-missing": "The log file cannot be opened.",
    "log-format": "The end of a log's name is not one of a log format that can be read.",
    "log-reader": "The package that reads this log format is not installed.",
    "log-empty": "No frame at all could be read from a log.",
}

#: Frames in a block.
BLOCK = 65_536
#: Channels told apart; frames of more are counted under the last one. No logger has as many; invented.
MOST_CHANNELS = 64
#: Times beyond this many seconds from 1970 either way are no times. Invented, some 3,000 years.
LATEST_S = 1e11

_BLANK = r"\s*(?:$|//|;|#)"
#: Lines a format has besides frames, none of which is worth a word.
_HARMLESS = {
    ".log": re.compile(_BLANK),
    ".asc": re.compile(
        rf"{_BLANK}|\s*(?:date|base|begin|end|no internal|internal)\b|\s*\d+[.,]\d+\s+(?:start of measurement|\d+\s+"
        r"statistic|(?:can\s+\d+\s+|canfd\s+\d+\s+)?status|log|trigger|j1939tp|sv:)",
        re.IGNORECASE,
    ),
    ".csv": re.compile(rf"{_BLANK}|timestamp,", re.IGNORECASE),
    ".trc": re.compile(rf"{_BLANK}|\s*\d+\)?\s+[\d.]+\s+(?:\d+\s+)?(?:ST|EC|ER|EV|Warng|Error)\b"),
}
FORMATS = (*_HARMLESS, ".blf", ".mf4")
#: A controller that has left the bus for its errors, in the words of a text log or the bit of a candump error frame
#: (Linux, include/uapi/linux/can/error.h, class 0x40).
_BUS_OFF_WORDS = re.compile(r"bus[ -]?off", re.IGNORECASE)
_BUS_OFF_CLASS = 0x40
#: Lines that tell of errors on the bus without a frame.
_ERROR_WORDS = re.compile(
    r"\s*(?:\d+\)?\s+[\d.]+\s+(?:\d+\s+)?(?:ER|EC|Error)\b|\d+[.,]\d+\s+.*status:.*error)", re.IGNORECASE
)
#: Error frames in candump's text carry this bit above their class.
_CANDUMP_ERROR = 0x2000_0000


@dataclass
class Log:
    """A log that is being read; the counts are whole once ``blocks`` has ended.

    ``channels`` are the log's names of its channels, ``bus_off`` the first places where it says that the recorder's own
    controller left the bus for its errors, ``errors_told`` its lines about errors that are no error frames.
    """

    path: Path
    suffix: str
    packed: bool
    size: int
    channels: list[str] = field(default_factory=list)
    frames: int = 0
    findings: Findings = field(default_factory=Findings)
    bus_off: list[Unreadable] = field(default_factory=list)
    errors_told: int = 0
    _position: Callable[[], int] = lambda: 0

    @property
    def unreadable(self) -> int:
        """How many places held no frame that could be read."""
        return self.findings.count

    @property
    def listed(self) -> tuple[Unreadable, ...]:
        """The first of those places."""
        return tuple(self.findings.listed)

    @property
    def position(self) -> int:
        """Bytes of the file that were read, of ``size``."""
        return self._position()

    def blocks(self, size: int = BLOCK) -> Iterator[Block]:
        """The frames in blocks of ``size``. Raises UserError when a package is missing."""
        # What python-can warns of is noted here; its warnings would go to the terminal.
        logging.getLogger("can").addHandler(logging.NullHandler())
        reading = _read_text if self.suffix in _HARMLESS else _read_binary
        source = Source(self.path, packed=self.packed)
        self._position = lambda: source.position
        try:
            yield from reading(self, source, size)
        finally:
            self._position = lambda: source.size
            source.close()


def open_log(path: Path) -> Log:
    """The log at ``path``. Raises UserError with a code of ``CODES`` when it is missing or of no known format."""
    suffixes = [one.lower() for one in path.suffixes]
    packed = suffixes[-1:] == [".gz"]
    suffix = (suffixes[:-1] if packed else suffixes)[-1:]
    if not suffix or suffix[0] not in FORMATS:
        near = nearest(suffix[0], FORMATS) if suffix else None
        raise UserError(
            "log-format",
            f"{path.name} does not end like a bus log." + (f" Did you mean {near}?" if near else ""),
            f"Logs that can be read end in {', '.join(FORMATS)}, each also with .gz.",
        )
    if packed and suffix[0] == ".mf4":
        raise UserError("log-format", f"{path.name} must be unpacked first: its reader takes plain files alone.")
    try:
        if not path.is_file():
            raise FileNotFoundError(2, "there is no such file")
        size = path.stat().st_size
        path.open("rb").close()
    except OSError as error:
        raise UserError("log-missing", f"{path} cannot be opened: {error.strerror or error}.") from error
    return Log(path, suffix[0], packed, size)


class _Gathering:
    """Frames on their way into a block."""

    def __init__(self, log: Log) -> None:
        self.log = log
        self.number: dict[Any, int] = {}
        self.clear()

    def clear(self) -> None:
        self.times: list[float] = []
        self.identifiers: list[int] = []
        self.flags: list[int] = []
        self.channels: list[int] = []
        self.data: list[bytes] = []

    def take(self, message: Message, error_class: int | None) -> str:
        """Adds a frame; gives what is wrong with it when it cannot be one."""
        time_s, identifier, data = message.timestamp, message.arbitration_id, bytes(message.data)
        if not -LATEST_S < time_s < LATEST_S:  # nor is it a number when it is none
            return "has no time that can be one"
        if not 0 <= identifier <= LARGEST_IDENTIFIER:
            return "has an identifier of more than 29 bits"
        if len(data) > LONGEST_DATA:
            return f"has more than {LONGEST_DATA} bytes"
        flags = EXTENDED if message.is_extended_id else 0
        if error_class is not None:
            identifier = error_class
            flags |= ERROR
        if message.is_error_frame:
            flags |= ERROR
        if message.is_remote_frame:
            flags |= REMOTE
        if message.is_fd:
            flags |= FLEXIBLE
        channel = self.number.get(message.channel)
        if channel is None:
            channel = self._new_channel(message.channel)
        self.times.append(time_s)
        self.identifiers.append(identifier)
        self.flags.append(flags)
        self.channels.append(channel)
        self.data.append(data)
        return ""

    def _new_channel(self, name: Any) -> int:
        known = self.log.channels
        if len(known) < MOST_CHANNELS:
            known.append("" if name is None else str(name))
            self.number[name] = len(known) - 1
            return len(known) - 1
        return len(known) - 1

    def block(self) -> Block:
        """What was gathered, and begins again."""
        first = self.log.frames + 1
        self.log.frames += len(self.times)
        made = Block(
            np.array(self.times, np.float64), np.array(self.identifiers, np.uint32), np.array(self.flags, np.uint8),
            np.array(self.channels, np.uint16), tuple(self.data), first,
        )  # fmt: skip
        self.clear()
        return made


def _read_text(log: Log, source: Source, size: int) -> Iterator[Block]:
    lines = Lines(source, log.findings, _HARMLESS[log.suffix])

    def look_for_bus_off(text: str) -> None:
        if _ERROR_WORDS.match(text):
            log.errors_told += 1
        if _BUS_OFF_WORDS.search(text):
            _note_bus_off(log, Unreadable(lines.number, None, text.strip()[:120]))

    lines.passed_over = look_for_bus_off
    reader = _text_reader(log.suffix, lines)
    candump = log.suffix == ".log"
    gathered = _Gathering(log)
    frames = iter(reader)
    stopped_at = -1
    while True:
        try:
            for message in frames:
                lines.answered = True
                error_class = None
                # The least that can be asked of a frame comes first; nearly all have more.
                if candump and ((message.arbitration_id < 0x800 and message.is_extended_id) or message.is_error_frame):
                    error_class = _candump_error_class(lines.text)
                    if error_class is not None and error_class & _BUS_OFF_CLASS:
                        _note_bus_off(log, Unreadable(lines.number, None, lines.text.strip()[:120]))
                wrong = gathered.take(message, error_class)
                if wrong:
                    lines.refuse(wrong)
                elif len(gathered.times) >= size:
                    yield gathered.block()
            break
        except Exception:  # noqa: BLE001 - a reader may raise anything at a damaged line; it is noted, and reading goes on
            lines.settle()
            if lines.number == stopped_at:  # nothing is left, or the reader stops without taking a line
                break
            stopped_at = lines.number
            _begin_again(log.suffix, lines)
            frames = iter(reader)
    lines.settle()
    if gathered.times:
        yield gathered.block()


def _begin_again(suffix: str, lines: Lines) -> None:
    """Lets a reader that stopped at a line go on: two of them look for a header first and would eat a frame."""
    if suffix == ".csv":
        lines.push("\n")
    elif suffix == ".asc":
        lines.push("no internal events logged\n")


def _candump_error_class(text: str) -> int | None:
    """The error class of a candump line of an error frame, None for any other line."""
    pieces = text.split()
    try:
        identifier = int(pieces[2].partition("#")[0], 16)
    except (IndexError, ValueError):
        return None
    return identifier & LARGEST_IDENTIFIER if identifier & _CANDUMP_ERROR else None


def _note_bus_off(log: Log, place: Unreadable) -> None:
    if len(log.bus_off) < MOST_LISTED:
        log.bus_off.append(place)


def _text_reader(suffix: str, lines: Lines) -> MessageReader:
    import can

    file: Any = lines
    if suffix == ".asc":
        return can.ASCReader(file, relative_timestamp=True)
    if suffix == ".csv":
        return can.CSVReader(file)
    return can.TRCReader(file) if suffix == ".trc" else can.CanutilsLogReader(file)


def _read_binary(log: Log, source: Source, size: int) -> Iterator[Block]:
    import can

    pieces = Pieces(source)
    gathered = _Gathering(log)
    reader: MessageReader
    try:
        if log.suffix == ".mf4":
            reader = can.MF4Reader(log.path)
        else:
            file: Any = pieces
            reader = can.BLFReader(file)
            pieces.held_back = lambda: len(getattr(reader, "_tail", b""))
        for message in reader:
            wrong = gathered.take(message, None)
            if wrong:
                log.findings.add(wrong, byte=pieces.position)
            elif len(gathered.times) >= size:
                yield gathered.block()
        left = len(getattr(reader, "_tail", b"").strip(b"\0"))
        if left >= 16:  # less is no entry
            log.findings.add(f"the last entry is not whole ({left} bytes are left over)", byte=pieces.position)
    except NotImplementedError as error:
        raise UserError(
            "log-reader",
            f"{log.path.name} cannot be read: the package asammdf is not installed.",
            "Install it with: pip install asammdf",
        ) from error
    except Damaged as error:
        log.findings.add(f"the file cannot be read further: {error}", byte=pieces.position)
    except Exception as error:  # noqa: BLE001 - a reader may raise anything at damage; what it read before is kept
        log.findings.add(
            f"the file cannot be read further: {str(error) or type(error).__name__}", byte=pieces.position
        )
    if gathered.times:
        yield gathered.block()
