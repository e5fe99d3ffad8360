r"""Printing: paragraphs that fit the terminal, colour where it helps, JSON where asked for, and errors.

Texts from people and files are kept as given and may hold characters that a terminal obeys: they leave here written
out, like \x1b, in JSON as its own escapes.
"""

from __future__ import annotations

import json
import re
import sys
import textwrap
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import cache
from typing import TYPE_CHECKING, Any

from halfsplit.errors import HalfsplitError, ProblemsError, UserError

if TYPE_CHECKING:
    from rich.console import Console

#: Wider lines than this are hard to read; common practice of typesetters.
WIDEST = 100
#: Keeps a number and its unit on one line; printed as a plain space.
HARD_SPACE = "\u00a0"
#: Narrower than this no line is broken further.
NARROWEST = 24


#: What a terminal obeys or what turns the order of a line round: control characters but tab and line feed (Unicode
#: category Cc), line and paragraph separators, embeddings, overrides and isolates of UAX #9.
_OBEYED = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u2028-\u202e\u2066-\u2069]")


def visible(text: str) -> str:
    """``text`` with everything written out that a terminal would obey instead of showing it."""
    return _OBEYED.sub(_written_out, text.replace("\r\n", "\n"))


def _written_out(found: re.Match[str]) -> str:
    code = ord(found.group())
    return f"\\x{code:02x}" if code < 0x100 else f"\\u{code:04x}"


def json_text(value: Any) -> str:
    """``value`` as JSON of plain letters: what a terminal would obey stands as an escape, which reads the same."""
    text = json.dumps(value, ensure_ascii=False, indent=2, allow_nan=False)
    return _OBEYED.sub(lambda found: f"\\u{ord(found.group()):04x}", text)


@cache
def _console(*, to_error: bool = False) -> Console:
    from rich.console import Console

    return Console(stderr=to_error, highlight=False, markup=False, emoji=False, soft_wrap=True)


def width() -> int:
    """Columns to write in."""
    return max(NARROWEST, min(_console().width, WIDEST))


def say(text: str = "", style: str = "", *, indent: int = 0, hang: int = 0, first: str = "") -> None:
    """One paragraph, broken at words.

    ``first`` stands before it, ``hang`` indents the lines after the first.
    """
    console = _console()
    if not text and not first:
        console.print()
        return
    text, first = visible(text), visible(first)
    start = " " * indent + first
    following = " " * (indent + (hang or len(first)))
    if len(following) > width() // 2:
        following = " " * indent
    lines = textwrap.wrap(
        text, width(), initial_indent=start, subsequent_indent=following, break_long_words=True,
        break_on_hyphens=False,
    ) or [start]  # fmt: skip
    for line in lines:
        console.print(line.replace(HARD_SPACE, " "), style=style or None)


def rule(title: str, right: str = "", style: str = "bold") -> None:
    """A line that opens a section, with something at its right end where there is room."""
    room = width() - len(title) - len(right)
    if right and room >= 2:
        say_raw(title + " " * room + right, style)
    else:
        say(title, style)
        if right:
            say(right, style)


def say_raw(line: str, style: str = "") -> None:
    """One line as it is."""
    _console().print(visible(line).replace("\n", " ").replace(HARD_SPACE, " "), style=style or None)


def ask(prompt: str) -> str | None:
    """One line from the keyboard or the pipe; None at its end. What comes through a pipe is shown again."""
    if sys.stdin.isatty():
        try:
            return input(prompt)
        except EOFError:
            print()
            return None
    line = sys.stdin.readline()
    if not line:
        return None
    text = line.rstrip("\n")
    say(text, "bold cyan", first=prompt)
    return text


def print_json(value: Any) -> None:
    """A result as JSON, one document."""
    from halfsplit.service.results import to_data

    print(json_text(to_data(value)))


#: Seconds before anybody is told how far a long piece of work is; common practice, no source.
PATIENCE_S = 1.0


@contextmanager
def progress(what: str) -> Iterator[Callable[[int, int], None]]:
    """Shows how far work is, on a terminal only and only once it takes a while; call it with (done, of).

    It writes one line of standard error over and over and wipes it at the end, so a pipe never gets it.
    """
    begun, shown = time.monotonic(), False

    def told(done: int, of: int) -> None:
        nonlocal shown
        if sys.stderr.isatty() and time.monotonic() - begun > PATIENCE_S:
            shown = True
            sys.stderr.write(f"\r{what}: {100 * done // max(of, 1)} %")
            sys.stderr.flush()

    try:
        yield told
    finally:
        if shown:
            sys.stderr.write("\r" + " " * (len(what) + 8) + "\r")
            sys.stderr.flush()


def percent(share: float) -> str:
    """A share in whole percent; small ones are not rounded to nothing."""
    if 0.0 < share < 0.01:
        return f"<1{HARD_SPACE}%"
    if 0.995 <= share < 1.0:
        return f">99{HARD_SPACE}%"
    return f"{round(100 * share)}{HARD_SPACE}%"


def minutes(value: float) -> str:
    """Minutes for a person: no more digits than the estimate has."""
    number = f"{value:.0f}" if value >= 10 else f"{value:.1f}".removesuffix(".0")
    return f"{number}{HARD_SPACE}min"


def report_error(error: HalfsplitError, *, as_json: bool = False) -> None:
    """Prints an error: as JSON on standard output when JSON was asked for, else as text on standard error."""
    code = getattr(error, "code", "internal")
    hint = error.hint if isinstance(error, UserError) else ""
    problems = error.problems if isinstance(error, ProblemsError) else ()
    if as_json:
        data = {
            "error": {
                "code": code,
                "message": getattr(error, "message", str(error)),
                "hint": hint,
                "problems": [
                    {
                        "code": p.code,
                        "file": p.file,
                        "line": p.line,
                        "what": p.what,
                        "suggestion": p.suggestion,
                    }
                    for p in problems
                ],
            }
        }
        print(json_text(data))
        return
    console = _console(to_error=True)
    for line in visible(str(error)).splitlines():
        console.print(line, style="red" if sys.stderr.isatty() else None)
    if code not in ("problems", "internal"):
        console.print(f"({code})", style="dim")
