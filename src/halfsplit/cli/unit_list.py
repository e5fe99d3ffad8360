"""halfsplit unit list: the units in the store."""

from __future__ import annotations

import argparse

from halfsplit.cli.arguments import Commands, command


def add(commands: Commands) -> None:
    """Adds the command."""
    command(commands, "list", "list the units", run)


def run(arguments: argparse.Namespace) -> int:
    """Lists the units."""
    from halfsplit.cli.at_desk import at_desk
    from halfsplit.cli.console import print_json, say
    from halfsplit.service.units import list_units

    with at_desk(arguments) as desk:
        found = list_units(desk)
    if arguments.json:
        print_json(found)
        return 0
    for one in found.units:
        jobs = "1 job" if one.jobs == 1 else f"{one.jobs} jobs"
        words = [
            one.machine,
            one.owner,
            f"{one.hours:g} h on {one.read_on}" if one.hours is not None else "",
            f"{jobs}, {one.open_jobs} open" if one.open_jobs else jobs,
        ]
        say(", ".join(word for word in words if word), first=f"{one.unit}  ", hang=2)
    if not found.units:
        say("No units. Note one: halfsplit unit note SERIAL --machine MACHINE --hours TIME.")
    return 0
