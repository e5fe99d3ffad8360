"""Writes the tables of docs/machine-file.md anew, between their marks, from the tables the loader reads.

With --check it stops with 1 when the page is stale. The rest of the page is written by hand.
"""

from __future__ import annotations

import re
import sys
from collections.abc import Iterable

from generated_page import ROOT, write_or_check

PAGE = ROOT / "docs" / "machine-file.md"
MARK = re.compile(r"(<!-- table: ([a-z-]+) -->\n).*?(<!-- end -->)", re.DOTALL)


def table(heads: Iterable[str], rows: Iterable[Iterable[str]]) -> str:
    """A Markdown table; bars and brackets in cells are escaped."""
    heads = list(heads)
    lines = [f"| {' | '.join(heads)} |", f"|{' --- |' * len(heads)}"]
    for row in rows:
        cells = [" ".join(cell.split()).replace("|", "\\|") for cell in row]
        lines.append(f"| {' | '.join(cells)} |")
    return "\n".join(lines) + "\n"


def code(text: str) -> str:
    return f"`{text}`" if text else ""


def default_words(text: str) -> str:
    """A default of the tables in words."""
    if text.startswith(("system*", "level*")):
        of, factor = text.split("*")
        return f"{factor} x {'system voltage' if of == 'system' else 'pull-up or system voltage'}"
    if text.startswith("rated:"):
        return f"system voltage / {text.removeprefix('rated:')}"
    if text.startswith("rating:"):
        return f"{text.removeprefix('rating:')} V / rating"
    return text


def range_words(text: str) -> str:
    return text.replace("..", " to ").replace("|", ", ")


def parts() -> str:
    from halfsplit.machine.kinds import kinds

    made = []
    for kind in kinds().values():
        pins = " ".join(code(pin) for pin in kind.pins)
        meaning = kind.pins_meaning
        said = f"pins {pins} ({meaning})" if pins and meaning else f"pins {pins}" if pins else meaning
        made.append(f"**{kind.name}**: {said}.\n")
        rows = [
            (
                code(each.key),
                each.type,
                default_words(each.default),
                each.meaning,
                range_words(each.range_text) + (f" {each.unit}" if each.range_text[-1:].isdigit() else ""),
                each.source,
            )
            for each in kind.attributes.values()
        ]
        if rows:
            made.append(table(("attribute", "type", "if left out", "meaning", "range", "source"), rows))
    return "\n".join(made)


def controllers() -> str:
    from halfsplit.machine.reading_controllers import controller_table
    from halfsplit.quantities import QUANTITIES

    made = []
    blocks = dict.fromkeys(block for block, _ in controller_table())
    names = {"input": "inputs", "output": "outputs", "reference": "references", "code": "codes"}
    suffix = re.compile(r"_(?:ohm|a|v|s)$")
    for block in blocks:
        rows = [
            (
                code(suffix.sub("", attribute)),
                row["type"],
                default_words(row["default"]),
                row["meaning"],
                range_words(row["range"])
                + (f" {row['unit']}" if row["type"] in QUANTITIES and row["range"][-1].isdigit() else ""),
                row["source"],
            )
            for (of, attribute), row in controller_table().items()
            if of == block
        ]
        made.append(f"**{names.get(block, block)}**\n")
        made.append(table(("attribute", "type", "if left out", "meaning", "range", "source"), rows))
    return "\n".join(made)


def families() -> str:
    from halfsplit.machine import kinds
    from halfsplit.quantities import format_amps, format_length, format_ohm

    rows = [
        (
            code(family.id),
            format_length(family.contact_diameter_m),
            format_length(family.pitch_m),
            format_length(family.engaged_length_m),
            family.sealing,
            format_ohm(family.contact_resistance_ohm),
            format_amps(family.current_a),
            family.source,
        )
        for family in kinds.families().values()
    ]
    heads = ("family", "contact", "pitch", "length", "sealing", "resistance", "current", "source")
    return table(heads, rows)


def functions() -> str:
    from halfsplit.machine.reading_states import LEVELS, LOADS, OTHER_LEVELS, WORDS

    measures = {"controller": "alive", "relay": "pulled", "message": "message"}
    rows = []
    for kind, words in WORDS.items():
        full, weak = LEVELS.get(kind, OTHER_LEVELS)
        levels = (f"{full:.0%}", f"{weak:.0%}") if kind in LOADS else ("", "")
        rows.append((kind, measures.get(kind, "volts"), *levels, ", ".join(words)))
    return table(("watched", "measure", "full", "weak", "words"), rows)


def problems() -> str:
    from halfsplit.machine.problems import CODES

    rows = [(code(name), rule.title, rule.explanation, rule.fix) for name, rule in CODES.items()]
    return table(("code", "what", "why", "example of a fix"), rows)


TABLES = {
    "parts": parts,
    "controllers": controllers,
    "families": families,
    "functions": functions,
    "problems": problems,
}


def page() -> str:
    sys.path.insert(0, str(ROOT / "src"))
    text = PAGE.read_text("utf-8")
    named = MARK.findall(text)
    if sorted(name for _, name, _ in named) != sorted(TABLES):
        sys.exit(f"{PAGE.name} must hold each of these marks once: {', '.join(TABLES)}.")
    return MARK.sub(lambda match: f"{match[1]}\n{TABLES[match[2]]()}\n{match[3]}", text)


def main() -> int:
    return write_or_check(PAGE, page(), f"{len(TABLES)} tables")


if __name__ == "__main__":
    raise SystemExit(main())
