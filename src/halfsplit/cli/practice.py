"""halfsplit practice: find a fault hidden on a simulated machine, and see how the planner fares with it."""

from __future__ import annotations

import argparse
import sys
from typing import TYPE_CHECKING

from halfsplit.cli.arguments import Commands, command

if TYPE_CHECKING:
    from halfsplit.service.practising import Rig
    from halfsplit.service.results import NextStep, Recorded

HELP = (
    ("do", "does the step asked; so does an empty line at the keyboard"),
    ("operate FUNCTION [in STATE]", "watch something work"),
    ("walk STATE", "set the machine so and look at everything on one walk round"),
    ("volts POINT [in STATE]", "measure against bare frame metal"),
    ("drop POINT POINT [in STATE]", "measure from one to the other under load"),
    ("look PLACE   open PLACE", "look at it as it is; unplug it and look closely"),
    ("move PLACE   code CODE", "move it and watch; read a code"),
    ("mend PLACE", "do that repair and try the machine out"),
    ("next  other  why  suspects  functions", "what halfsplit thinks"),
    ("give up   quit", "end, with the comparison or without"),
)


def add(commands: Commands) -> None:
    """Adds the command."""
    parser = command(
        commands, "practice", "find a hidden fault on a simulated machine", run,
        "Hides a fault on a simulated machine: its parts differ within tolerance, looks can miss, faults "
        "can sleep. "
        "You say what to do and are told what is seen; at the end your minutes stand beside the planner's "
        "on the "
        "same hidden fault. Practice jobs never count as experience.",
    )  # fmt: skip
    parser.add_argument("machine", help="machine folder, machine file, or the name of a shipped machine")
    parser.add_argument(
        "--seed", type=int, default=1, metavar="N", help="which hidden fault is drawn (%(default)s)"
    )
    parser.add_argument("--fault", default="", metavar="ID", help="hide this fault, like X10.9/contact-open")
    parser.add_argument("--auto", action="store_true", help="let the planner play")
    parser.add_argument("--alone", action="store_true", help="do not show what halfsplit would do next")
    parser.add_argument(
        "--table", action="store_true", help="play many hidden faults and print the measured comparison"
    )
    parser.add_argument(
        "--count", type=int, default=40, metavar="N", help="hidden faults in the table (%(default)s)"
    )
    parser.add_argument(
        "--pairs", type=int, default=0, metavar="N", help="pairs of hidden faults in the table (%(default)s)"
    )
    parser.add_argument(
        "--workers", type=int, default=1, metavar="N", help="processes to use for the table (%(default)s)"
    )


def run(arguments: argparse.Namespace) -> int:
    """Practises."""
    from halfsplit.cli.at_desk import machine_path
    from halfsplit.jobs.memory import MemoryStore
    from halfsplit.service.practising import set_up

    path = machine_path(arguments.machine)
    if arguments.table:
        return _table(arguments)
    rig = set_up(MemoryStore(), path, arguments.seed, arguments.fault)
    practice = Practice(rig, alone=arguments.alone, as_json=arguments.json)
    return practice.automatic() if arguments.auto else practice.by_hand()


def _table(arguments: argparse.Namespace) -> int:
    from halfsplit.cli.at_desk import machine_path
    from halfsplit.cli.console import minutes, percent, print_json, rule, say
    from halfsplit.service.measuring import measured

    found = measured(machine_path(arguments.machine), arguments.count, arguments.pairs, arguments.workers)
    if arguments.json:
        print_json(found)
        return 0
    rule(f"{found.machine}: {found.singles} hidden faults, {found.pairs} pairs")
    for one in found.rules:
        compared = "" if one.rule == "planner" else f"; the planner needs {one.share_of_planner:.2f} of that"
        say(
            f"{minutes(one.mean_minutes)} on average{compared}; cause found in {percent(one.found)}, "
            f"mended in {percent(one.mended)}, sure and wrong in {percent(one.sure_and_wrong)}",
            first=f"{one.rule}: ", hang=2,
        )  # fmt: skip
    if found.pairs_mended is not None and found.pairs_wrong_repairs is not None:
        say(
            f"both mended in {percent(found.pairs_mended)}, {found.pairs_wrong_repairs:.1f} wrong repairs "
            f"on average",
            first="pairs: ", hang=2,
        )  # fmt: skip
    for job in found.failures:
        say(f"failed: seed {job.seed}, {' and '.join(job.hidden)}", "dim", hang=2)
    return 0


class Practice:
    """One practice job."""

    def __init__(self, rig: Rig, *, alone: bool = False, as_json: bool = False) -> None:
        self.rig = rig
        self.alone = alone
        self.as_json = as_json
        self.repairs: list[str] = []
        self.other = 0
        self.told: list[str] = []

    def automatic(self) -> int:
        """The planner plays."""
        from halfsplit.cli.console import minutes, say
        from halfsplit.cli.showing import show_head
        from halfsplit.service.practising import play_out
        from halfsplit.service.working import next_step

        if not self.as_json:
            show_head(next_step(self.rig.desk, self.rig.job).head)
            say()

        def before(step: NextStep) -> None:
            if step.step is not None and step.step.kind == "repair":
                self.repairs.append(step.step.id)

        def after(_: NextStep, done: Recorded) -> None:
            for text in done.words if not self.as_json else ():
                say(text, first=f"{minutes(done.next.head.minutes):>8}  ")

        play_out(self.rig, before, after)
        return self.finish()

    def by_hand(self) -> int:
        """The person plays."""
        from halfsplit.cli.console import ask, say
        from halfsplit.cli.showing import show_head
        from halfsplit.errors import UserError
        from halfsplit.service.working import next_step

        step = next_step(self.rig.desk, self.rig.job)
        if not self.as_json:
            say("A fault is hidden on a simulated machine. Say what to do; help lists the words.")
            say()
            if self.alone:
                show_head(step.head)
        self.show(with_head=True)
        while self.rig.world.present:
            line = ask("> ")
            if line is None or line.strip().casefold() in ("quit", "exit", "q"):
                return 0
            if line.strip().casefold() == "give up":
                break
            try:
                self.take(line.strip())
            except UserError as error:
                say(str(error), "red", hang=2)
        return self.finish()

    def show(self, *, with_head: bool = False) -> None:
        """What halfsplit would do next, unless the person works alone."""
        from halfsplit.cli.showing import show_next
        from halfsplit.service.working import next_step

        if self.alone or self.as_json:
            return
        found = next_step(self.rig.desk, self.rig.job, self.other)
        show_next(found, with_head=with_head, shown_before=self.told)
        if found.step is not None:
            self.told.extend(one for one in found.step.cautions if one not in self.told)

    def take(self, line: str) -> None:
        """Does what was typed."""
        from halfsplit.cli.console import say
        from halfsplit.cli.showing import show_suspects, show_why
        from halfsplit.cli.work import list_functions
        from halfsplit.diagnosis.space import RepairGroup
        from halfsplit.service.practising import check_typed, do_asked, do_check, do_repair
        from halfsplit.service.working import next_step, suspects, why

        desk, job = self.rig.desk, self.rig.job
        word, _, rest = line.partition(" ")
        match word.casefold():
            case "help" | "?":
                for typed, meaning in HELP:
                    say(meaning, first=f"{typed}  ", hang=4)
            case "suspects":
                show_suspects(suspects(desk, job))
            case "why":
                show_why(why(desk, rest, job))
            case "functions":
                list_functions(self.rig.bench.machine)
            case "next":
                self.other = 0
                self.alone, was = False, self.alone
                self.show()
                self.alone = was
            case "other":
                self.other += 1
                self.show()
            case "do" | "" if sys.stdin.isatty() or word:
                step = next_step(desk, job, self.other)
                if step.step is not None and step.step.kind == "repair":
                    self.repairs.append(step.step.id)
                self.done(do_asked(self.rig, step))
            case "":
                return
            case _:
                wanted = check_typed(self.rig, line)
                if isinstance(wanted, RepairGroup):
                    self.repairs.append(wanted.id)
                    self.done(do_repair(self.rig, wanted))
                else:
                    self.done(do_check(self.rig, wanted))

    def done(self, found: Recorded) -> None:
        """Says what was seen, and what now."""
        from halfsplit.cli.console import minutes, say

        self.other = 0
        if not self.as_json:
            for text in found.words:
                say(text, "cyan", first=f"{minutes(found.next.head.minutes):>8}  ")
            if self.rig.world.present:
                say()
                self.show()

    def finish(self) -> int:
        """The comparison."""
        from halfsplit.cli.console import minutes, print_json, rule, say
        from halfsplit.service.practising import verdict

        found = verdict(self.rig, self.repairs)
        if self.as_json:
            print_json(found)
            return 0
        say()
        rule("Mended." if found.mended else "Not mended.", style="bold green" if found.mended else "bold red")
        for text in found.hidden:
            say(text, first="Hidden was: ")
        say(
            f"{minutes(found.minutes)}, {found.checks} checks, {found.repairs} repairs "
            f"({found.wrong_repairs} in vain)",
            first="You:     ",
        )
        outcome = "" if found.planner_mended else ", not mended"
        say(
            f"{minutes(found.planner_minutes)}, {found.planner_checks} checks, "
            f"{found.planner_wrong_repairs} repairs in vain{outcome}",
            first="Planner: ",
        )
        say("Minutes count opening and closing up again.", "dim")
        return 0
