"""halfsplit job list: the jobs in the store."""

from __future__ import annotations

import argparse

from halfsplit.cli.arguments import Commands, command


def add(commands: Commands) -> None:
    """Adds the command."""
    parser = command(commands, "list", "list the jobs", run)
    parser.add_argument("--open", action="store_true", help="open jobs only")


def run(arguments: argparse.Namespace) -> int:
    """Lists the jobs."""
    from halfsplit.cli.at_desk import at_desk
    from halfsplit.cli.console import print_json, say
    from halfsplit.service.keeping import list_jobs

    with at_desk(arguments) as desk:
        found = list_jobs(desk, everything=not arguments.open)
    if arguments.json:
        print_json(found)
        return 0
    for one in found.jobs:
        unit = f", unit {one.unit}" if one.unit else ""
        entries = "1 entry" if one.entries == 1 else f"{one.entries} entries"
        say(f"{one.job}  {one.state}, {one.machine}{unit}, opened {one.opened[:10]}, {entries}", hang=2)
    if not found.jobs:
        say("No jobs. Open one: halfsplit job open MACHINE, or halfsplit work MACHINE.")
    return 0
