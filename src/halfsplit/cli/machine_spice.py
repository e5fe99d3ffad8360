"""halfsplit machine spice: a machine's circuit for a circuit simulator."""

from __future__ import annotations

import argparse

from halfsplit.cli.arguments import Commands, command


def add(commands: Commands) -> None:
    """Adds the command."""
    parser = command(
        commands, "spice", "write the circuit of a sound machine as a SPICE netlist", run,
        "Writes the circuit of a sound machine in one state as a SPICE netlist, with relays, drivers and switches "
        "where they rest. Run it with: ngspice -b FILE; it prints the voltage of each node, and comments name them.",
    )  # fmt: skip
    parser.add_argument("machine", help="machine folder, machine file, or the name of a shipped machine")
    parser.add_argument("--state", required=True, metavar="STATE", help="how the machine is set")
    parser.add_argument("--out", metavar="FILE", default="", help="the file; printed when left out")


def run(arguments: argparse.Namespace) -> int:
    """Writes the netlist."""
    from pathlib import Path

    from halfsplit.cli.at_desk import machine_path
    from halfsplit.cli.console import print_json, say
    from halfsplit.service.netlists import spice_deck, write_spice_deck

    path = machine_path(arguments.machine)
    if not arguments.out:
        deck = spice_deck(path, arguments.state)
        if arguments.json:
            print_json(deck)
        else:
            print(deck.text, end="")
        return 0
    found = write_spice_deck(path, arguments.state, Path(arguments.out))
    if arguments.json:
        print_json(found)
    else:
        say(f"Wrote {found.nodes} nodes of {found.machine} in {found.state} to {found.file}.")
    return 0
