"""halfsplit job next: the next check or repair."""

from __future__ import annotations

import argparse

from halfsplit.cli.arguments import Commands, job_command


def add(commands: Commands) -> None:
    """Adds the command."""
    parser = job_command(commands, "next", "show the next check or repair, cautions first", run)
    parser.add_argument(
        "--other", type=int, default=0, metavar="N", help="the Nth runner-up instead of the best"
    )


def run(arguments: argparse.Namespace) -> int:
    """Shows the next step."""
    from halfsplit.cli.at_desk import at_desk
    from halfsplit.cli.console import print_json
    from halfsplit.cli.showing import show_next
    from halfsplit.service.working import next_step

    with at_desk(arguments) as desk:
        found = next_step(desk, arguments.job, max(0, arguments.other))
    if arguments.json:
        print_json(found)
    else:
        show_next(found)
    return 0
