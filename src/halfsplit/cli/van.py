"""halfsplit van: what the van holds, shown, brought in and taken out as CSV."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from halfsplit.cli.arguments import Commands, command

if TYPE_CHECKING:
    from halfsplit.service.van import VanShown

#: Codes raised from this module, each with one sentence.
CODES: dict[str, str] = {
    "van-what": "The van's list is brought in from a file or taken out to one, and the file must be named.",
}


def add(commands: Commands) -> None:
    """Adds the command."""
    parser = command(
        commands, "van", "show what the van holds, or bring the list in from CSV or out to CSV", run,
        "Shows what the van holds. With in, replaces the list by that of a CSV file with the columns item, count, "
        "unit and note; the earlier list stays readable. With out, writes the list to a new CSV file. The load list "
        "of a job looks for its items by name; blanks and letter case do not count.",
    )  # fmt: skip
    parser.add_argument("what", nargs="?", choices=("in", "out"), help="in or out; the list is shown when left out")
    parser.add_argument("file", nargs="?", metavar="FILE", help="the CSV file (UTF-8)")
    parser.add_argument("--number", type=int, metavar="N", help="an earlier list by its number, to show or take out")
    parser.add_argument("--by", metavar="NAME", default="", help="who is counting, for the record")


def run(arguments: argparse.Namespace) -> int:
    """Shows, brings in or takes out."""
    from pathlib import Path

    from halfsplit.cli.at_desk import at_desk
    from halfsplit.cli.console import print_json, say
    from halfsplit.errors import UserError
    from halfsplit.service.van import show_van, van_in, van_out

    if (arguments.what is None) != (arguments.file is None) or (
        arguments.what == "in" and arguments.number is not None
    ):
        raise UserError(
            "van-what",
            "--number belongs to showing and out." if arguments.file else "No file is named.",
            "Say it like: halfsplit van in FILE.csv, halfsplit van out FILE.csv, or halfsplit van.",
        )
    with at_desk(arguments) as desk:
        if arguments.what == "in":
            taken = van_in(desk, Path(arguments.file))
            said = (
                f"List {taken.number} of the van: {taken.items} items, of which {taken.new} are new and "
                f"{taken.changed} have another count; {taken.gone} of the list before are gone."
            )
            if arguments.json:
                print_json(taken)
            else:
                say(said)
        elif arguments.what == "out":
            written = van_out(desk, Path(arguments.file), arguments.number)
            if arguments.json:
                print_json(written)
            else:
                say(f"Wrote list {written.number} of the van with {written.items} items to {written.file}.")
        else:
            shown = show_van(desk, arguments.number)
            if arguments.json:
                print_json(shown)
            else:
                show(shown)
    return 0


def show(found: VanShown) -> None:
    """The list on a terminal."""
    from halfsplit.cli.console import rule, say

    if not found.number:
        say("Nothing is known of the van yet. Bring its list in: halfsplit van in FILE.csv (item,count,unit,note).")
        return
    by = f" by {found.by}" if found.by else ""
    earlier = f", not the latest ({found.latest})" if found.number != found.latest else ""
    rule(f"VAN, list {found.number}{earlier}", f"{found.when[:10]}{by}", "bold")
    for one in found.lines:
        note = f" ({one.note})" if one.note else ""
        say(f"{one.item}: {one.count:g} {one.unit}{note}", first="- ")
    if not found.lines:
        say("The van is empty.")
