"""halfsplit job travel: write down a drive."""

from __future__ import annotations

import argparse

from halfsplit.cli.arguments import Commands, job_command


def add(commands: Commands) -> None:
    """Adds the command."""
    parser = job_command(commands, "travel", "write down a drive for a job, open or closed", run)
    parser.add_argument("time", help='how long, with its unit: "35 min" or "1.5 h"')
    parser.add_argument("--distance", default="", metavar="FAR", help='how far, with its unit, like "42 km"')
    parser.add_argument("--note", default="", help="words for the record")


def run(arguments: argparse.Namespace) -> int:
    """Writes the drive down."""
    from halfsplit.cli.at_desk import at_desk
    from halfsplit.cli.showing import show_noted
    from halfsplit.service.paperwork import travel

    with at_desk(arguments) as desk:
        found = travel(desk, arguments.time, arguments.job, distance=arguments.distance, note=arguments.note)
    show_noted(found, as_json=arguments.json)
    return 0
