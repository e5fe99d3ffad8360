"""halfsplit job found: write down what was found and show the next step."""

from __future__ import annotations

import argparse

from halfsplit.cli.arguments import Commands, job_command


def add(commands: Commands) -> None:
    """Adds the command."""
    parser = job_command(
        commands, "found", "write down what was found", run,
        'Writes down what was found: the answer to the check asked ("9.8 V", "dry", "lit", "can\'t reach", '
        '"mended"), or something unasked with its subject before a colon ("horn: sounds", "X12: green"). '
        'Say --reported for what somebody else saw and told. '
        'Add ", showing" or ", away" to say whether the fault was there at that moment, and ", 7 min" for '
        "the time.",
    )  # fmt: skip
    parser.add_argument("text", nargs="+", help="what was found, in words or as a reading with its unit")
    parser.add_argument(
        "--check", default="", metavar="ID", help="the check it answers, when it is not the one asked"
    )
    parser.add_argument(
        "--repair", default="", metavar="ID", help="the repair it speaks of: its id or its place"
    )
    parser.add_argument("--other", type=int, default=0, metavar="N", help="it answers the Nth runner-up")
    parser.add_argument(
        "--reported", action="store_true",
        help="somebody else saw it and told, on the phone or at the machine; it counts as an operator's word",
    )  # fmt: skip
    parser.add_argument(
        "--minutes", metavar="TIME", help='how long it took, like "7 min"; as planned when left out'
    )


def run(arguments: argparse.Namespace) -> int:
    """Records and shows the next step."""
    from halfsplit.cli.at_desk import at_desk
    from halfsplit.cli.console import print_json
    from halfsplit.cli.showing import show_next, show_recorded
    from halfsplit.quantities import duration_min
    from halfsplit.service.found import record

    spent = duration_min(arguments.minutes) if arguments.minutes else None
    with at_desk(arguments) as desk:
        found = record(
            desk, " ".join(arguments.text), arguments.job, check_id=arguments.check, repair=arguments.repair,
            other=max(0, arguments.other), minutes=spent, reported=arguments.reported,
        )  # fmt: skip
    if arguments.json:
        print_json(found)
    else:
        show_recorded(found)
        show_next(found.next)
    return 0
