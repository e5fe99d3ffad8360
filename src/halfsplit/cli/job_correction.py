"""halfsplit job correction: the sheet of a correction, or one that was done in part or failed."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from typing import TYPE_CHECKING

from halfsplit.cli.arguments import Commands, job_command

if TYPE_CHECKING:
    from halfsplit.service.correcting import CorrectionSheet, InspectLine

#: Things to inspect named one by one; the rest is counted. The JSON has all.
MOST_NAMED = 8


def add(commands: Commands) -> None:
    """Adds the command."""
    parser = job_command(
        commands, "correction", "print the correction sheet of a cause", run,
        "Prints what a correction takes: cautions first, then steps, parts, torque and limit values with their "
        "source, how the way in of water or the rubbing is closed, and what to inspect while it is open. With "
        "--went it writes down a correction that was done in part or could not be done.",
    )  # fmt: skip
    parser.add_argument(
        "suspect", nargs="*",
        help="a suspect's number, place or repair; the job's cause, else the likeliest, when left out",
    )  # fmt: skip
    parser.add_argument(
        "--went", default="", metavar="HOW", help="partly or failed: writes that down as evidence"
    )
    parser.add_argument("--why", default="", metavar="WORDS", help="what was missing, for the record")
    parser.add_argument("--minutes", default="", metavar="TIME", help='how long it took, like "7 min"')


def run(arguments: argparse.Namespace) -> int:
    """Prints the sheet, or records and shows the next step."""
    from halfsplit.cli.at_desk import at_desk
    from halfsplit.cli.console import print_json
    from halfsplit.cli.showing import show_next, show_recorded
    from halfsplit.errors import UserError
    from halfsplit.service.correcting import record_half, sheet

    suspect = " ".join(arguments.suspect)
    if (arguments.why or arguments.minutes) and not arguments.went:
        raise UserError("correction-went", "--why and --minutes belong to --went.", "Say --went partly or failed.")
    with at_desk(arguments) as desk:
        if arguments.went:
            found = record_half(
                desk, suspect, arguments.went, arguments.job, why=arguments.why, minutes=arguments.minutes
            )
            if arguments.json:
                print_json(found)
            else:
                show_recorded(found)
                show_next(found.next)
            return 0
        printed = sheet(desk, suspect, arguments.job)
    if arguments.json:
        print_json(printed)
    else:
        show(printed)
    return 0


def show(found: CorrectionSheet) -> None:
    """The sheet on a terminal."""
    from halfsplit.cli.console import minutes, percent, rule, say
    from halfsplit.cli.showing import show_head

    show_head(found.head)
    say()
    rule(f"CORRECTION: {found.repair}", minutes(found.minutes), "bold green")
    say(found.fault, "bold")
    say(found.where)
    say(f"{percent(found.odds)} that it is needed now; the work cures it in {percent(found.success)} of cases.", "dim")
    for caution in found.cautions:
        say(caution, "bold yellow", first="! ")
    for number, step in enumerate(found.steps, 1):
        say(step, first=f"{number}. ")
    for title, sort in (("Parts", "part"), ("Consumables", "consumable"), ("Tools", "tool")):
        items = [
            f"{one.item} ({one.amount})" if one.amount else one.item for one in found.materials if one.sort == sort
        ]
        if items:
            say("; ".join(items), first=f"{title}: ")
    if found.values:
        say("Values", "bold")
    for value in found.values:
        under = f" ({value.condition})" if value.condition else ""
        say(f"{value.item}: {value.words}{under}", first="- ")
        say(f"{value.source}; {value.status}", "dim", indent=2)
    if found.closing:
        say("So that it does not come back", "bold")
    for closing in found.closing:
        say(closing.text, first=f"- {closing.what}: ", hang=2)
    _show_inspect("Inspect while it is open", found.inspect_now)
    _show_inspect("The same elsewhere on the machine", found.inspect_later)


def _show_inspect(title: str, lines: Sequence[InspectLine]) -> None:
    from halfsplit.cli.console import say

    if not lines:
        return
    say(title, "bold")
    for one in lines[:MOST_NAMED]:
        say(f"{one.thing}, {one.zone}: {', '.join(one.why)}. Look for {one.look_for}.", first="- ")
    if len(lines) > MOST_NAMED:
        say(f"and {len(lines) - MOST_NAMED} more (--json lists all)", "dim", first="- ")
