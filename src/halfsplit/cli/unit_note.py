"""halfsplit unit note: note hours, owner or kind of machine of a unit."""

from __future__ import annotations

import argparse

from halfsplit.cli.arguments import Commands, command


def add(commands: Commands) -> None:
    """Adds the command."""
    parser = command(
        commands, "note", "note hours, owner or kind of machine of a unit", run,
        "Notes what is said of a unit, the first time and whenever something changed; what is left out stays as it "
        "was. Nothing is written over: every meter reading stays in the list of its hours.",
    )  # fmt: skip
    parser.add_argument("serial", help="the unit's serial number, or the fleet number it goes by")
    parser.add_argument(
        "--machine", default="", metavar="MACHINE",
        help="its kind: a machine folder or file, a shipped machine, or the id of one that a job was opened on",
    )  # fmt: skip
    parser.add_argument("--hours", default="", metavar="TIME", help='what the meter shows, with its unit: "1240 h"')
    parser.add_argument("--on", default="", metavar="DAY", help="day it was read, like 2031-04-02; today if left out")
    parser.add_argument("--meter-changed", action="store_true", help="it is another meter than at the reading before")
    parser.add_argument("--owner", default="", metavar="NAME", help="who owns it")
    parser.add_argument("--note", default="", metavar="WORDS", help="words for the record")
    parser.add_argument("--by", metavar="NAME", default="", help="who is working, for the record")


def run(arguments: argparse.Namespace) -> int:
    """Notes it and shows the unit."""
    from halfsplit.cli.at_desk import at_desk
    from halfsplit.cli.console import print_json
    from halfsplit.cli.unit_show import show
    from halfsplit.service.units import note_unit

    with at_desk(arguments) as desk:
        found = note_unit(
            desk, arguments.serial, machine=arguments.machine, hours=arguments.hours, on=arguments.on,
            meter_changed=arguments.meter_changed, owner=arguments.owner, text=arguments.note,
        )  # fmt: skip
    if arguments.json:
        print_json(found)
    else:
        show(found)
    return 0
