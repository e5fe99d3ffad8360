"""halfsplit job close: close up the machine and the job."""

from __future__ import annotations

import argparse

from halfsplit.cli.arguments import Commands, job_command


def add(commands: Commands) -> None:
    """Adds the command."""
    parser = job_command(commands, "close", "close up and close the job with its cause", run)
    parser.add_argument(
        "cause", nargs="*",
        help='the cause: a suspect\'s number, place or repair, or "not found"; the one found when left out',
    )  # fmt: skip
    parser.add_argument("--note", default="", help="words for the record")


def run(arguments: argparse.Namespace) -> int:
    """Closes the job and shows its log."""
    from halfsplit.cli.at_desk import at_desk
    from halfsplit.cli.console import print_json
    from halfsplit.cli.showing import show_log
    from halfsplit.service.keeping import close_job

    with at_desk(arguments) as desk:
        found = close_job(desk, " ".join(arguments.cause), arguments.job, arguments.note)
    if arguments.json:
        print_json(found)
    else:
        show_log(found)
    return 0
