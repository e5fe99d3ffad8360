"""halfsplit buslog timeline: who spoke when."""

from __future__ import annotations

import argparse

from halfsplit.cli.arguments import Commands, command


def add(commands: Commands) -> None:
    """Adds the command."""
    parser = command(
        commands, "timeline", "show who spoke when, in the terminal or as a picture", run,
        "Shows who spoke when: a row for each speaker with its silences, and when trouble codes were active.",
    )  # fmt: skip
    parser.add_argument("log", help="the log, as for halfsplit buslog read")
    parser.add_argument("--out", metavar="FILE", default="", help="write an SVG picture to this new file")


def run(arguments: argparse.Namespace) -> int:
    """Shows or writes the timeline."""
    from pathlib import Path

    from halfsplit.buslog.timeline import CODED, HEARD, SILENT
    from halfsplit.cli.console import print_json, progress, say, say_raw, width
    from halfsplit.service.bus_logs import timeline, write_timeline

    with progress(f"Reading {Path(arguments.log).name}") as told:
        found = timeline(Path(arguments.log), told=told)
    if arguments.out:
        write_timeline(found, Path(arguments.out))
    if arguments.json:
        print_json(found)
        return 0
    if arguments.out:
        say(f"Wrote who spoke when in {found.file} to {arguments.out}.")
        return 0
    label = min(max((len(row.label) for row in found.rows), default=0), width() // 2)
    columns = width() - label - 1
    for name, drawn in found.lines(columns):
        say_raw(f"{name[:label]:{label}} {drawn}")
    end = f"{found.length_s:.1f} s"
    say_raw(" " * (label + 1) + "0" + end.rjust(columns - 1))
    say(f"{HEARD} heard, {SILENT} silent, {CODED} code active or error frames")
    return 0
