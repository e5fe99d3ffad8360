"""halfsplit machine check: problems of a machine file, or what it holds, assumes and leaves open."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from halfsplit.cli.arguments import Commands, command

if TYPE_CHECKING:
    from halfsplit.service.machines import LeadsReport, MachineReport, UnseenLine

#: Lines shown of each list; --all shows the rest.
SHOWN = 6


def add(commands: Commands) -> None:
    """Adds the command."""
    parser = command(
        commands, "check", "check a machine file", run,
        "Lists every problem of a machine file (exit status 2), or says what the machine has, whether it "
        "would work "
        "in each state, what is assumed, which missing facts would sharpen most, and which faults no check "
        "can show, with the three test points that would show most of them.",
    )  # fmt: skip
    parser.add_argument("path", help="machine folder, machine file, or the name of a shipped machine")
    parser.add_argument(
        "--quick", action="store_true", help="leave out the faults no check can show, which take longest"
    )
    parser.add_argument("--all", action="store_true", help="show lists in full")


def run(arguments: argparse.Namespace) -> int:
    """Checks and reports."""
    from halfsplit.cli.at_desk import machine_path
    from halfsplit.cli.console import print_json, progress
    from halfsplit.machine.reading import load_machine
    from halfsplit.service.machines import check_machine, unseen_faults

    path = machine_path(arguments.path)
    if arguments.json:
        print_json(check_machine(path, look_for_unseen=not arguments.quick))
        return 0
    most = 10_000 if arguments.all else SHOWN
    _show(check_machine(path, look_for_unseen=False), most)
    if not arguments.quick:
        with progress("Looking for faults that nothing shows") as told:
            hidden, leads = unseen_faults(load_machine(path), told)
        _show_unseen(hidden, most)
        _show_leads(leads, len(hidden))
    return 0


def _show(found: MachineReport, most: int) -> None:
    from halfsplit.cli.console import rule, say

    rule(found.name)
    say(f"{found.maker}{' (marked invented)' if found.invented else ''}, {found.system_v:g} V")
    many = found.counts
    say(
        f"{many.parts} parts ({many.controllers} controllers), {many.connectors} connectors with "
        f"{many.contacts} "
        f"contacts in use, {many.wires} wires, {many.functions} functions, {many.states} states, "
        f"{many.zones} zones, "
        f"{many.access_steps} access steps; {many.faults} possible faults."
    )
    say()
    sound = found.credibility
    rule("The sound machine")
    say(
        f"Looked at in {sound.states} states: {sound.functions} expected levels, {sound.fuses} fuses, "
        f"{sound.wires} "
        f"wires, {sound.contacts} contacts, {sound.loads} working loads."
    )
    for doubt in sound.doubts[:most]:
        say(f"{doubt.kind} {doubt.id} in {doubt.state}: {doubt.what}", "yellow", first="- ")
    _more(len(sound.doubts), most)
    if not sound.doubts:
        say("Everything works as it should, and nothing carries more than is usual.", "green")
    say()
    if found.keep_outs:
        rule("Kept out of while it works")
        for note in found.keep_outs[:most]:
            say(f"{note.id}: {note.what}", "yellow", first="- ")
        _more(len(found.keep_outs), most)
        say()
    rule("Assumed")
    for line in found.assumed[:most]:
        say(
            f"{line.attribute} of {line.count} {line.thing}{'s' if line.count > 1 else ''}: {_ids(line.ids)}",
            first="- ",
        )
    _more(len(found.assumed), most)
    if not found.assumed:
        say("Nothing.")
    say()
    rule("Would sharpen most")
    for each in found.sharpening[:most]:
        say(f"{each.advice} ({each.faults} possible faults: {_ids(each.ids)})", first="- ")
    _more(len(found.sharpening), most)
    if not found.sharpening:
        say("Nothing is missing that would.")


def _show_unseen(found: tuple[UnseenLine, ...], most: int) -> None:
    from halfsplit.cli.console import rule, say

    say()
    rule("Shown by no reading of the live machine, no bus resistance, function or code within reach")
    # Those that some other point would show come first: a test point there is worth having.
    for one in sorted(found, key=lambda line: line.would_show == "")[:most]:
        point = f"; a lead brought out from {one.would_show} would show it in {one.state}" if one.would_show else ""
        say(f"{one.text}{point}", first="- ")
    _more(len(found), most)
    if not found:
        say("None.")


def _show_leads(leads: LeadsReport, unseen: int) -> None:
    from halfsplit.cli.console import percent, rule, say

    if not unseen:
        return
    say(f"By the odds before anything is measured, {percent(leads.unseen_odds)} of all faults are among these.")
    say()
    rule("Test points that would show most of these")
    for lead in leads.best:
        say(
            f"a lead brought out from {lead.point}, read against the chassis in {', '.join(lead.states)}, shows "
            f"{len(lead.faults)} of them and adds {percent(lead.share)} of their odds: {_ids(lead.faults)}",
            first="- ",
        )
    if leads.best:
        together = percent(sum(lead.share for lead in leads.best))
        say(
            f"Together {together} of their odds; leads at every point would show {percent(leads.showable)}. The rest "
            "moves no point by more than sound machines differ."
        )
    else:
        say("No lead would show any: they move no point by more than sound machines differ.")


def _more(count: int, most: int) -> None:
    from halfsplit.cli.console import say

    if count > most:
        say(f"and {count - most} more (--all shows them)", "dim", indent=2)


def _ids(ids: tuple[str, ...]) -> str:
    return ", ".join(ids[:6]) + (f" and {len(ids) - 6} more" if len(ids) > 6 else "")
