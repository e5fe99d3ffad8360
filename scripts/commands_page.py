"""Writes docs/commands.md from the command line's own parser; with --check, stops with 1 when it is stale.

The page is made from the parser's data, not from its printed help, because that differs between versions of
Python.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator

from generated_page import ROOT, write_or_check

PAGE = ROOT / "docs" / "commands.md"

HEAD = """# Commands

This page is written from the program by `make pages`; `halfsplit COMMAND --help` says the same.

Exit status: 0 when it worked, 2 when what was typed or a file has a mistake, 70 when halfsplit itself has
one.
"""


def subparsers(parser: argparse.ArgumentParser) -> Iterator[tuple[str, str, argparse.ArgumentParser]]:
    """Name, one-line help and parser of each command under ``parser``, in the order they were added."""
    for action in parser._actions:
        if isinstance(action, argparse._SubParsersAction):
            said = {choice.dest: choice.help or "" for choice in action._choices_actions}
            for name, sub in action.choices.items():
                if name in said:  # aliases are left out
                    yield name, said[name], sub


def spelled(action: argparse.Action) -> str:
    """How an argument is typed: the flag and its value, or the placeholder."""
    default = action.dest.upper() if action.option_strings else action.dest
    value = action.metavar or ("{" + ",".join(map(str, action.choices)) + "}" if action.choices else default)
    value = " ".join(value) if isinstance(value, tuple) else value
    if action.nargs == 0:
        value = ""
    elif action.nargs in {"*", argparse.REMAINDER}:
        value = f"[{value} ...]"
    elif action.nargs == "+":
        value = f"{value} ..."
    elif action.nargs == "?":
        value = f"[{value}]"
    return " ".join(part for part in (", ".join(action.option_strings), value) if part)


def cell(text: str) -> str:
    return " ".join(text.split()).replace("|", "\\|")


def arguments(parser: argparse.ArgumentParser) -> str:
    """A table of the parser's own arguments, commands and --help left out."""
    lines = []
    for action in parser._actions:
        if isinstance(action, argparse._HelpAction | argparse._SubParsersAction):
            continue
        if action.help == argparse.SUPPRESS:
            continue
        said = (action.help or "").replace("%(default)s", str(action.default)).replace("%%", "%")
        lines.append(f"| `{cell(spelled(action))}` | {cell(said)} |\n")
    return "\n| argument | meaning |\n| --- | --- |\n" + "".join(lines) if lines else ""


def section(name: str, said: str, parser: argparse.ArgumentParser) -> str:
    text = " ".join((parser.description or said).split())
    parts = [f"\n## {name}\n\n{text}\n", arguments(parser)]
    parts += [
        section(f"{name} {sub}", sub_said, sub_parser) for sub, sub_said, sub_parser in subparsers(parser)
    ]
    return "".join(parts)


def page() -> str:
    sys.path.insert(0, str(ROOT / "src"))
    from halfsplit.cli import build_parser

    parser: argparse.ArgumentParser = build_parser()
    return HEAD + section("halfsplit", "", parser)


def main() -> int:
    wanted = page()
    return write_or_check(PAGE, wanted, f"{wanted.count(chr(10) + '## ')} commands")


if __name__ == "__main__":
    raise SystemExit(main())
