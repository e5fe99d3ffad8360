"""A report as headed sections of a few kinds of block, so that paper and screen show the same words.

The texts in the blocks are plain: whoever prints them escapes them for the format at hand.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

from halfsplit.quantities import in_100
from halfsplit.reports.bill import Prices
from halfsplit.reports.content import (
    AttachmentLine,
    CheckLine,
    FunctionLine,
    Report,
    WorkLine,
)
from halfsplit.reports.figures import in_words, odds_figure, percent_words

BlockKind = Literal["lines", "cautions", "facts", "table", "figure", "pictures", "signatures"]

#: Words for the verdicts of a check.
VERDICTS = {"pass": "pass", "fail": "not right", "": ""}
#: A share of "something else" below this is not worth a line; no source.
LEAST_SHARE = 0.01
CONDITION_WORDS = {
    "rain": "rain", "wash": "washed", "salt": "salt", "frost": "frost", "heat": "heat",
    "rough-ground": "rough ground", "transport": "transport", "standing": "stood unused",
    "recent-work": "recent work", "dust": "dust",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Picture:
    """A picture to be shown: the SHA-256 of its content, its media type, what stands under it."""

    sha256: str
    media: str
    caption: str


@dataclass(frozen=True, slots=True)
class Row:
    """One row of a table; ``mark`` "bad" is printed so that it is found without reading, "total" as a sum."""

    cells: tuple[str, ...]
    mark: str = ""


@dataclass(frozen=True, slots=True)
class Block:
    """One block. Which fields count depends on ``kind``.

    ``lines`` for lines and cautions; ``rows`` for facts (two cells each) and tables; ``columns`` the headings,
    ``shares`` their widths, ``right`` which stand at the right; ``svg`` and ``alt`` for a figure; ``pictures``
    for pictures and signatures, where a row is a role and a name.
    """

    kind: BlockKind
    lines: tuple[str, ...] = ()
    rows: tuple[Row, ...] = ()
    columns: tuple[str, ...] = ()
    shares: tuple[int, ...] = ()
    right: tuple[int, ...] = ()
    svg: str = ""
    alt: str = ""
    pictures: tuple[Picture, ...] = ()


@dataclass(frozen=True, slots=True)
class Section:
    """A heading and what stands under it."""

    title: str
    blocks: tuple[Block, ...]


@dataclass(frozen=True, slots=True)
class Page:
    """A whole report ready to be printed."""

    title: str
    shop: str
    subtitle: str
    banner: str
    footer: str
    sections: tuple[Section, ...]


def page(report: Report) -> Page:
    """A report as a page."""
    for_customer = report.face == "customer"
    title = "Service report" if for_customer else "Service report for the next technician"
    banner = (
        "Practice job on a simulated machine. No real machine was worked on."
        if report.practice
        else "This machine is invented; it stands for no real one." if report.invented else ""
    )
    sections = _customer(report) if for_customer else _technician(report)
    return Page(
        title=title,
        shop=report.shop,
        subtitle=f"Job {report.job}",
        banner=banner,
        footer=f"Job {report.job}, {report.machine_name}",
        sections=tuple(one for one in sections if one.blocks),
    )


def _customer(report: Report) -> Iterator[Section]:
    yield Section("Machine and job", (_facts(report),))
    yield Section("Complaint", _complaint(report))
    yield Section("Cause", (Block("lines", lines=_cause(report)),))
    yield Section("Correction", _correction(report, with_minutes=False))
    yield Section("Tried afterwards", _functions(report.functions))
    yield from _proving(report)
    yield Section("What stays to be watched", _cautions(report))
    yield Section("Advice and next inspection", _advice(report))
    yield Section("Time and price", _time(report))
    yield Section("Signatures", (_signatures(report),))
    yield Section("Pictures", _pictures(report))


def _technician(report: Report) -> Iterator[Section]:
    yield Section("Machine and job", (_facts(report),))
    yield Section("What stays to be watched", _cautions(report))
    if report.place_cautions:
        yield Section("Cautions at the place of the cause", (Block("cautions", lines=report.place_cautions),))
    yield Section("Complaint", _complaint(report))
    yield Section("Earlier jobs of the unit", _earlier(report))
    yield Section("Cause", (Block("lines", lines=_cause(report)),))
    yield Section("Correction", _correction(report, with_minutes=True))
    yield Section("Tried afterwards", _functions(report.functions))
    yield from _proving(report)
    yield Section("Checks, in the order in which they were made", _checks(report.checks))
    yield Section("How the odds narrowed", _odds(report))
    yield Section("Not excluded at the end", _suspects(report))
    yield Section("Advice and next inspection", _advice(report))
    yield Section("Notes", (Block("lines", lines=report.notes),) if report.notes else ())
    yield Section("Time, travel, material and price", _time(report))
    yield Section("Attachments", _attachments(report.attachments))
    yield Section("Pictures", _pictures(report))
    yield Section("Signatures", (_signatures(report),))
    yield Section("Every entry", _log(report))


def minutes_words(minutes: float) -> str:
    """Minutes for a person: "4.5 min", "52 min", "1 h 05 min"."""
    if minutes < 10:
        return f"{minutes:.1f}".removesuffix(".0") + " min"
    whole = round(minutes)
    return f"{whole} min" if whole < 60 else f"{whole // 60} h {whole % 60:02d} min"


def time_words(when: str) -> str:
    """A time as events keep it, for a person: "2031-04-02 07:15 UTC"; "" stays ""."""
    return f"{when[:10]} {when[11:16]} UTC" if when else ""


def size_words(size_bytes: int) -> str:
    """A file size for a person, in powers of ten as IEC 80000-13 has kB and MB."""
    return f"{size_bytes / 1e6:.1f} MB" if size_bytes >= 1_000_000 else f"{max(size_bytes / 1e3, 0.1):.1f} kB"


def _facts(report: Report) -> Block:
    maker = f", {report.maker}" if report.maker else ""
    spans = f"{time_words(report.opened)} to {time_words(report.closed)}" if report.closed else (
        f"{time_words(report.opened)}, still open"
    )
    rows = [
        ("Machine", f"{report.machine_name}{maker}"),
        ("Unit", report.unit or "not stated"),
        *_unit_facts(report),
        ("Worked", spans),
        ("Technician", ", ".join(report.technicians) or "not stated"),
    ]
    return Block("facts", rows=tuple(Row(one) for one in rows))


def _unit_facts(report: Report) -> Iterator[tuple[str, str]]:
    """Owner and meter of the unit, and for the customer its earlier jobs in one line."""
    story = report.story
    if story.owner:
        yield "Owner", story.owner
    if story.hours is not None:
        yield "Meter", f"{story.hours:g} h, read on {story.read_on}"
    if story.earlier and report.face == "customer":
        last = story.earlier[0]
        count = "1 earlier job" if len(story.earlier) == 1 else f"{len(story.earlier)} earlier jobs, the last"
        yield "Before this", f"{count} on {last.opened}: {last.cause or last.complaint}"


def _earlier(report: Report) -> tuple[Block, ...]:
    """The unit's earlier jobs, for whoever comes next, and what of them counted in the odds."""
    story = report.story
    if not story.earlier:
        return ()
    rows = tuple(
        Row((
            one.job, one.opened, f"{one.hours:g} h" if one.hours is not None else "", one.complaint,
            one.cause or "still open", "; ".join(one.work), one.held,
        ))
        for one in story.earlier
    )  # fmt: skip
    table = Block(
        "table", rows=rows, columns=("Job", "Opened", "Meter", "Complaint", "Cause", "Done", "Held"),
        shares=(5, 4, 3, 6, 5, 5, 4), right=(2,),
    )  # fmt: skip
    return (table, Block("lines", lines=story.used)) if story.used else (table,)


def _complaint(report: Report) -> tuple[Block, ...]:
    lines = [f"“{report.reported.strip()}”"] if report.reported.strip() else []
    lines.extend(report.complaint)
    if report.conditions:
        words = [CONDITION_WORDS.get(one, one) for one in report.conditions]
        lines.append(f"Conditions: {', '.join(words)}.")
    if report.comes_and_goes:
        lines.append("It comes and goes.")
    return (Block("lines", lines=tuple(lines)),)


def _cause(report: Report) -> tuple[str, ...]:
    if not report.cause:
        left = [f"{one.text} ({in_100(one.odds)})" for one in report.suspects[:3]]
        word = "Not found." if report.state == "closed" else "Not concluded yet."
        return (word, *((f"Likeliest so far: {'; '.join(left)}.",) if left else ()))
    sure = ""
    if report.cause_odds is not None and report.face == "technician":
        sure = f" Odds when the job was closed: {in_100(report.cause_odds)}."
    place = f"Place: {report.place}." if report.place else ""
    return tuple(line for line in (f"{report.cause}.{sure}", place) if line)


def _correction(report: Report, *, with_minutes: bool) -> tuple[Block, ...]:
    lines = []
    for one in report.correction:
        spent = f", {minutes_words(one.minutes)}" if with_minutes and one.minutes else ""
        who = f", {one.by}" if with_minutes and one.by else ""
        lines.append(f"{one.words} ({time_words(one.when)}{who}{spent})")
    return (Block("lines", lines=tuple(lines) or ("Nothing was mended.",)),)


def _functions(functions: tuple[FunctionLine, ...]) -> tuple[Block, ...]:
    if not functions:
        return ()
    rows = tuple(
        Row(
            (one.function, one.state, one.expected or "not stated", one.reported, one.last or "not tried"),
            "" if one.good or not one.last else "bad",
        )
        for one in functions
    )
    return (
        Block("table", rows=rows, columns=("Function", "Machine set to", "As it should be", "Reported", "Last seen"),
              shares=(3, 3, 2, 2, 2)),
    )  # fmt: skip


def _proving(report: Report) -> Iterator[Section]:
    if report.proving is not None:
        yield Section("Proof of the repair", (Block("lines", lines=report.proving.words),))


def _cautions(report: Report) -> tuple[Block, ...]:
    return (Block("cautions", lines=report.cautions),) if report.cautions else ()


def _advice(report: Report) -> tuple[Block, ...]:
    lines = []
    for one in report.advice:
        due = f" Next inspection: {one.next_inspection}." if one.next_inspection else ""
        text = one.text.strip()
        lines.append(f"{text}{'' if not text or text.endswith(('.', '!', '?')) else '.'}{due}".strip())
    return (Block("lines", lines=tuple(lines)),) if lines else ()


def _checks(checks: tuple[CheckLine, ...]) -> tuple[Block, ...]:
    if not checks:
        return ()
    rows = tuple(
        Row(
            (
                str(one.entry), one.subject, _whole_figures(one.expected),
                _whole_figures(f"{one.found}{_SHOWING.get(one.showing, '')}"), VERDICTS[one.verdict],
                minutes_words(one.minutes) if one.minutes else "",
            ),
            "bad" if one.verdict == "fail" else "",
        )
        for one in checks
    )  # fmt: skip
    return (
        Block("table", rows=rows, columns=("Entry", "Check", "Expected of a sound machine", "Found", "Result", "Time"),
              shares=(2, 10, 7, 5, 3, 3), right=(0, 5)),
    )  # fmt: skip


def _whole_figures(text: str) -> str:
    """``text`` in which no number stands on another line than its unit."""
    return _FIGURE.sub("\u00a0", text)


#: The blank between a number and a unit of readings.
_FIGURE = re.compile(r"(?<=\d) (?=(?:[mk]?V|m?A|[mkM]?ohm|%|h|min)\b|%)")
_SHOWING = {"yes": ", fault showing", "no": ", fault away"}


def _odds(report: Report) -> tuple[Block, ...]:
    svg = odds_figure(report.odds)
    if not svg:
        return ()
    mended = any(one.mended for one in report.odds.points)
    words = "Chance of each repair having been the cause, over the minutes worked." + (
        " A dotted line marks a repair." if mended else ""
    )
    return (Block("figure", svg=svg, alt=in_words(report.odds), lines=(words,)),)


def _suspects(report: Report) -> tuple[Block, ...]:
    rows = [Row((f"{percent_words(one.odds)}", one.repair, one.text)) for one in report.suspects]
    if report.something_else >= LEAST_SHARE:
        rows.append(Row((percent_words(report.something_else), "", "something that the machine file does not know of")))
    if not rows:
        return ()
    return (
        Block("table", rows=tuple(rows), columns=("Odds", "Repair", "Likeliest fault"), shares=(1, 4, 6), right=(0,)),
    )


def _time(report: Report) -> tuple[Block, ...]:
    blocks = []
    if report.face == "technician" or report.prices is None:
        blocks.append(_work(report.work, report.work_minutes))
    if report.travel:
        rows = tuple(
            Row((
                time_words(one.when), one.by, minutes_words(one.minutes),
                f"{one.distance_m / 1000:.0f} km" if one.distance_m is not None else "", one.note,
            ))
            for one in report.travel
        )  # fmt: skip
        blocks.append(Block("table", rows=rows, columns=("Travel", "By", "Time", "Distance", "Note"),
                            shares=(4, 3, 2, 2, 5), right=(2, 3)))  # fmt: skip
    if report.parts:
        rows = tuple(Row((one.text, one.number, f"{one.quantity:g}", one.unit_price)) for one in report.parts)
        blocks.append(Block("table", rows=rows, columns=("Material", "Number", "Quantity", "Price of one"),
                            shares=(6, 4, 2, 3), right=(2, 3)))  # fmt: skip
    if report.prices is not None:
        blocks.append(_bill(report.prices))
        if report.prices.left_out:
            blocks.append(Block("lines", lines=(f"Without a price: {', '.join(report.prices.left_out)}.",)))
    return tuple(blocks)


def _work(work: tuple[WorkLine, ...], total: float) -> Block:
    rows = [Row((f"{one.kind[0].upper()}{one.kind[1:]}", minutes_words(one.minutes))) for one in work]
    rows.append(Row(("Work in all", minutes_words(total)), "total"))
    return Block("table", rows=tuple(rows), columns=("Work", "Time"), shares=(6, 2), right=(1,))


def _bill(prices: Prices) -> Block:
    rows = [Row((one.text, one.quantity, one.unit_price, one.amount)) for one in prices.lines]
    if prices.tax:
        rows.append(Row(("Before tax", "", "", prices.net), "total"))
        rows.append(Row((prices.tax_name, "", "", prices.tax)))
        rows.append(Row(("To pay", "", "", prices.total), "total"))
    else:
        rows.append(Row(("To pay, no tax stated", "", "", prices.net), "total"))
    return Block("table", rows=tuple(rows), columns=("For", "Quantity", "Price of one", "Amount"),
                 shares=(6, 2, 3, 3), right=(1, 2, 3))  # fmt: skip


def _attachments(attachments: tuple[AttachmentLine, ...]) -> tuple[Block, ...]:
    if not attachments:
        return ()
    rows = tuple(
        Row((
            str(one.entry), one.name, one.caption or one.role.replace("-", " "),
            f"{size_words(one.size_bytes)}{'' if one.here else ', not at hand'}",
            f"{one.by or 'not stated'}, {time_words(one.when)}", one.sha256[:12],
        ))
        for one in attachments
    )  # fmt: skip
    return (
        Block("table", rows=rows, columns=("Entry", "File", "What", "Size", "By, when", "SHA-256"),
              shares=(2, 5, 5, 3, 5, 4), right=(0,)),
    )  # fmt: skip


def _pictures(report: Report) -> tuple[Block, ...]:
    shown = {
        one.sha256: Picture(one.sha256, one.media, one.caption or one.name)
        for one in report.attachments
        if one.role == "picture" and one.here and one.media in ("jpeg", "png")
    }
    return (Block("pictures", pictures=tuple(shown.values())),) if shown else ()


def _signatures(report: Report) -> Block:
    """Two lines to sign on, with the drawn signature above each where one is attached."""
    rows, pictures = [], []
    for role, words in (("technician-signature", "Technician"), ("customer-signature", "Customer")):
        drawn = [
            one
            for one in report.attachments
            if one.role == role and one.here and one.media in ("jpeg", "png")
        ]
        name = drawn[-1].caption if drawn else ", ".join(report.technicians) if role.startswith("tech") else ""
        rows.append(Row((words, name)))
        pictures.append(Picture(drawn[-1].sha256, drawn[-1].media, words) if drawn else Picture("", "", words))
    return Block("signatures", rows=tuple(rows), pictures=tuple(pictures))


def _log(report: Report) -> tuple[Block, ...]:
    if not report.log:
        return ()
    rows = tuple(
        Row((
            str(one.number), time_words(one.when), one.by,
            f"{one.words}{' (taken back)' if one.undone else ''}",
            minutes_words(one.minutes) if one.minutes else "",
        ))
        for one in report.log
    )  # fmt: skip
    return (
        Block("table", rows=rows, columns=("Entry", "When", "By", "What", "Time"), shares=(2, 5, 3, 15, 3),
              right=(0, 4)),
    )  # fmt: skip
