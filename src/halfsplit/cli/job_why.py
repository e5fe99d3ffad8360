"""halfsplit job why: what speaks for and against a suspect."""

from __future__ import annotations

import argparse

from halfsplit.cli.arguments import Commands, job_command


def add(commands: Commands) -> None:
    """Adds the command."""
    parser = job_command(commands, "why", "say what speaks for and against a suspect", run)
    parser.add_argument(
        "suspect",
        nargs="?",
        default="",
        help="its number in the list, its place or its repair; the first when left out",
    )


def run(arguments: argparse.Namespace) -> int:
    """Says why."""
    from halfsplit.cli.at_desk import at_desk
    from halfsplit.cli.console import print_json
    from halfsplit.cli.showing import show_why
    from halfsplit.service.working import why

    with at_desk(arguments) as desk:
        found = why(desk, arguments.suspect, arguments.job)
    if arguments.json:
        print_json(found)
    else:
        show_why(found)
    return 0
