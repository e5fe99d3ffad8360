"""halfsplit job open: open a job on a machine with a complaint."""

from __future__ import annotations

import argparse

from halfsplit.cli.arguments import Commands, command, complaint_arguments


def add(commands: Commands) -> None:
    """Adds the command."""
    parser = command(commands, "open", "open a job on a machine with a complaint", run)
    parser.add_argument("machine", help="machine folder, machine file, or the name of a shipped machine")
    complaint_arguments(parser)
    parser.add_argument(
        "--id", default="", metavar="JOB", help="an id for the job; made from machine and day when left out"
    )
    parser.add_argument("--by", metavar="NAME", default="", help="who is working, for the record")


def run(arguments: argparse.Namespace) -> int:
    """Opens the job and shows the unit's earlier jobs and the first step."""
    from halfsplit.cli.at_desk import at_desk, machine_path
    from halfsplit.cli.console import print_json
    from halfsplit.cli.showing import show_next
    from halfsplit.cli.unit_show import show_history
    from halfsplit.machine.reading import load_machine
    from halfsplit.service.complaints import complaint_of
    from halfsplit.service.working import open_job

    path = machine_path(arguments.machine)
    machine = load_machine(path)
    complaint = complaint_of(
        machine, arguments.complaint, arguments.condition, comes_and_goes=arguments.comes_and_goes,
        worked_on=arguments.worked_on, words=arguments.words,
    )  # fmt: skip
    with at_desk(arguments) as desk:
        found = open_job(desk, path, complaint, unit=arguments.unit, job_id=arguments.id, machine=machine)
    if arguments.json:
        print_json(found)
    else:
        if found.history is not None:
            show_history(found.history)
        show_next(found)
    return 0
