"""The figure of a report: how the odds narrowed over the minutes, as SVG made here."""

from __future__ import annotations

from collections.abc import Sequence
from xml.sax.saxutils import escape

from halfsplit.reports.content import OddsPoint, OddsStory
from halfsplit.reports.xml_text import xml_text

#: Size in SVG units; the text is 9 units high, which prints at about 8 points over the width of a page.
WIDTH, HEIGHT = 640.0, 250.0
LEFT, RIGHT, TOP, BOTTOM = 42.0, 230.0, 14.0, 36.0
TEXT = 11.0
#: Colours that stay apart for colour-blind readers: M. Okabe and K. Ito, "Color Universal Design", 2008; each
#: line has its own dashes too, for paper without colour.
COLOURS = ("#0072b2", "#d55e00", "#009e73", "#cc79a7", "#56b4e9", "#e69f00")
DASHES = ("", "7 3", "2 3", "9 3 2 3", "5 5", "1 4")
INK, GREY, PALE = "#333333", "#777777", "#d0d0d0"
#: Letters of a label that fit at the right; longer ones are cut with an ellipsis.
LABEL_LETTERS = 34


def odds_figure(story: OddsStory) -> str:
    """The story as one SVG element, or "" when there is nothing to draw.

    The same story gives the same text. Lines run level between entries, because odds change only when something
    is seen.
    """
    if not story.names or not story.points:
        return ""
    last = max(point.minutes for point in story.points)
    longest = last if last > 0 else 1.0
    pieces = [*_axes(longest), *_repairs(story.points, longest)]
    pieces.extend(_line(story.points, at, longest) for at in range(len(story.names)))
    pieces.extend(_labels(story))
    body = "".join(pieces)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH:g} {HEIGHT:g}" width="{WIDTH:g}" '
        f'height="{HEIGHT:g}" font-family="Libertinus Serif, Georgia, serif" font-size="{TEXT:g}">{body}</svg>'
    )


def in_words(story: OddsStory) -> str:
    """The figure for who cannot see it: where each suspect began, stood highest, and ended."""
    if not story.points:
        return ""
    said = []
    for at, name in enumerate(story.names):
        odds = [round(100 * point.odds[at]) for point in story.points]
        said.append(f"{name}: {odds[0]} in 100 at first, {max(odds)} at most, {odds[-1]} at the end")
    return f"Odds over {story.points[-1].minutes:.0f} minutes of work. {'; '.join(said)}."


def percent_words(odds: float) -> str:
    """Odds in whole percent; never quite all or none."""
    return "<1 %" if odds < 0.01 else ">99 %" if odds > 0.995 else f"{round(100 * odds)} %"


def _x(minutes: float, longest: float) -> float:
    return LEFT + minutes / longest * (WIDTH - LEFT - RIGHT)


def _y(odds: float) -> float:
    return TOP + (1.0 - min(1.0, max(0.0, odds))) * (HEIGHT - TOP - BOTTOM)


def _text(x: float, y: float, text: str, anchor: str = "start", colour: str = INK) -> str:
    return f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" fill="{colour}">{escape(xml_text(text))}</text>'


def _path(way: str, colour: str, width: float, dash: str = "") -> str:
    dashed = f' stroke-dasharray="{dash}"' if dash else ""
    return f'<path d="{way}" stroke="{colour}" stroke-width="{width:g}"{dashed} fill="none"/>'


def _axes(longest: float) -> list[str]:
    found: list[str] = []
    for share in (0.0, 0.25, 0.5, 0.75, 1.0):
        y = _y(share)
        found.append(_path(f"M{LEFT:.1f} {y:.1f}H{WIDTH - RIGHT:.1f}", INK if share == 0 else PALE, 0.8))
        found.append(_text(LEFT - 6, y + TEXT / 3, f"{round(100 * share)} %", "end"))
    step = _step(longest)
    tick = 0.0
    while tick <= longest * 1.0001:
        x = _x(tick, longest)
        found.append(_path(f"M{x:.1f} {_y(0.0):.1f}v4", INK, 0.8))
        found.append(_text(x, HEIGHT - BOTTOM + 17, f"{tick:g}", "middle"))
        tick += step
    found.append(_text((LEFT + WIDTH - RIGHT) / 2, HEIGHT - 5, "minutes of work", "middle"))
    return found


def _step(longest: float) -> float:
    """Minutes between ticks, so that at most eight stand there."""
    for step in (1.0, 2.0, 5.0, 10.0, 15.0, 30.0, 60.0, 120.0, 240.0, 480.0, 1440.0):
        if longest / step <= 8:
            return step
    return longest / 8


def _repairs(points: Sequence[OddsPoint], longest: float) -> list[str]:
    """A mark where something was mended."""
    places = [_x(point.minutes, longest) for point in points if point.mended]
    return [
        _path(f"M{x:.1f} {TOP:.1f}V{_y(0.0):.1f}", GREY, 0.8, "1 2")
        + f'<path d="M{x - 3.5:.1f} {TOP - 8:.1f}h7l-3.5 7z" fill="{GREY}"/>'
        for x in places
    ]


def _line(points: Sequence[OddsPoint], at: int, longest: float) -> str:
    first = points[0]
    way = [f"M{_x(first.minutes, longest):.1f} {_y(first.odds[at]):.1f}"]
    way.extend(f"H{_x(point.minutes, longest):.1f}V{_y(point.odds[at]):.1f}" for point in points[1:])
    return _path("".join(way), COLOURS[at % len(COLOURS)], 1.8, DASHES[at % len(DASHES)])


def _labels(story: OddsStory) -> list[str]:
    """Names at the right ends of their lines, moved apart where lines end together."""
    ends = story.points[-1].odds
    gap = TEXT + 2
    order = sorted(range(len(story.names)), key=lambda at: -ends[at])
    heights = [_y(ends[at]) for at in order]
    for place in range(1, len(heights)):
        heights[place] = max(heights[place], heights[place - 1] + gap)
    over = heights[-1] - _y(0.0)
    if over > 0:
        heights[-1] -= over
        for place in range(len(heights) - 2, -1, -1):
            heights[place] = min(heights[place], heights[place + 1] - gap)
    return [_label(story.names[at], at, ends[at], y) for at, y in zip(order, heights, strict=True)]


def _label(name: str, at: int, odds: float, y: float) -> str:
    right = WIDTH - RIGHT
    short = name if len(name) <= LABEL_LETTERS else name[: LABEL_LETTERS - 1].rstrip() + "…"
    lead = f"M{right + 2:.1f} {_y(odds):.1f}L{right + 8:.1f} {y:.1f}h16"
    drawn = _path(lead, COLOURS[at % len(COLOURS)], 1.8, DASHES[at % len(DASHES)])
    return drawn + _text(right + 28, y + TEXT / 3, f"{short}, {percent_words(odds)}")
