"""How a watched bus is shown: a board that is read from two metres, or lines where there is no terminal.

The state of things is a word in large letters, never a colour alone. Whatever drops out rings the bell: eyes are on the
harness.
"""

from __future__ import annotations

import shlex
import subprocess
import sys
import textwrap
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, Protocol

from halfsplit.cli.big_letters import HIGH, big, fitting
from halfsplit.cli.console import say, visible

if TYPE_CHECKING:
    from rich.text import Text

    from halfsplit.service.watch_results import Board, BoardRow, Told

#: What was told last stays on the board: so many of it.
MOST_TOLD = 8
#: Seconds for which the cautions of a place stand in place of its large letters when it is first moved. Invented.
CAUTIONS_SHOWN_S = 20.0
#: Seconds between two rings while somebody is lost, and how many; invented.
RING_EVERY_S = 1.0
MOST_RINGS = 5
_LEADS = {
    "phase": "", "drop": "DROP  ", "back": "BACK  ", "word": "> ", "caution": "! ", "result": "= ", "written": "+ ",
    "trouble": "?? ",
}  # fmt: skip
_STYLES = {
    "drop": "bold red", "back": "bold green", "caution": "bold yellow", "trouble": "bold yellow", "written": "dim",
}  # fmt: skip


class Screen(Protocol):
    """Where a watch is shown."""

    def show(self, board: Board, told: Sequence[Told], begun: str) -> None:
        """Shows how it stands, what is to be told, and the line being typed."""


class Alarm:
    """Rings where a terminal hears it, and starts the command that was asked for, at every drop."""

    def __init__(self, command: str, clock: Callable[[], float]) -> None:
        self._words = shlex.split(command)
        self._clock = clock
        self._terminal = next((one for one in (sys.stdout, sys.stderr) if one.isatty()), None)
        self._running: subprocess.Popen[bytes] | None = None
        self._rung_s = 0.0
        self._left = 0

    def sound(self, *, dropped: bool, lost: bool) -> str:
        """Rings at a drop, and a few times more while somebody is lost; what went wrong with the command, or ""."""
        now_s = self._clock()
        if dropped:
            self._left = MOST_RINGS
        elif not lost:
            self._left = 0
        if dropped or (self._left and now_s - self._rung_s >= RING_EVERY_S):
            self._left -= 1
            self._rung_s = now_s
            if self._terminal is not None:
                self._terminal.write("\a")
                self._terminal.flush()
        return self._start() if dropped and self._words else ""

    def _start(self) -> str:
        if self._running is not None and self._running.poll() is None:
            return ""
        try:
            # The words are those of whoever started the watch, for this purpose.
            self._running = subprocess.Popen(  # noqa: S603 # the person's own command
                self._words, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
            )
        except OSError as error:
            words, self._words = self._words, []
            return f"The alarm {words[0]} cannot be started: {error.strerror or error}."
        return ""


class Lines:
    """Shows a watch as lines: for pipes, for logs, and for terminals that can do no more."""

    def __init__(self, *, to_error: bool = False) -> None:
        self._to_error = to_error

    def show(self, board: Board, told: Sequence[Told], begun: str) -> None:
        """Prints what is to be told, with the seconds of the watch."""
        del begun
        for one in told:
            lead = f"{board.since_s:7.1f} s  {_LEADS[one.kind]}"
            if self._to_error:
                print(f"{lead}{visible(one.text)}", file=sys.stderr, flush=True)
            else:
                say(one.text, _STYLES.get(one.kind, "") if sys.stdout.isatty() else "", first=lead)
        if told and not self._to_error:
            sys.stdout.flush()


class Drawn:
    """Draws a watch over the whole terminal."""

    def __init__(self, update: Callable[[Text], None], size: Callable[[], tuple[int, int]], mark: str) -> None:
        self._update = update
        self._size = size
        self._mark = mark
        self._told: deque[Told] = deque(maxlen=MOST_TOLD)
        self._place = ""
        self._cautions: list[str] = []

    def show(self, board: Board, told: Sequence[Told], begun: str) -> None:
        """Draws it anew."""
        self._told.extend(one for one in told if one.kind != "caution")
        if any(one.kind == "caution" for one in told):
            self._place, self._cautions = board.moving, [one.text for one in told if one.kind == "caution"]
        fresh = board.moving == self._place and board.moving_s < CAUTIONS_SHOWN_S
        self._update(
            draw(board, tuple(self._told), begun, *self._size(), self._mark, self._cautions if fresh else ())
        )


@contextmanager
def drawn() -> Iterator[Drawn]:
    """The whole terminal as a board, until the end."""
    from rich.console import Console
    from rich.live import Live

    console = Console(highlight=False, markup=False, emoji=False)
    mark = "█" if (console.encoding or "").lower().startswith("utf") else "#"
    # The bell goes past what is drawn, so nothing may stand between it and the terminal.
    with Live(
        console=console, screen=True, auto_refresh=False, redirect_stdout=False, redirect_stderr=False
    ) as live:
        yield Drawn(
            lambda text: live.update(text, refresh=True), lambda: (console.size.width, console.size.height), mark
        )


def state_word(board: Board) -> tuple[str, list[str]]:
    """The word for how things stand, and what belongs to it."""
    if board.learning_s is not None:
        return ("STILL", [f"{board.learning_s:.0f}"]) if board.rows else ("NOBODY", [])
    if board.everybody:
        return "DROP", ["ALL"]
    if board.lost:
        return "DROP", list(board.lost)
    if board.back:
        return "BACK", list(board.back)
    return "HEARD", []


def draw(
    board: Board, told: Sequence[Told], begun: str, columns: int, rows: int, mark: str = "█",
    cautions: Sequence[str] = (),
) -> Text:  # fmt: skip
    """The board as it stands in so many columns and rows; ``cautions`` of the place come before all else."""
    from rich.text import Text

    columns = max(columns - 1, 20)
    word, more = state_word(board)
    text = Text(no_wrap=True, overflow="crop")
    alarm = word in ("DROP", "BACK")
    for line in big(fitting([word, *more], columns - 2), mark):
        text.append(f" {line}".ljust(columns) + "\n", style="bold reverse" if alarm else "bold")
    text.append("\n")
    large = bool(board.moving) and not cautions
    if large:
        for line in big(fitting([board.moving, f"{board.moving_s:.0f}"], columns - 2), mark):
            text.append(f" {line}\n", style="bold cyan")
    if board.moving:
        text.append(f" {visible(board.moving)} is being moved, {board.moving_s:.0f} s\n", style="bold")
    else:
        hands = "hands off, the still phase" if board.learning_s is not None else "nothing is being moved"
        text.append(f" {hands}\n")
    used = 9 + (HIGH if large else 0)
    minded = _minded(cautions, columns, max(1, rows - used - 6))
    for line in minded:
        text.append(line + "\n", style="bold yellow")
    text.append("\n")
    used += len(minded)
    shown = _newest(told, columns, max(2, (rows - used - 3) // 2))
    room = max(1, rows - used - len(shown) - 3)
    for line, style in _table(board, columns, room):
        text.append(line[:columns] + "\n", style=style)
    text.append("\n")
    for line, style in shown:
        text.append(line + "\n", style=style)
    text.append(f"now, stop, note, quit> {visible(begun)}_"[-columns:], style="bold")
    return text


def _minded(cautions: Sequence[str], columns: int, most: int) -> list[str]:
    """Cautions in as many lines as there is room for; the first one says what keeps people out."""
    lines = [
        line
        for one in cautions
        for line in textwrap.wrap(visible(one), columns, initial_indent=" ! ", subsequent_indent="   ")
    ]
    if len(lines) <= most:
        return lines
    return [*lines[: most - 1], " ! More than fits: make the window higher, or watch with --lines."]


def _newest(told: Sequence[Told], columns: int, most: int) -> list[tuple[str, str]]:
    """What was told last in as many lines as there is room for, the newest whole."""
    lines: list[tuple[str, str]] = []
    for one in reversed(told):
        lead = _LEADS[one.kind]
        broken = textwrap.wrap(
            visible(one.text), columns, initial_indent=lead, subsequent_indent=" " * len(lead)
        )
        if lines and len(lines) + len(broken) > most:
            break
        lines = [*((line, _STYLES.get(one.kind, "")) for line in broken), *lines]
    return lines


def _table(board: Board, columns: int, room: int) -> list[tuple[str, str]]:
    """A row for each speaker, those lost first, and what does not fit counted."""
    order = {"LOST": 0, "HEARD": 1, "SELDOM": 2, "NEW": 3}
    rows = sorted(board.rows, key=lambda one: order[one.state])
    wide = min(max((len(one.name) for one in rows), default=0), columns // 3)
    kept = rows if len(rows) <= room else rows[: room - 1]
    lines = [(_row(one, wide, learning=board.learning_s is not None), _style(one)) for one in kept]
    if len(kept) < len(rows):
        lines.append((f" and {len(rows) - len(kept)} more", "dim"))
    return lines


def _row(one: BoardRow, wide: int, *, learning: bool) -> str:
    state = "LEARN" if learning else one.state
    limit = "" if one.limit_s is None else f"  lost after {one.limit_s:.2g} s"
    drops = f"  {one.drops} drop{'' if one.drops == 1 else 's'}" if one.drops else ""
    return f" {one.name[:wide]:{wide}}  {state:6}  {one.age_s:7.2f} s ago{limit}{drops}"


def _style(one: BoardRow) -> str:
    return "bold reverse" if one.state == "LOST" else "dim" if one.state in ("NEW", "SELDOM") else ""
