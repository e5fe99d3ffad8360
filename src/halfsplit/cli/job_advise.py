"""halfsplit job advise: write down advice for the owner."""

from __future__ import annotations

import argparse

from halfsplit.cli.arguments import Commands, job_command


def add(commands: Commands) -> None:
    """Adds the command."""
    parser = job_command(commands, "advise", "write down advice for the owner and the next inspection", run)
    parser.add_argument("text", nargs="+", help="the advice")
    parser.add_argument(
        "--inspect-by", default="", metavar="WHEN",
        help='when the machine should be looked at again, like "250 h" or "before winter"',
    )  # fmt: skip


def run(arguments: argparse.Namespace) -> int:
    """Writes the advice down."""
    from halfsplit.cli.at_desk import at_desk
    from halfsplit.cli.showing import show_noted
    from halfsplit.service.paperwork import advise

    with at_desk(arguments) as desk:
        found = advise(desk, " ".join(arguments.text), arguments.job, arguments.inspect_by)
    show_noted(found, as_json=arguments.json)
    return 0
