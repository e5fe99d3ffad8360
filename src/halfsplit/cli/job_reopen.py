"""halfsplit job reopen: a closed job goes on."""

from __future__ import annotations

import argparse

from halfsplit.cli.arguments import Commands, command


def add(commands: Commands) -> None:
    """Adds the command."""
    parser = command(
        commands, "reopen", "open a closed job again, because the fault came back", run,
        "Opens a closed job again. If it has a repair, the complaint counts as seen again after it, which moves the "
        "odds back to where they belong; --seen says what failed if it was not all of it, --by-mistake that the job "
        "was only closed too soon.",
    )  # fmt: skip
    parser.add_argument("job", help="the job's id")
    parser.add_argument(
        "--seen", action="append", default=[], metavar="SENTENCE",
        help='what failed again, like "horn dead in horn-pressed"; the complaint when left out',
    )  # fmt: skip
    parser.add_argument("--reported", action="store_true", help="an operator saw it come back, not a technician")
    parser.add_argument("--by-mistake", action="store_true", help="it was closed by mistake; nothing was seen again")
    parser.add_argument("--reason", default="", help="why, for the record")
    parser.add_argument("--by", metavar="NAME", default="", help="who is working, for the record")


def run(arguments: argparse.Namespace) -> int:
    """Reopens the job and shows the next step."""
    from halfsplit.cli.at_desk import at_desk
    from halfsplit.cli.console import print_json, say
    from halfsplit.cli.showing import show_next
    from halfsplit.service.keeping import reopen

    with at_desk(arguments) as desk:
        found = reopen(
            desk, arguments.job, arguments.reason, seen=arguments.seen, reported=arguments.reported,
            by_mistake=arguments.by_mistake,
        )  # fmt: skip
    if arguments.json:
        print_json(found)
    else:
        for text in found.seen_again:
            say(text, "cyan", first="Seen again: ", hang=4)
        if found.seen_again:
            say()
        show_next(found)
    return 0
