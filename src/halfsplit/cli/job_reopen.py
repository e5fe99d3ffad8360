"""halfsplit job reopen: a closed job goes on."""

from __future__ import annotations

import argparse

from halfsplit.cli.arguments import Commands, command


def add(commands: Commands) -> None:
    """Adds the command."""
    parser = command(commands, "reopen", "open a closed job again", run)
    parser.add_argument("job", help="the job's id")
    parser.add_argument("--reason", default="", help="why, for the record")
    parser.add_argument("--by", metavar="NAME", default="", help="who is working, for the record")


def run(arguments: argparse.Namespace) -> int:
    """Reopens the job and shows the next step."""
    from halfsplit.cli.at_desk import at_desk
    from halfsplit.cli.console import print_json
    from halfsplit.cli.showing import show_next
    from halfsplit.service.keeping import reopen

    with at_desk(arguments) as desk:
        found = reopen(desk, arguments.job, arguments.reason)
    if arguments.json:
        print_json(found)
    else:
        show_next(found)
    return 0
