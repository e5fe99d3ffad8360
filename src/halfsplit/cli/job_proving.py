"""halfsplit job proving: how sure a repair is, how long to run before it is trusted, and what was run."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from halfsplit.cli.arguments import Commands, job_command

if TYPE_CHECKING:
    from halfsplit.service.proving import Proof


def add(commands: Commands) -> None:
    """Adds the command."""
    parser = job_command(
        commands, "proving", "say how sure a repair is and how long to run it", run,
        "Says how sure it is that the repair hit the cause, what run reaches 90, 95 and 99 %, where running ends, "
        "and which readings to repeat. State once how often the fault showed (--events and --over), then write "
        "down each run (--ran); a fault that came back (--came-back) goes on as evidence and opens a closed job "
        "again.",
    )  # fmt: skip
    stated = parser.add_argument_group("history of the fault before the repair")
    stated.add_argument(
        "--events", type=int, metavar="N", help="how many times it failed; a burst counts once, the first one too"
    )
    stated.add_argument(
        "--over", default="", metavar="AMOUNT",
        help='working time or tries since it was first seen: "40 h", "25 starts", "10 cycles", "3 wet-downs"',
    )  # fmt: skip
    stated.add_argument(
        "--from-good", action="store_true", help="--over counts from when it was known to be good instead"
    )
    stated.add_argument(
        "--condition", default="", metavar="WORD",
        help="what brings it out, like rain or rough-ground, when --over counts only that",
    )  # fmt: skip
    ran = parser.add_argument_group("a run after the repair")
    ran.add_argument("--ran", default="", metavar="AMOUNT", help="how much was run, like --over")
    ran.add_argument("--came-back", action="store_true", help="the fault showed at the end of that run")
    ran.add_argument(
        "--seen", action="append", default=[], metavar="SENTENCE",
        help='what failed then, like "horn dead in horn-pressed"; the complaint when left out',
    )  # fmt: skip
    ran.add_argument("--reported", action="store_true", help="an operator saw it come back, not a technician")
    ran.add_argument(
        "--without-condition", action="store_true", help="the condition that brings it out did not hold"
    )
    ran.add_argument("--minutes", default="", metavar="TIME", help="minutes somebody worked for the run")
    ran.add_argument("--note", default="", metavar="WORDS", help="words for the record")
    assumed = parser.add_argument_group("figures of your own in place of the odds', for this answer only")
    assumed.add_argument("--hit", metavar="SHARE", help='chance that the repair hit the cause, like "80 %%"')
    assumed.add_argument(
        "--hidden", metavar="SHARE", help='chance that a cause it missed was hidden by what was opened, like "10 %%"'
    )


def run(arguments: argparse.Namespace) -> int:
    """States, records and shows."""
    from halfsplit.cli.at_desk import at_desk
    from halfsplit.cli.console import print_json
    from halfsplit.quantities import duration_min, share
    from halfsplit.service import proving

    _check_together(arguments)
    hit = share(arguments.hit) if arguments.hit else None
    hidden = share(arguments.hidden) if arguments.hidden else None
    spent = duration_min(arguments.minutes) if arguments.minutes else 0.0
    with at_desk(arguments) as desk:
        job = desk.job(arguments.job).id
        if arguments.over:
            proving.state_history(
                desk, arguments.events, arguments.over, job, from_good=arguments.from_good,
                condition=arguments.condition,
            )  # fmt: skip
        if arguments.ran:
            proving.record_run(
                desk, arguments.ran, job, came_back=arguments.came_back, seen=arguments.seen,
                in_condition=not arguments.without_condition, reported=arguments.reported, minutes=spent,
                note=arguments.note,
            )  # fmt: skip
        found = proving.proof(desk, job, hit=hit, hidden=hidden)
    if arguments.json:
        print_json(found)
    else:
        show(found)
    return 0


def _check_together(arguments: argparse.Namespace) -> None:
    """Refuses half of a history or of a run, all at once, before anything is written down."""
    from halfsplit.errors import Problem, ProblemsError

    wrong = []
    if (arguments.events is None) != (not arguments.over):
        wrong.append("--events and --over belong together: how many times it failed, and over how much running.")
    if (arguments.from_good or arguments.condition) and not arguments.over:
        wrong.append("--from-good and --condition say more about --events and --over.")
    of_run = ("came_back", "seen", "reported", "without_condition", "minutes", "note")
    if any(getattr(arguments, name) for name in of_run) and not arguments.ran:
        wrong.append("How a run went needs the run itself: --ran with the amount.")
    if arguments.ran and (arguments.seen or arguments.reported) and not arguments.came_back:
        wrong.append("--seen and --reported are said of a fault that came back: --came-back.")
    if wrong:
        raise ProblemsError(Problem("proof-nothing", None, None, text) for text in wrong)


def show(found: Proof) -> None:
    """The proof on a terminal."""
    from halfsplit.cli.console import percent, rule, say
    from halfsplit.cli.showing import show_head

    show_head(found.head)
    say()
    now = "" if found.confidence is None else f"{percent(found.confidence)} sure"
    rule("PROVING", now, "bold green")
    say(", ".join(found.repairs) or "none recorded", first="Repair: ")
    if found.hit is not None and not found.returned:
        hidden = found.hidden or 0.0
        say(
            f"It hit the cause in {percent(found.hit)} of such cases; where it missed, what was opened hides the "
            f"cause in {percent(hidden)}.",
            "dim",
        )
    if found.history:
        say(found.history, first="History: ")
    for text in found.runs:
        say(text, first="Run: ")
    if found.goals:
        say("Quiet running still needed", "bold")
        for goal in found.goals:
            say(goal.words, first=f"  {percent(goal.confidence)} sure: ")
        if found.ceiling is not None:
            say(percent(found.ceiling), first="  running ends at: ")
    for text in found.advice:
        say(text, "yellow" if found.returned else "")
    if found.provoke and not found.returned:
        say("Bring it out on purpose", "bold")
        for way in found.provoke:
            say(way.caution, "bold yellow", first="! ")
            say(f"{way.how} Counted in {way.measure}.", first=f"- {way.condition}: ", hang=2)
    _show_points(found)


def _show_points(found: Proof) -> None:
    from halfsplit.cli.console import say

    if found.try_again or found.read_again:
        say("Try and read again at the same points", "bold")
    for one in found.try_again:
        say(f"{one.subject}: {one.before} before, {f'{one.after} now' if one.after else 'to be tried'}", first="- ")
    for line in found.read_again:
        wrong = " (wrong)" if line.was_wrong else ""
        should = f", should be {line.expected}" if line.expected else ""
        after = f"now {line.after}: {line.mark}" if line.after else line.mark
        say(f"{line.subject}: {line.before} before{wrong}{should}; {after}", first="- ")
