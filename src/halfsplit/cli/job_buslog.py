"""halfsplit job buslog: take a bus log as evidence."""

from __future__ import annotations

import argparse

from halfsplit.cli.arguments import Commands, job_command


def add(commands: Commands) -> None:
    """Adds the command."""
    parser = job_command(
        commands, "buslog", "take a bus log as evidence: who fell silent, and which codes were active", run,
        "Reads a bus log and writes down what it tells of the machine: which controllers fell silent together and "
        "which were heard meanwhile, errors on the bus, supplies that were too low, and which of the machine's trouble "
        "codes were active. Then says what the log cannot tell apart, and shows the next step.",
    )  # fmt: skip
    parser.add_argument("log", help="the log, as for halfsplit buslog read")
    parser.add_argument("--state", required=True, metavar="STATE", help="how the machine was set meanwhile")
    parser.add_argument(
        "--beside", required=True, metavar="CONTROLLER",
        help="the controller whose plug or stub is nearest to where the recorder was plugged in",
    )  # fmt: skip
    parser.add_argument(
        "--address", action="append", default=[], metavar="CONTROLLER=NUMBER",
        help="the source address of a controller, like ECU1=3, where the machine file has none; several times",
    )  # fmt: skip
    parser.add_argument(
        "--nobody", action="store_true", help="the recorder works: a log without any frame means that nobody speaks"
    )
    parser.add_argument("--minutes", metavar="TIME", help='how long it took, like "7 min"')


def run(arguments: argparse.Namespace) -> int:
    """Records and shows the next step."""
    from dataclasses import replace
    from pathlib import Path

    from halfsplit.cli.at_desk import at_desk
    from halfsplit.cli.console import print_json, progress
    from halfsplit.cli.showing import show_alike, show_next, show_recorded
    from halfsplit.quantities import duration_min
    from halfsplit.service.bus_evidence import take_log

    spent = duration_min(arguments.minutes) if arguments.minutes else 0.0
    with at_desk(arguments) as desk, progress(f"Reading {Path(arguments.log).name}") as so_far:
        found = take_log(
            desk, Path(arguments.log), who=tuple(arguments.address), beside=arguments.beside, state=arguments.state,
            job_id=arguments.job, minutes=spent, nobody=arguments.nobody, told=so_far,
        )  # fmt: skip
    if arguments.json:
        print_json(found)
    else:
        quiet = [words for words in found.words if words.startswith("code ") and ": not active" in words]
        told = tuple(words for words in found.words if words not in quiet)
        show_recorded(replace(found, words=told), more=len(quiet))
        show_alike(found.alike)
        show_next(found.next)
    return 0
