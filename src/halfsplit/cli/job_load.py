"""halfsplit job load: what to load into the van before leaving."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from halfsplit.cli.arguments import Commands, job_command

if TYPE_CHECKING:
    from halfsplit.service.loading import FirstVisit, LoadLine, LoadList

TITLES = (("part", "Parts"), ("consumable", "Consumables"), ("tool", "Tools"))
#: Where the figures come from, in one sentence under the list.
MODEL = (
    "Odds of now, what each correction takes (its share from memory), its success at the first go, and the share of "
    "causes that a hunt finds; two things of one correction that stay behind cost no more than one."
)


def add(commands: Commands) -> None:
    """Adds the command."""
    parser = job_command(
        commands, "load", "list what to load before leaving, with the chance that each thing is needed", run,
        "Lists parts, consumables and tools for what may have to be corrected, each with the chance that it is "
        "needed and what leaving it behind costs in chance of finishing on the first visit, dearest first; and that "
        "chance with everything listed and with what the van holds now (see van).",
    )  # fmt: skip
    parser.add_argument("--most", type=int, default=24, metavar="N", help="how many things to print (%(default)s)")


def run(arguments: argparse.Namespace) -> int:
    """Prints the list."""
    from halfsplit.cli.at_desk import at_desk
    from halfsplit.cli.console import print_json
    from halfsplit.service.loading import job_load_list

    with at_desk(arguments) as desk:
        found = job_load_list(desk, arguments.job, max(1, arguments.most))
    if arguments.json:
        print_json(found)
    else:
        show(found)
    return 0


def show(found: LoadList) -> None:
    """The list on a terminal."""
    from halfsplit.cli.console import percent, rule, say
    from halfsplit.cli.showing import show_head

    show_head(found.head)
    say()
    visit = found.first_visit
    rule("LOAD LIST", f"{percent(visit.with_all)} to finish on the first visit", "bold green")
    _show_chances(visit, len(found.lines))
    shown = found.lines[: visit.first]
    for sort, title in TITLES:
        lines = [line for line in shown if line.sort == sort]
        if lines:
            say()
            rule(title, "needed / cost of leaving it", "bold")
        for line in lines:
            _show_line(line)
    say()
    for sort, title in TITLES:
        items = [one.item for one in found.every_job if one.sort == sort]
        if items:
            say("; ".join(items), first=f"{title} for every job: ")
    for instrument in found.instruments:
        say(
            f"{instrument.item}: checks are made with it where {percent(instrument.chance)} of the odds lie; without "
            "it the hunt takes longer and ends alike.",
            first="Instrument: ",
        )
    say(MODEL, "dim")
    if found.question is not None:
        say()
        say(found.question.words, "bold", first="Ask the customer: ")
        check = found.question.check
        say(f'Write the answer down and list again: halfsplit job found ANSWER --reported --check "{check}"', indent=2)


def _show_chances(visit: FirstVisit, count: int) -> None:
    from halfsplit.cli.console import percent, say

    if visit.first < count:
        say(f"With the {visit.first} things below {percent(visit.with_first)}, with all {count} (--json lists them) "
            f"{percent(visit.with_all)}, with none of them {percent(visit.with_none)}.")  # fmt: skip
    else:
        say(f"With all {count} things below {percent(visit.with_all)}, with none {percent(visit.with_none)}.")
    if visit.with_van is None:
        say("What the van holds is not known; bring its list in: halfsplit van in FILE.csv.")
    else:
        say(f"With what the van holds now {percent(visit.with_van)}.", "bold")
    known = f" ({percent(visit.if_known)} where it is not)" if visit.if_known is not None else ""
    say(
        f"{percent(visit.something_else)} is something else than the machine file knows, which no load finishes"
        f"{known}; in {percent(visit.nothing_wrong)} nothing is wrong.",
        "dim",
    )


def _show_line(line: LoadLine) -> None:
    from halfsplit.cli.console import percent, say

    amount = f", {line.amount}" if line.amount else ""
    van = {None: "", True: "", False: " NOT IN THE VAN"}[line.in_van]
    held = f" (van: {line.van})" if line.van else ""
    say(
        f"{line.item}{amount}: {percent(line.chance)} / {percent(line.cost)}{held}{van}",
        "yellow" if line.in_van is False else "",
        first="- ",
    )
    reasons = ", ".join(f"{one.repair} {percent(one.chance)}" for one in line.reasons)
    more = f" and {line.more_reasons} more" if line.more_reasons else ""
    say(f"{reasons}{more}; {line.source}", "dim", indent=2)
