"""Everything halfsplit raises on purpose, and the wording of mistakes found in files.

The tree::

    HalfsplitError
    +-- UserError                the person can put it right; exit code 2
    |   +-- ProblemsError        a file with problems, all of them at once
    |   +-- UnsolvableCircuit    a circuit that has no answer, with the reasons as sentences
    |   +-- NotFound             no such job, machine, part, check
    |   +-- Conflict             somebody else wrote first, or the job no longer allows it
    +-- InternalError            the program is wrong, not the person; exit code 70

A UserError always says what is wrong and, where we can, what to type instead.
An InternalError never blames the input: it says that the mistake is ours and what to send.

Exit codes 2 and 70: 2 is what POSIX shells and Python's argparse use for wrong usage; 70 is EX_SOFTWARE in
BSD's sysexits.h.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

EXIT_OK = 0
EXIT_USER = 2
EXIT_INTERNAL = 70

#: Codes raised from this module, each with one sentence; docs/problems.md lists them with those of other
#: modules.
CODES: dict[str, str] = {
    "problems": "A file has problems; each one is listed with its own code, file and line.",
    "circuit-unsolvable": "The circuit as described has no single answer; the reasons are listed.",
    "not-found": "Nothing of that name exists; near names are offered.",
    "conflict": "The job changed meanwhile or is in a state that does not allow this.",
    "internal": "The program itself is wrong; the message says what to send us.",
}


class HalfsplitError(Exception):
    """Root of every error raised on purpose by halfsplit."""

    exit_code: int = 1


class UserError(HalfsplitError):
    """The person's mistake: something typed, written in a file or asked for out of order.

    ``code`` is a short lower-case word with dashes, stable between versions, listed in the documentation;
    ``message`` says what is wrong in one sentence; ``hint`` says what to do about it, and may be empty.
    """

    exit_code = EXIT_USER

    def __init__(self, code: str, message: str, hint: str = "") -> None:
        super().__init__(code, message, hint)
        self.code = code
        self.message = message
        self.hint = hint

    def __str__(self) -> str:
        return f"{self.message} {self.hint}" if self.hint else self.message


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing wrong in one place of a file.

    ``line`` counts from 1; ``file`` and ``line`` are None where there is no such place. ``suggestion`` is the
    nearest good spelling, or what to write instead; ``field`` is the key the problem belongs to.
    """

    code: str
    file: str | None
    line: int | None
    what: str
    suggestion: str | None = None
    field: str | None = None

    def __str__(self) -> str:
        place = self.file or ""
        if self.line is not None:
            place = f"{place}:{self.line}" if place else f"line {self.line}"
        lead = f"{place}: " if place else ""
        tail = f" (did you mean {self.suggestion}?)" if self.suggestion else ""
        return f"{lead}{self.code}: {self.what}{tail}"

    def sort_key(self) -> tuple[str, int, str, str]:
        """Order for printing: by file, then line, then code."""
        return (self.file or "", self.line or 0, self.code, self.what)


class ProblemsError(UserError):
    """A file cannot be used; ``problems`` holds every problem found, ordered by file and line.

    Raises InternalError when made without any problem, since then nothing is wrong.
    """

    def __init__(self, problems: Iterable[Problem]) -> None:
        found: Sequence[Problem] = sorted(problems, key=Problem.sort_key)
        if not found:
            raise InternalError("A list of problems was reported that is empty.")
        self.problems: tuple[Problem, ...] = tuple(found)
        count = len(self.problems)
        noun = "problem" if count == 1 else "problems"
        lines = "\n".join(f"  {problem}" for problem in self.problems)
        super().__init__("problems", f"{count} {noun}:\n{lines}")


class UnsolvableCircuit(UserError):
    """The circuit has no single answer; ``reasons`` says why in sentences an electrician would use."""

    def __init__(self, reasons: Iterable[str]) -> None:
        self.reasons: tuple[str, ...] = tuple(reasons)
        if not self.reasons:
            raise InternalError("A circuit was called unsolvable and no reason was given.")
        super().__init__("circuit-unsolvable", " ".join(self.reasons))


class NotFound(UserError):
    """Nothing of the kind ``what`` is called ``name``; near names among ``candidates`` are offered."""

    def __init__(self, what: str, name: str, candidates: Iterable[str] = ()) -> None:
        self.what = what
        self.name = name
        self.suggestion = nearest(name, candidates)
        hint = f"Did you mean {self.suggestion}?" if self.suggestion else ""
        super().__init__("not-found", f'There is no {what} called "{name}".', hint)


class Conflict(UserError):
    """What was asked does not fit the present state: somebody wrote first, or the job is past that point."""

    def __init__(self, message: str, hint: str = "") -> None:
        super().__init__("conflict", message, hint)


class InternalError(HalfsplitError):
    """Our bug. The text says so and names what to send; the person did nothing wrong."""

    exit_code = EXIT_INTERNAL

    def __init__(self, message: str) -> None:
        super().__init__(message)
        self.code = "internal"
        self.message = message

    def __str__(self) -> str:
        return (
            f"{self.message} This is a mistake in halfsplit, not yours. Please send us the command you ran, "
            "the machine folder, the exported job file if there is one, and the output of "
            "`halfsplit --version`."
        )


def nearest(word: str, candidates: Iterable[str]) -> str | None:
    """The candidate closest in spelling to ``word``, or None when none is close.

    Letter case is ignored at first; among candidates that differ by case only, the one nearest to ``word`` as
    written is taken (``Mohn`` means Mohm, not mohm). The answer does not depend on the order of
    ``candidates``. Close means a difflib ratio of at least 0.6 (common practice: the default cutoff of
    Python's difflib).
    """
    by_folded: dict[str, list[str]] = {}
    for candidate in sorted(set(candidates)):
        by_folded.setdefault(candidate.casefold(), []).append(candidate)
    written = word.strip()
    folded = written.casefold()
    close = (
        [folded]
        if folded in by_folded
        else difflib.get_close_matches(folded, list(by_folded), n=1, cutoff=0.6)
    )
    if not close:
        return None
    return max(by_folded[close[0]], key=lambda found: difflib.SequenceMatcher(None, found, written).ratio())
