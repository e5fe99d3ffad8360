"""halfsplit job in: take a job in from a file."""

from __future__ import annotations

import argparse

from halfsplit.cli.arguments import Commands, command


def add(commands: Commands) -> None:
    """Adds the command."""
    parser = command(commands, "in", "take a job in from a file", run)
    parser.add_argument("file", help="a file that job out wrote")


def run(arguments: argparse.Namespace) -> int:
    """Takes the file in."""
    from pathlib import Path

    from halfsplit.cli.at_desk import at_desk
    from halfsplit.cli.console import print_json, say
    from halfsplit.service.keeping import job_in

    with at_desk(arguments) as desk:
        found = job_in(desk, Path(arguments.file))
    if arguments.json:
        print_json(found)
    elif found.created:
        say(f"Took in job {found.job} with {found.entries} entries.")
    else:
        say(
            f"Job {found.job} was here already; {found.added} entries are new."
            if found.added
            else f"Job {found.job} was here already; nothing is new."
        )
    return 0
