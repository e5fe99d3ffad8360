"""halfsplit job attach: keep a photo, a log or a paper with a job."""

from __future__ import annotations

import argparse

from halfsplit.cli.arguments import Commands, job_command


def add(commands: Commands) -> None:
    """Adds the command."""
    parser = job_command(
        commands, "attach", "keep a file with a job, open or closed", run,
        "Keeps a copy of a file with a job: once by its content, whatever it is called. Kinds and size are limited "
        "by HALFSPLIT_ATTACHMENT_KINDS and HALFSPLIT_LARGEST_ATTACHMENT; what a file is, its content says.",
    )  # fmt: skip
    parser.add_argument("file", help="a photo (JPEG, PNG), a log, a paper")
    parser.add_argument("--caption", default="", metavar="WORDS", help="what it shows")
    parser.add_argument(
        "--as", dest="role", default="", metavar="ROLE",
        help="picture, voice, log, paper, customer-signature or technician-signature; told from the content when left "
        "out",
    )  # fmt: skip


def run(arguments: argparse.Namespace) -> int:
    """Attaches the file."""
    from pathlib import Path

    from halfsplit.cli.at_desk import at_desk
    from halfsplit.cli.console import print_json, say
    from halfsplit.reports.sections import size_words
    from halfsplit.service.paperwork import attach

    with at_desk(arguments) as desk:
        found = attach(desk, Path(arguments.file), arguments.job, arguments.caption, arguments.role)
    if arguments.json:
        print_json(found)
    else:
        again = "; the same file was attached before and is kept once" if found.known else ""
        say(
            f"Entry {found.entry} of job {found.job}: {found.name}, {found.media}, {size_words(found.size_bytes)}, "
            f"as {found.role.replace('-', ' ')}{again}."
        )
    return 0
