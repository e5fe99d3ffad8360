"""Words typed while something else is being shown: lines come as they are ended, without anything waiting for them.

A thread reads the keyboard or the pipe, so that a line has the time at which it was ended. Where a screen is drawn at
the same time, keys are taken one by one and what stands in the line so far can be shown by whoever draws.
"""

from __future__ import annotations

import codecs
import os
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager

#: Letters of one line that are kept; more is nothing anybody typed. Invented.
LONGEST = 2000
_BACK = ("\x7f", "\b")
_WIPE = "\x15"  # control and U
_END = "\x04"  # control and D


class Line:
    """Puts a line together from letters. ``keys`` says that they are keys pressed, which may take letters back."""

    def __init__(self, *, keys: bool) -> None:
        self.text = ""
        self._keys = keys
        self._escape = False

    def take(self, letters: str) -> Iterator[str | None]:
        """The lines that these letters end; None when they end the input."""
        for letter in letters:
            if letter in "\r\n":
                done, self.text = self.text, ""
                yield done
            elif self._escape:  # what arrow keys and the like send: an escape, up to the first letter after it
                self._escape = not (letter.isalpha() or letter == "~")
            elif self._keys and letter == "\x1b":
                self._escape = True
            elif self._keys and letter in _BACK:
                self.text = self.text[:-1]
            elif self._keys and letter == _WIPE:
                self.text = ""
            elif self._keys and letter == _END and not self.text:
                yield None
            elif letter.isprintable() and len(self.text) < LONGEST:
                self.text += letter


class Words:
    """Lines from standard input with the time they were ended. ``ended`` when no more can come."""

    def __init__(self, clock: Callable[[], float], *, keys: bool) -> None:
        self.ended = False
        self._clock = clock
        self._line = Line(keys=keys)
        self._lock = threading.Lock()
        self._lines: list[tuple[str, float]] = []
        try:
            self._file = sys.stdin.fileno()
        except (AttributeError, OSError, ValueError):  # there is no standard input
            self.ended = True
            return
        threading.Thread(target=self._read, name="words", daemon=True).start()

    @property
    def begun(self) -> str:
        """The line that is being typed."""
        return self._line.text

    def take(self) -> list[tuple[str, float]]:
        """The lines that were ended since the last time, each with its time."""
        with self._lock:
            lines, self._lines = self._lines, []
        return lines

    def _read(self) -> None:
        # Straight from the file: a reader with a buffer would hold a lock when the program ends.
        letters = codecs.getincrementaldecoder("utf-8")("replace")
        while not self.ended:
            try:
                raw = os.read(self._file, 4096)
            except OSError:
                raw = b""
            for line in self._line.take(letters.decode(raw)) if raw else [self._line.text or None, None]:
                if line is None:
                    self.ended = True
                    break
                with self._lock:
                    self._lines.append((line, self._clock()))


@contextmanager
def key_by_key() -> Iterator[bool]:
    """Has the terminal give each key at once and not show it, until the end; False where that cannot be had."""
    try:
        import termios
        import tty

        before = termios.tcgetattr(sys.stdin.fileno())
    except (ImportError, OSError, ValueError, termios.error):
        yield False
        return
    tty.setcbreak(sys.stdin.fileno())
    try:
        yield True
    finally:
        termios.tcsetattr(sys.stdin.fileno(), termios.TCSADRAIN, before)
