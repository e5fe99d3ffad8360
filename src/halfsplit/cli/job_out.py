"""halfsplit job out: write a job to one file."""

from __future__ import annotations

import argparse

from halfsplit.cli.arguments import Commands, job_command


def add(commands: Commands) -> None:
    """Adds the command."""
    parser = job_command(commands, "out", "write a job to one file, to send or to keep", run)
    parser.add_argument("file", nargs="?", help="the file; JOB.halfsplit-job when left out")
    parser.add_argument("--without-attachments", action="store_true", help="leave photos, logs and papers out")


def run(arguments: argparse.Namespace) -> int:
    """Writes the file."""
    from pathlib import Path

    from halfsplit.cli.at_desk import at_desk
    from halfsplit.cli.console import print_json, say
    from halfsplit.service.keeping import job_out

    with at_desk(arguments) as desk:
        found = job_out(
            desk, Path(arguments.file) if arguments.file else None, arguments.job,
            attachments=not arguments.without_attachments,
        )  # fmt: skip
    if arguments.json:
        print_json(found)
    else:
        say(f"Wrote job {found.job} with {found.entries} entries to {found.file}.")
    return 0
