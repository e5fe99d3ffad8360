"""What commands share in their arguments, and a parser that offers the nearest spelling."""

from __future__ import annotations

import argparse
import re
from collections.abc import Callable
from typing import Any, NoReturn

Commands = Any  # argparse keeps the class of add_subparsers() private


class Parser(argparse.ArgumentParser):
    """An argument parser whose complaint about an unknown word names the nearest good one."""

    def error(self, message: str) -> NoReturn:
        """Prints usage and the complaint; ends with status 2, as argparse does."""
        from halfsplit.errors import nearest  # whoever only asks for help has no use for it

        match = re.search(r"invalid choice: '([^']*)' \(choose from (.*)\)", message)
        if match:
            choices = [one.strip(" '") for one in match.group(2).split(",")]
            near = nearest(match.group(1), choices)
            message = f'there is no "{match.group(1)}" here; ' + (
                f"did you mean {near}?" if near else f"choose from {', '.join(choices)}"
            )
        unknown = re.fullmatch(r"unrecognized arguments: (--[\w-]+).*", message)
        if unknown:
            near = nearest(unknown.group(1), [flag for flag in self.flags() if flag.startswith("--")])
            if near:
                message += f" (did you mean {near}?)"
        super().error(message)

    def flags(self) -> list[str]:
        """Every flag of this parser and of the commands under it."""
        found: list[str] = []
        for action in self._actions:
            found.extend(action.option_strings)
            if isinstance(action, argparse._SubParsersAction):  # noqa: SLF001 # argparse has no public name for it
                for sub in action.choices.values():
                    found.extend(sub.flags() if isinstance(sub, Parser) else ())
        return found


def command(
    commands: Commands, name: str, said: str, run: Callable[[argparse.Namespace], int], description: str = ""
) -> argparse.ArgumentParser:
    """A command with what every command has: --json and --home."""
    parser: argparse.ArgumentParser = commands.add_parser(
        name, help=said, description=description or f"{said}."
    )
    parser.add_argument("--json", action="store_true", help="print JSON with stable keys instead of text")
    parser.add_argument("--home", metavar="FOLDER", help="keep jobs in this folder instead of HALFSPLIT_HOME")
    parser.set_defaults(run=run)
    return parser


def job_command(
    commands: Commands, name: str, said: str, run: Callable[[argparse.Namespace], int], description: str = ""
) -> argparse.ArgumentParser:
    """A command that works on one job: --job, else the open job touched last, and --by."""
    parser = command(commands, name, said, run, description)
    parser.add_argument("--job", metavar="JOB", help="the job's id; the open job touched last when left out")
    parser.add_argument("--by", metavar="NAME", default="", help="who is working, for the record")
    return parser


def complaint_arguments(parser: argparse.ArgumentParser) -> None:
    """What a complaint is made of."""
    parser.add_argument(
        "--complaint", action="append", default=[], metavar="SENTENCE",
        help='what fails, like "horn dead in horn-pressed"; may be given several times',
    )  # fmt: skip
    parser.add_argument(
        "--condition", action="append", default=[], metavar="WORD",
        help="rain, wash, salt, frost, heat, rough-ground, transport, standing, recent-work or dust; may be "
        "given several times",
    )  # fmt: skip
    parser.add_argument("--comes-and-goes", action="store_true", help="the fault comes and goes")
    parser.add_argument(
        "--worked-on", action="append", default=[], metavar="ID",
        help="a connector, part or run that was worked on lately; several times",
    )  # fmt: skip
    parser.add_argument(
        "--unit", default="", metavar="SERIAL",
        help="serial or fleet number of this one machine; its earlier jobs are shown and count in the odds",
    )  # fmt: skip
    parser.add_argument(
        "--words", default="", help="the complaint in the reporter's own words, for the record"
    )
