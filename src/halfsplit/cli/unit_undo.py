"""halfsplit unit undo: take back what was noted of a unit."""

from __future__ import annotations

import argparse

from halfsplit.cli.arguments import Commands, command


def add(commands: Commands) -> None:
    """Adds the command."""
    parser = command(commands, "undo", "take back what was noted of a unit", run)
    parser.add_argument("serial", help="the unit's serial number")
    parser.add_argument(
        "entry", nargs="?", type=int, metavar="N", help="the number of the note; the latest when left out"
    )
    parser.add_argument("--reason", default="", metavar="WORDS", help="why, for the record")
    parser.add_argument("--by", metavar="NAME", default="", help="who is working, for the record")


def run(arguments: argparse.Namespace) -> int:
    """Takes it back and shows the unit."""
    from halfsplit.cli.at_desk import at_desk
    from halfsplit.cli.console import print_json
    from halfsplit.cli.unit_show import show
    from halfsplit.service.units import undo_unit

    with at_desk(arguments) as desk:
        found = undo_unit(desk, arguments.serial, arguments.entry, arguments.reason)
    if arguments.json:
        print_json(found)
    else:
        show(found)
    return 0
