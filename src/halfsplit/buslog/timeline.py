"""Who spoke when, as an SVG picture and as rows of letters for a terminal.

A bar runs from a speaker's first frame to its last, broken where it was silent; there the row carries a hatched box,
and in a terminal other letters, so nothing depends on colour. A speaker of fewer than 20 frames is drawn frame by
frame, as far as columns tell them apart. Trouble codes have rows of their own, one a controller.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from xml.sax.saxutils import escape

from halfsplit.buslog.presence import COLUMNS, Presence
from halfsplit.buslog.silences import Habit

#: Rows that are drawn; a picture of more cannot be read. Invented.
MOST_ROWS = 48

_WIDTH, _LEFT, _RIGHT, _TOP, _ROW, _BOTTOM = 960.0, 210.0, 20.0, 18.0, 20.0, 40.0
_INK, _BAR, _SILENT, _PALE, _CODE = "#222222", "#0072b2", "#d55e00", "#d0d0d0", "#7a3b69"
_HATCHING = (
    '<defs><pattern id="silent" width="6" height="6" patternUnits="userSpaceOnUse" patternTransform="rotate(45)">'
    f'<rect width="2.5" height="6" fill="{_SILENT}"/></pattern></defs>'
)
#: Steps a time axis may have, seconds.
_STEPS = (0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 60, 120, 300, 600, 1800, 3600, 7200, 21600, 86400)

#: Letters of a terminal's row: heard, not heard but not overdue, silent, and code active.
HEARD, WAITING, SILENT, CODED = "█", "·", "x", "!"


@dataclass(frozen=True, slots=True)
class Row:
    """One row: what stands before it, stretches of speech, silences and active codes, and moments, in seconds."""

    label: str
    speech: tuple[tuple[float, float], ...] = ()
    silent: tuple[tuple[float, float], ...] = ()
    coded: tuple[tuple[float, float], ...] = ()


def speech_rows(habits: Sequence[Habit], presence: Presence, names: Mapping[int, str]) -> tuple[Row, ...]:
    """A row for each speaker, in the order of their keys; of too many those that spoke most."""
    kept = sorted(sorted(habits, key=lambda one: -one.count)[:MOST_ROWS], key=lambda one: one.key)
    return tuple(_speech_row(one, presence, names.get(one.key, str(one.key))) for one in kept)


def _speech_row(habit: Habit, presence: Presence, label: str) -> Row:
    if habit.limit_s is None:
        return Row(label, _columns_heard(habit, presence))
    silent = tuple((one.from_s, one.to_s) for one in habit.silences)
    speech = []
    begin = habit.first_s
    for from_s, to_s in silent:
        speech.append((begin, from_s))
        begin = to_s
    if not habit.silences or not habit.silences[-1].to_end:
        speech.append((begin, habit.last_s))
    return Row(label, tuple(speech), silent)


def _columns_heard(habit: Habit, presence: Presence) -> tuple[tuple[float, float], ...]:
    counts = presence.counts.get(habit.key)
    if counts is None:
        return ()
    width = presence.width_s
    return tuple((column * width, (column + 1) * width) for column in range(COLUMNS) if counts[column])


def letters(row: Row, length_s: float, columns: int) -> str:
    """The row in ``columns`` letters. A silence is shown however short it is; a code over speech is shown."""
    drawn = [" "] * columns

    def fill(spans: Sequence[tuple[float, float]], letter: str) -> None:
        for begin, end in spans:
            first = min(int(begin / length_s * columns), columns - 1)
            last = min(int(end / length_s * columns), columns - 1)
            drawn[first : last + 1] = letter * (last - first + 1)

    fill(row.speech, HEARD)
    fill(row.silent, SILENT)
    fill(row.coded, CODED)
    return "".join(drawn)


def picture(title: str, rows: Sequence[Row], length_s: float) -> str:
    """The rows as one SVG element with a title and a description; the same rows give the same text."""
    length_s = max(length_s, 1e-6)
    height = _TOP + _ROW * len(rows) + _BOTTOM
    pieces = [
        f"<title>{escape(_plain(title))}</title><desc>{escape(_plain(in_words(rows)))}</desc>",
        _HATCHING,
        *_axis(length_s, height),
    ]
    for place, row in enumerate(rows):
        pieces += _drawn(row, _TOP + _ROW * place, length_s)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {_WIDTH:g} {height:g}" width="{_WIDTH:g}" '
        f'height="{height:g}" font-family="Libertinus Serif, Georgia, serif" font-size="12" role="img">'
        f"{''.join(pieces)}</svg>"
    )


def in_words(rows: Sequence[Row]) -> str:
    """The picture for who cannot see it: who was silent, and when."""
    said = [
        f"{row.label} silent " + ", ".join(f"{begin:.2f} to {end:.2f} s" for begin, end in row.silent[:20])
        for row in rows
        if row.silent
    ]
    return "; ".join(said) + "." if said else "Nobody fell silent."


def _x(at_s: float, length_s: float) -> float:
    return _LEFT + (_WIDTH - _LEFT - _RIGHT) * min(max(at_s / length_s, 0.0), 1.0)


def _axis(length_s: float, height: float) -> list[str]:
    step = next((one for one in _STEPS if length_s / one <= 10), length_s)
    bottom = height - _BOTTOM + 4
    pieces = []
    for tick in range(int(length_s / step) + 1):
        x = _x(tick * step, length_s)
        pieces.append(
            f'<line x1="{x:.1f}" y1="{_TOP - 4:g}" x2="{x:.1f}" y2="{bottom:g}" stroke="{_PALE}"/>'
            f'<text x="{x:.1f}" y="{bottom + 14:g}" text-anchor="middle" fill="{_INK}">{tick * step:g}</text>'
        )
    middle = (_LEFT + _WIDTH - _RIGHT) / 2
    pieces.append(
        f'<text x="{middle:g}" y="{bottom + 29:g}" text-anchor="middle" fill="{_INK}">seconds from the first frame; '
        "hatched: silent</text>"
    )
    return pieces


def _drawn(row: Row, top: float, length_s: float) -> list[str]:
    label = row.label if len(row.label) <= 32 else row.label[:31] + "…"
    pieces = [
        f'<text x="{_LEFT - 8:g}" y="{top + 13:g}" text-anchor="end" fill="{_INK}">{escape(_plain(label))}</text>'
    ]
    for spans, style, inset in (
        (row.speech, f'fill="{_BAR}"', 4.0),
        (row.silent, f'fill="url(#silent)" stroke="{_SILENT}"', 3.0),
        (row.coded, f'fill="{_CODE}"', 7.0),
    ):
        for begin, end in spans:
            x = _x(begin, length_s)
            width = max(_x(end, length_s) - x, 1.0)
            pieces.append(
                f'<rect x="{x:.1f}" y="{top + inset:g}" width="{width:.1f}" height="{_ROW - 2 * inset:g}" {style}/>'
            )
    return pieces


def _plain(text: str) -> str:
    """``text`` without what XML cannot carry: a name of a log's channel may hold anything."""
    return "".join(
        letter if letter in "\t\n\r" or (letter.isprintable() and letter not in "\ufffe\uffff") else "�"
        for letter in text
    )
