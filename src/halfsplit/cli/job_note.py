"""halfsplit job note: add words for the record."""

from __future__ import annotations

import argparse

from halfsplit.cli.arguments import Commands, job_command


def add(commands: Commands) -> None:
    """Adds the command."""
    parser = job_command(commands, "note", "add words for the record", run)
    parser.add_argument("text", nargs="+", help="the words")


def run(arguments: argparse.Namespace) -> int:
    """Adds the note."""
    from halfsplit.cli.at_desk import at_desk
    from halfsplit.cli.console import print_json
    from halfsplit.cli.showing import show_recorded
    from halfsplit.service.keeping import note

    with at_desk(arguments) as desk:
        found = note(desk, " ".join(arguments.text), arguments.job)
    if arguments.json:
        print_json(found)
    else:
        show_recorded(found)
    return 0
