"""halfsplit unit in: take in what was noted of units elsewhere."""

from __future__ import annotations

import argparse

from halfsplit.cli.arguments import Commands, command


def add(commands: Commands) -> None:
    """Adds the command."""
    parser = command(
        commands, "in", "take in what was noted of units elsewhere", run,
        "Takes in a file that unit out wrote: a unit that is not known here is made whole, a known one carried on by "
        "what the file knows more. All of the file is taken in, or nothing.",
    )  # fmt: skip
    parser.add_argument("file", help="a file that unit out wrote")


def run(arguments: argparse.Namespace) -> int:
    """Takes the file in."""
    from pathlib import Path

    from halfsplit.cli.at_desk import at_desk
    from halfsplit.cli.console import print_json, say
    from halfsplit.service.units_moved import units_in

    with at_desk(arguments) as desk:
        found = units_in(desk, Path(arguments.file))
    if arguments.json:
        print_json(found)
        return 0
    for one in found.units:
        if not one.added:
            say(f"Unit {one.unit}: nothing is new.")
        else:
            known = "was here already; " if one.added < one.entries else ""
            say(f"Unit {one.unit}: {known}{one.added} {'entry is' if one.added == 1 else 'entries are'} new.")
    return 0
