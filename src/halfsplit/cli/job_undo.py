"""halfsplit job undo: take back the latest recording, or let it stand again."""

from __future__ import annotations

import argparse

from halfsplit.cli.arguments import Commands, job_command


def add(commands: Commands) -> None:
    """Adds the command."""
    parser = job_command(commands, "undo", "take back the latest recording; nothing is erased", run)
    parser.add_argument(
        "--entry", type=int, metavar="N", help="the entry of that number in the log, not the latest"
    )
    parser.add_argument("--restore", action="store_true", help="let what was taken back last stand again")


def run(arguments: argparse.Namespace) -> int:
    """Takes back or restores."""
    from halfsplit.cli.at_desk import at_desk
    from halfsplit.cli.console import print_json, say
    from halfsplit.cli.showing import show_next
    from halfsplit.service.keeping import restore, undo

    with at_desk(arguments) as desk:
        found = (
            restore(desk, arguments.job) if arguments.restore else undo(desk, arguments.job, arguments.entry)
        )
    if arguments.json:
        print_json(found)
    else:
        for text in found.words:
            say(text, "cyan")
        say()
        show_next(found.next)
    return 0
