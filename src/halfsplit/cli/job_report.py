"""halfsplit job report: write a job up."""

from __future__ import annotations

import argparse

from halfsplit.cli.arguments import Commands, command

CODES: dict[str, str] = {
    "report-out": "A report needs a file to be written to, or --json.",
}


def add(commands: Commands) -> None:
    """Adds the command."""
    parser = command(
        commands, "report", "write a job's report as PDF or HTML", run,
        "Writes a job's report: for the customer in plain words, for the next technician with everything. Prices, "
        "tax, paper and the shop's name come from settings. With --json and no --out, prints the report's content.",
    )  # fmt: skip
    parser.add_argument("job", nargs="?", help="the job's id; the open job touched last when left out")
    parser.add_argument(
        "--for", dest="face", default="customer", metavar="WHOM", help="customer (when left out) or technician"
    )
    parser.add_argument("--out", metavar="FILE", default="", help="the file, ending in .pdf or .html")


def run(arguments: argparse.Namespace) -> int:
    """Writes the report."""
    from pathlib import Path

    from halfsplit.cli.at_desk import at_desk
    from halfsplit.cli.console import print_json, say
    from halfsplit.errors import UserError
    from halfsplit.reports.content import plain
    from halfsplit.reports.sections import size_words
    from halfsplit.service.reporting import report_of, write_report

    if not arguments.out and not arguments.json:
        raise UserError("report-out", "Say where the report goes.", "Like: --out report.pdf; or give --json alone.")
    with at_desk(arguments) as desk:
        if not arguments.out:
            print_json(plain(report_of(desk, arguments.face, arguments.job)))
            return 0
        found = write_report(desk, arguments.face, Path(arguments.out), arguments.job)
    if arguments.json:
        print_json(found)
    else:
        say(f"Wrote the report of job {found.job} for the {arguments.face} to {found.file} "
            f"({size_words(found.size_bytes)}).")  # fmt: skip
        if found.unprinted:
            say(f"No font at hand prints {found.named_signs}. Put a font that has them into a folder and name it in "
                "HALFSPLIT_FONTS, or write HTML.")  # fmt: skip
    return 0
