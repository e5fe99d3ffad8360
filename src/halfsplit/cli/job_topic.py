"""halfsplit job topic: write a closed job as a topic for the shop's own manual."""

from __future__ import annotations

import argparse

from halfsplit.cli.arguments import Commands, command


def add(commands: Commands) -> None:
    """Adds the command."""
    parser = command(
        commands, "topic", "write a closed job as a DITA troubleshooting topic", run,
        "Writes a closed job as a troubleshooting topic of DITA 1.3: condition, cause, and remedy with its cautions. "
        "It names no customer, unit or technician.",
    )  # fmt: skip
    parser.add_argument("job", help="the job's id")
    parser.add_argument("--out", metavar="FILE", required=True, help="the file, usually ending in .dita")


def run(arguments: argparse.Namespace) -> int:
    """Writes the topic."""
    from pathlib import Path

    from halfsplit.cli.at_desk import at_desk
    from halfsplit.cli.console import print_json, say
    from halfsplit.service.reporting import write_topic

    with at_desk(arguments) as desk:
        found = write_topic(desk, Path(arguments.out), arguments.job)
    if arguments.json:
        print_json(found)
    else:
        say(f"Wrote job {found.job} as a troubleshooting topic to {found.file}.")
    return 0
