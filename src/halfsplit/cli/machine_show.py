"""halfsplit machine show: what a machine file says, as lists to look things up in."""

from __future__ import annotations

import argparse

from halfsplit.cli.arguments import Commands, command

SECTIONS = ("state", "function", "zone", "access step", "connector", "part")


def add(commands: Commands) -> None:
    """Adds the command."""
    parser = command(commands, "show", "show what a machine file says", run)
    parser.add_argument("path", help="machine folder, machine file, or the name of a shipped machine")
    parser.add_argument("--only", metavar="WHAT", choices=[one.replace(" ", "-") for one in SECTIONS],
                        help="state, function, zone, access-step, connector or part")  # fmt: skip


def run(arguments: argparse.Namespace) -> int:
    """Shows the lists."""
    from halfsplit.cli.at_desk import machine_path
    from halfsplit.cli.console import print_json, rule, say
    from halfsplit.service.machines import show_machine

    found = show_machine(machine_path(arguments.path))
    wanted = (arguments.only or "").replace("-", " ")
    if arguments.json:
        print_json(found)
        return 0
    rule(found.name)
    say(f"{found.maker}, {found.system_v:g} V")
    if found.about:
        say(found.about)
    for section in SECTIONS:
        lines = [one for one in found.things if one.section == section]
        if not lines or (wanted and wanted != section):
            continue
        say()
        rule(f"{section[0].upper()}{section[1:]}s")
        for one in lines:
            name = f"{one.name}; " if one.name and one.name != one.id else ""
            say(f"{name}{one.words}", first=f"{one.id}  ", hang=4)
    return 0
