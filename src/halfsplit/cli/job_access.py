"""halfsplit job access: note covers opened and closed outside of a check."""

from __future__ import annotations

import argparse

from halfsplit.cli.arguments import Commands, job_command


def add(commands: Commands) -> None:
    """Adds the command."""
    parser = job_command(commands, "access", "note something opened or closed outside of a check", run)
    parser.add_argument("what", choices=("open", "close"), help="whether it was opened or closed")
    parser.add_argument(
        "step", nargs="?", default="", help="the access step; with close, everything when left out"
    )


def run(arguments: argparse.Namespace) -> int:
    """Notes the access."""
    from halfsplit.cli.at_desk import at_desk
    from halfsplit.cli.console import print_json, say
    from halfsplit.service.keeping import close_access, open_access

    with at_desk(arguments) as desk:
        noted = open_access if arguments.what == "open" else close_access
        found = noted(desk, arguments.step, arguments.job)
    if arguments.json:
        print_json(found)
    else:
        for text in found.words or ("Nothing was open.",):
            say(text)
    return 0
