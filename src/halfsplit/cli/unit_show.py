"""halfsplit unit show: a unit with its hours over time and its earlier jobs."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from typing import TYPE_CHECKING

from halfsplit.cli.arguments import Commands, command

if TYPE_CHECKING:
    from halfsplit.service.unit_history import EarlierLine, UnitHistory
    from halfsplit.service.units import UnitShown


#: Earlier jobs shown when one is opened; a screen holds about so many (invented limit).
MOST_EARLIER = 5


def add(commands: Commands) -> None:
    """Adds the command."""
    parser = command(
        commands, "show", "show a unit with its hours and its jobs", run,
        "Shows a unit: kind of machine, owner, hours by day, and each job with its cause, its work and how long the "
        "repair has held.",
    )  # fmt: skip
    parser.add_argument("serial", help="the unit's serial number")


def run(arguments: argparse.Namespace) -> int:
    """Shows the unit."""
    from halfsplit.cli.at_desk import at_desk
    from halfsplit.cli.console import print_json
    from halfsplit.service.units import show_unit

    with at_desk(arguments) as desk:
        found = show_unit(desk, arguments.serial)
    if arguments.json:
        print_json(found)
    else:
        show(found)
    return 0


def show(found: UnitShown) -> None:
    """A unit on a terminal."""
    from halfsplit.cli.console import rule, say

    rule(f"Unit {found.unit}", _meter(found.hours, found.read_on))
    say(f"{found.machine or 'kind of machine not noted'}{f', {found.owner}' if found.owner else ''}")
    if found.near:
        say(found.near, "yellow")
    if found.readings:
        say()
        rule("Hours")
        for one in found.readings:
            more = ", new meter" if one.changed else f", {one.run:g} h more" if one.run is not None else ""
            say(f"{one.hours:g} h{more}", first=f"{one.on}  ")
    if found.notes:
        say()
        rule("Notes")
        for note in found.notes:
            who = f" [{note.by}]" if note.by else ""
            back = " (taken back)" if note.undone else ""
            say(f"{note.words}{back}{who}", "dim" if note.undone else "", first=f"{note.number:>3}  ")
    say()
    if not found.jobs:
        say("No jobs yet.")
        return
    rule("Jobs")
    show_jobs(found.jobs)


def show_history(found: UnitHistory) -> None:
    """What is known of a unit when a job is opened on it; ends with an empty line when anything was said."""
    from halfsplit.cli.console import rule, say

    if found.near:
        say(found.near, "yellow")
        say()
    if found.earlier:
        rule(f"Unit {found.unit}, earlier jobs", _meter(found.hours, found.read_on))
        show_jobs(found.earlier[:MOST_EARLIER])
        more = len(found.earlier) - MOST_EARLIER
        if more > 0:
            say(f"{more} earlier {'job' if more == 1 else 'jobs'}: halfsplit unit show \"{found.unit}\"", "dim")
        say()
    if found.recent:
        for one in found.recent:
            say(one, first="Worked on lately: ", hang=2)
        say(found.window, "dim", hang=2)
        say()
    if found.still_open:
        say(found.still_open, "yellow", hang=2)
        say()
    if found.may_be:
        say(found.may_be, "yellow", first="Back again? ", hang=2)
        say()


def show_jobs(jobs: Sequence[EarlierLine]) -> None:
    """Jobs of a unit: when, what was complained of, and what became of it."""
    from halfsplit.cli.console import say
    from halfsplit.service.unit_history import ago_words, held_words

    for one in jobs:
        hours = f" at {one.hours:g} h" if one.hours is not None else ""
        ago = ago_words(one.days_ago, one.hours_ago)
        state = f"closed {ago}" if one.state == "closed" else "still open"
        say(f"{one.opened}{hours}, {state}", first=f"{one.job}: ", hang=4)
        say("; ".join(one.complaint), first="  ", hang=4)
        words = []
        if one.state == "closed":
            words.append("Cause not found" if one.cause in ("", "not found") else f"Cause: {one.cause}")
        words.append(f"Done: {'; '.join(one.work)}" if one.work else "No repair")
        if one.held_days is not None:
            held = held_words(one.held_days, one.held_hours)
            words.append(f"Held {held}, then job {one.back_in}" if one.back_in else f"Has held {held}")
        say(". ".join(words) + ".", first="  ", hang=4)


def _meter(hours: float | None, read_on: str) -> str:
    return f"{hours:g} h on {read_on}" if hours is not None else ""
