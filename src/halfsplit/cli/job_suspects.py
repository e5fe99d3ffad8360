"""halfsplit job suspects: what is suspected, with odds."""

from __future__ import annotations

import argparse

from halfsplit.cli.arguments import Commands, job_command


def add(commands: Commands) -> None:
    """Adds the command."""
    parser = job_command(commands, "suspects", "list what is suspected, with odds", run)
    parser.add_argument("--most", type=int, default=12, metavar="N", help="how many to list (%(default)s)")


def run(arguments: argparse.Namespace) -> int:
    """Lists the suspects."""
    from halfsplit.cli.at_desk import at_desk
    from halfsplit.cli.console import print_json
    from halfsplit.cli.showing import show_suspects
    from halfsplit.service.working import suspects

    with at_desk(arguments) as desk:
        found = suspects(desk, arguments.job, max(1, arguments.most))
    if arguments.json:
        print_json(found)
    else:
        show_suspects(found, max(1, arguments.most))
    return 0
