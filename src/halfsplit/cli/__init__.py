"""The command line: one file per command, thin over ``service``.

Nothing heavy is imported before a command runs. Exit status 0 when it worked, 2 for a mistake in what was
typed or in a file, 70 for a mistake of ours.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence

from halfsplit import __version__
from halfsplit.cli import (
    buslog_read,
    buslog_timeline,
    buslog_watch,
    demo,
    job_access,
    job_advise,
    job_attach,
    job_buslog,
    job_close,
    job_correction,
    job_found,
    job_in,
    job_list,
    job_load,
    job_log,
    job_next,
    job_note,
    job_open,
    job_out,
    job_proving,
    job_reopen,
    job_report,
    job_suspects,
    job_topic,
    job_travel,
    job_undo,
    job_used,
    job_why,
    machine_check,
    machine_show,
    machine_spice,
    people,
    practice,
    serve,
    unit_in,
    unit_list,
    unit_note,
    unit_out,
    unit_show,
    unit_undo,
    van,
    work,
)
from halfsplit.cli.arguments import Parser

#: What a shell reports after an interrupt: 128 plus the signal's number, common practice of shells.
EXIT_INTERRUPTED = 130


def build_parser() -> argparse.ArgumentParser:
    """The whole command line, without loading anything heavy."""
    parser = Parser(
        prog="halfsplit",
        description="Finds the bad contact, wire, part or module in a machine with the fewest minutes of "
        "opening it up. Start with: halfsplit demo, or halfsplit work MACHINE.",
    )
    parser.add_argument("--version", action="version", version=f"halfsplit {__version__}")
    commands = parser.add_subparsers(title="commands", metavar="COMMAND", required=True)
    work.add(commands)
    serve.add(commands)
    job = commands.add_parser("job", help="open, work and keep jobs, one command at a time")
    jobs = job.add_subparsers(title="commands", metavar="COMMAND", required=True)
    for each in (
        job_open, job_load, job_next, job_found, job_suspects, job_why, job_undo, job_note, job_access, job_log,
        job_buslog, job_attach, job_used, job_travel, job_advise, job_correction, job_proving, job_close,
        job_reopen, job_report, job_topic, job_list, job_out,
        job_in,
    ):  # fmt: skip
        each.add(jobs)
    unit = commands.add_parser("unit", help="keep units: serial number, hours, owner, earlier jobs")
    units = unit.add_subparsers(title="commands", metavar="COMMAND", required=True)
    for one in (unit_note, unit_show, unit_list, unit_undo, unit_out, unit_in):
        one.add(units)
    machine = commands.add_parser("machine", help="check a machine file, or show what it says")
    machines = machine.add_subparsers(title="commands", metavar="COMMAND", required=True)
    machine_check.add(machines)
    machine_show.add(machines)
    machine_spice.add(machines)
    buslog = commands.add_parser("buslog", help="read what was recorded from a CAN bus, or watch one")
    logs = buslog.add_subparsers(title="commands", metavar="COMMAND", required=True)
    buslog_read.add(logs)
    buslog_timeline.add(logs)
    buslog_watch.add(logs)
    van.add(commands)
    person = commands.add_parser("people", help="who may sign in where the app is served to the network")
    people.add(person.add_subparsers(title="commands", metavar="COMMAND", required=True))
    practice.add(commands)
    demo.add(commands)
    return parser


def main(argv: Sequence[str] | None = None) -> int:
    """Runs one command and gives its exit status."""
    arguments = build_parser().parse_args(argv)
    # Not before: help and complaints about what was typed end above, and need none of it.
    from halfsplit.cli.console import report_error
    from halfsplit.errors import EXIT_INTERNAL, HalfsplitError, InternalError

    try:
        status: int = arguments.run(arguments)
        sys.stdout.flush()
    except HalfsplitError as error:
        report_error(error, as_json=arguments.json)
        return error.exit_code
    except KeyboardInterrupt:
        print(file=sys.stderr)
        return EXIT_INTERRUPTED
    except BrokenPipeError:
        # The reader of a pipe went away; nothing is wrong. What is left in the buffer must not be tried
        # again.
        sys.stdout = None
        return 0
    except Exception as error:  # noqa: BLE001 # whatever else happens is our mistake, and is reported as one
        import traceback

        traceback.print_exc()
        report_error(InternalError(f"{type(error).__name__}: {error}."), as_json=arguments.json)
        return EXIT_INTERNAL
    return status
