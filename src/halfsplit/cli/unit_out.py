"""halfsplit unit out: write what was noted of units to one file."""

from __future__ import annotations

import argparse

from halfsplit.cli.arguments import Commands, command


def add(commands: Commands) -> None:
    """Adds the command."""
    parser = command(
        commands, "out", "write what was noted of units to one file", run,
        "Writes what was noted of units (kind of machine, owner, meter readings, words) to one new file, to send or to "
        "keep; unit in takes it in elsewhere. Jobs go by themselves, with job out.",
    )  # fmt: skip
    parser.add_argument("file", help="the new file, like fleet.halfsplit-units")
    parser.add_argument("serial", nargs="*", help="serial numbers of the units; all when left out")


def run(arguments: argparse.Namespace) -> int:
    """Writes the file."""
    from pathlib import Path

    from halfsplit.cli.at_desk import at_desk
    from halfsplit.cli.console import print_json, say
    from halfsplit.service.units_moved import units_out

    with at_desk(arguments) as desk:
        found = units_out(desk, Path(arguments.file), arguments.serial)
    if arguments.json:
        print_json(found)
        return 0
    count = sum(one.entries for one in found.units)
    units = f"unit {found.units[0].unit}" if len(found.units) == 1 else f"{len(found.units)} units"
    say(f"Wrote {units} with {count} {'entry' if count == 1 else 'entries'} to {found.file}.")
    return 0
