"""Files as a log reader takes them: line by line or byte by byte, with the place known and the memory bounded.

python-can's text readers take any object that gives lines. ``Lines`` gives them, remembers which one is being worked
on, and notes every line out of which no frame came and that is not one the format is known to have besides frames.
"""

from __future__ import annotations

import gzip
import io
import re
import zlib
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import IO, Any

from halfsplit.buslog.frames import Unreadable

#: Longest line that can hold a frame: a CAN FD frame of 64 bytes takes under 400 letters in every format read here.
LONGEST_LINE = 4096
#: Unreadable places that are listed; all are counted.
MOST_LISTED = 50
#: Largest piece a binary log may ask for at once, and what it may unpack to. Loggers write pieces of about 0.1 MB;
#: invented limits.
LARGEST_PIECE = 8 * 1024 * 1024
LARGEST_UNPACKED = 32 * 1024 * 1024


class Damaged(Exception):
    """The rest of the file cannot be read."""


class Findings:
    """Places that held no frame: all counted, the first ``MOST_LISTED`` kept, one cause counted by its words."""

    def __init__(self) -> None:
        self.count = 0
        self.listed: list[Unreadable] = []

    def add(self, what: str, *, line: int | None = None, byte: int | None = None) -> None:
        """Notes one place."""
        self.count += 1
        if len(self.listed) < MOST_LISTED:
            self.listed.append(Unreadable(line, byte, what))


class Source:
    """An open log file, plain or gzip: how far it is read, and its size on disk."""

    def __init__(self, path: Path, *, packed: bool) -> None:
        self.size = path.stat().st_size
        self._raw = path.open("rb")
        # Nothing is put between: a buffer of its own would lose what a packed file held before its damage.
        self.stream: IO[bytes] | gzip.GzipFile = gzip.GzipFile(fileobj=self._raw) if packed else self._raw

    @property
    def position(self) -> int:
        """Bytes of the file on disk that were read."""
        return self._raw.tell()

    def close(self) -> None:
        """Closes the file."""
        self.stream.close()
        self._raw.close()


class Lines:
    """The lines of a text log for one of python-can's readers, which takes it for an open file.

    Set ``answered`` when the line given last has brought a frame. A line that was passed over goes to ``findings``
    unless ``harmless`` (blank lines, comments, headers) matches it.
    """

    def __init__(self, source: Source, findings: Findings, harmless: re.Pattern[str]) -> None:
        self.number = 0
        self.text = ""
        self.answered = True
        #: Called with each line that holds no frame, harmless or not.
        self.passed_over: Callable[[str], None] = lambda _line: None
        self._stream = source.stream
        self._findings = findings
        self._harmless = harmless
        self._pushed: list[str] = []

    def __iter__(self) -> Iterator[str]:
        return self

    def __next__(self) -> str:
        if self._pushed:
            return self._pushed.pop()
        if not self.answered:
            self.settle()
        line = self._read()
        if not line:
            raise StopIteration
        self.answered = False
        self.text = line
        return line

    def read(self, _size: int = -1) -> str:
        """There only because python-can tells a file by it; its text readers take lines."""
        return next(self, "")

    def close(self) -> None:
        """Left to whoever opened the source; python-can's readers close what they are given at its end."""

    def push(self, line: str) -> None:
        """Gives ``line`` next, which is not in the file."""
        self._pushed.append(line)

    def settle(self, why: str = "holds no frame that can be read") -> None:
        """Notes the present line when no frame came out of it."""
        if self.answered:
            return
        self.answered = True
        self.passed_over(self.text)
        if not self._harmless.match(self.text):
            self._findings.add(why, line=self.number)

    def refuse(self, why: str) -> None:
        """Notes the present line although a frame came out of it."""
        self._findings.add(why, line=self.number)

    def _read(self) -> str:
        while True:
            try:
                raw = self._stream.readline(LONGEST_LINE)
                if len(raw) == LONGEST_LINE and not raw.endswith(b"\n"):
                    self.number += 1
                    self._findings.add(f"is longer than {LONGEST_LINE} letters", line=self.number)
                    while raw and not raw.endswith(b"\n"):
                        raw = self._stream.readline(LONGEST_LINE)
                    continue
            except (EOFError, OSError, zlib.error) as error:
                self._findings.add(f"the file cannot be read further: {_reason(error)}", line=self.number + 1)
                return ""
            if raw:
                self.number += 1
            return raw.decode("utf-8", "replace")


class Pieces:
    """The bytes of a binary log for one of python-can's readers: bounded pieces, and containers that unpack bounded."""

    def __init__(self, source: Source) -> None:
        self.position = 0
        #: Bytes a reader holds back until more come; looked at so that no file can make it hold all of itself.
        self.held_back: Callable[[], int] = lambda: 0
        self._stream = source.stream
        self._container = False

    def read(self, size: int = -1) -> bytes:
        """The next bytes. Raises Damaged for a piece no logger writes."""
        if not 0 <= size <= LARGEST_PIECE:
            raise Damaged(f"a piece of {size} bytes is announced")
        if self.held_back() > LARGEST_UNPACKED:
            raise Damaged("an entry is announced that goes on for ever")
        try:
            found = self._stream.read(size)
        except (EOFError, OSError, zlib.error) as error:
            raise Damaged(_reason(error)) from error
        if self._container:
            _check_container(found)
        # An object's header: "LOBJ", then sizes, then its type; type 10 is a container of packed objects.
        self._container = size == 16 and found[:4] == b"LOBJ" and found[12:16] == b"\n\0\0\0"
        if len(found) < size and found:
            self.position += len(found)
            raise Damaged("the file ends in the middle of an entry")
        self.position += len(found)
        return found

    def write(self, _data: Any) -> int:
        """There only because python-can tells a file by it."""
        raise io.UnsupportedOperation("read only")

    def close(self) -> None:
        """Left to whoever opened the source."""


def _check_container(content: bytes) -> None:
    """Raises Damaged for a container that cannot be unpacked, or unpacks to more than any logger's."""
    method = int.from_bytes(content[:2], "little")
    if method == 0:  # as it is
        return
    if method != 2:  # deflate; the reader passes any other by
        raise Damaged(f"a container is packed in an unknown way, {method}")
    unpacking = zlib.decompressobj()
    try:
        unpacked = unpacking.decompress(content[16:], LARGEST_UNPACKED + 1)
    except zlib.error as error:
        raise Damaged(_reason(error)) from error
    if len(unpacked) > LARGEST_UNPACKED:
        raise Damaged("a container unpacks to more than any logger writes")


def _reason(error: BaseException) -> str:
    if isinstance(error, EOFError):
        return "the packed file ends early"
    return str(error) or type(error).__name__
