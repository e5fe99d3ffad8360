"""halfsplit job log: every entry of a job."""

from __future__ import annotations

import argparse

from halfsplit.cli.arguments import Commands, job_command


def add(commands: Commands) -> None:
    """Adds the command."""
    job_command(commands, "log", "list every entry of a job, those taken back included", run)


def run(arguments: argparse.Namespace) -> int:
    """Lists the entries."""
    from halfsplit.cli.at_desk import at_desk
    from halfsplit.cli.console import print_json
    from halfsplit.cli.showing import show_log
    from halfsplit.service.keeping import log

    with at_desk(arguments) as desk:
        found = log(desk, arguments.job)
    if arguments.json:
        print_json(found)
    else:
        show_log(found)
    return 0
