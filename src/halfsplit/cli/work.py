"""halfsplit work: the bench, where a job is asked and answered until it is closed."""

from __future__ import annotations

import argparse
import re
import sys
from typing import TYPE_CHECKING

from halfsplit.cli.arguments import Commands, command, complaint_arguments

if TYPE_CHECKING:
    from halfsplit.errors import UserError
    from halfsplit.machine.model import Machine
    from halfsplit.observations import Complaint
    from halfsplit.service.desk import Desk

HELP = (
    ("9.8 V   850 mV   3.2 A   60 ohm   OL", "a reading, always with its unit"),
    ("lit   dim   dark", "what the test lamp does"),
    ("9.8 V, showing   9.8 V, away", "the same, and whether the fault was there just then"),
    ("lit  dim  dark   runs  dead   comes and goes", "what a function does"),
    ("all right   wiper off, beacon dim   skip", "what a walk round found; what is not named is right"),
    ("dry  wet  green  loose  ok", "what a look found"),
    ("code   no code", "whether the code is active"),
    ("can't reach", "this cannot be done here; it is not asked again"),
    ("horn: sounds   X12: green   X30.4: 12.1 V   W12: 3.2 A   F5.2: lit", "something nobody asked for"),
    ("walk round in STATE: all right", "a walk round nobody asked for"),
    ("horn with X12 out: silent", "the same with a connector apart"),
    ("horn: silent, reported", "what a function does, as somebody else saw it and told"),
    ("mended   not mended   done", "how a repair went; done means not tried out yet"),
    ("repair X12.3 mended", "a repair nobody asked for"),
    ("other", "the next best check instead"),
    ("why   why 2   why X12.3", "what speaks for and against a suspect"),
    ("suspects   log   functions", "lists"),
    ("open STEP   close up", "covers opened or closed outside of a check"),
    ("note WORDS", "words for the record"),
    ("undo   restore", "take the latest back; let it stand again"),
    ("close   close X12.3   close not found", "close the job"),
    ("quit", "leave; the job stays open"),
)
WORDS = (
    "other", "why", "suspects", "log", "functions", "note", "undo", "restore", "close", "quit", "help",
    "next", "repair", "open",
)  # fmt: skip


def add(commands: Commands) -> None:
    """Adds the command."""
    parser = command(
        commands, "work", "work a job at the bench: it asks, you answer", run,
        "Opens a job on a machine, or goes on with one, and keeps asking and answering until it is closed. "
        "Everything typed is kept at once. Works through a pipe as well.",
    )  # fmt: skip
    parser.add_argument(
        "target",
        nargs="?",
        default="",
        help="a job's id or a machine; the open job touched last when left out",
    )
    complaint_arguments(parser)
    parser.add_argument("--by", metavar="NAME", default="", help="who is working, for the record")


def run(arguments: argparse.Namespace) -> int:
    """Works the job."""
    from halfsplit.cli.at_desk import at_desk, machine_path
    from halfsplit.cli.console import say
    from halfsplit.cli.unit_show import show_history
    from halfsplit.errors import EXIT_USER, NotFound, nearest
    from halfsplit.machine.reading import load_machine
    from halfsplit.service.working import open_job

    with at_desk(arguments) as desk:
        known = {line.id for line in desk.store.jobs()}
        if not arguments.target or arguments.target in known:
            return Work(desk, desk.job(arguments.target or None).id, as_json=arguments.json).run()
        try:
            path = machine_path(arguments.target)
        except NotFound:
            near = nearest(arguments.target, known)
            if near is None:
                raise
            raise NotFound("job or machine", arguments.target, known) from None
        machine = load_machine(path)
        if arguments.complaint:
            complaint = _given(machine, arguments)
        else:
            asked = ask_complaint(machine, arguments)
            if asked is None:
                say("No complaint, no job.")
                return EXIT_USER
            complaint = asked
        found = open_job(desk, path, complaint, unit=arguments.unit, machine=machine)
        if found.history is not None and not arguments.json:
            show_history(found.history)
        return Work(desk, found.head.job, as_json=arguments.json).run()


def _given(machine: Machine, arguments: argparse.Namespace) -> Complaint:
    from halfsplit.service.complaints import complaint_of

    return complaint_of(
        machine, arguments.complaint, arguments.condition, comes_and_goes=arguments.comes_and_goes,
        worked_on=arguments.worked_on, words=arguments.words,
    )  # fmt: skip


def ask_complaint(machine: Machine, arguments: argparse.Namespace) -> Complaint | None:
    """Asks for the complaint line by line until an empty line; None when nothing came."""
    from halfsplit.cli.console import ask, say
    from halfsplit.errors import UserError, nearest
    from halfsplit.service.complaints import COMES_AND_GOES, complaint_of, condition_of, symptom_of

    say(f"{machine.name}. What fails? One line each, like: {_example(machine)}.")
    say(
        "Then rain, wash, comes and goes and the like if so. An empty line ends it; functions lists what "
        "can fail."
    )
    sentences: list[str] = []
    conditions: list[str] = list(arguments.condition)
    sleeping = arguments.comes_and_goes
    while True:
        line = ask("complaint> ")
        if line is None or not line.strip():
            if line is not None and not sentences:
                say("At least one function that does not do what it should, please.")
                continue
            break
        text = line.strip()
        if text.casefold() == "functions":
            list_functions(machine)
            continue
        if text.casefold() in COMES_AND_GOES:
            sleeping = True
            continue
        if text.casefold() == "quit":
            return None
        try:
            if sentences and len(text.split()) <= 2:
                try:
                    conditions.append(condition_of(text))
                    continue
                except UserError as error:
                    if nearest(text.split()[0], [f.id for f in machine.functions.values()]) is None:
                        raise error from None
            symptom_of(machine, text)
            sentences.append(text)
        except UserError as error:
            say(str(error), "red")
    if not sentences:
        return None
    return complaint_of(
        machine,
        sentences,
        conditions,
        comes_and_goes=sleeping,
        worked_on=arguments.worked_on,
        words=arguments.words,
    )


def _example(machine: Machine) -> str:
    function = next(iter(machine.functions.values()))
    state = next(
        (state for state, level in function.expected.items() if level == "on"), next(iter(machine.states))
    )
    return f"{function.id} {function.words[0]} in {state}"


def list_functions(machine: Machine) -> None:
    """What can fail, and in which states one looks."""
    from halfsplit.cli.console import say

    for function in machine.functions.values():
        states = ", ".join(f"{state} {level}" for state, level in function.expected.items())
        say(f"{function.id}: {function.name}; {'/'.join(function.words)}; expected {states}", hang=4)


class Work:
    """One sitting at the bench. ``run`` gives the exit status."""

    def __init__(self, desk: Desk, job: str, *, as_json: bool = False) -> None:
        self.desk = desk
        self.job = job
        self.as_json = as_json
        self.other = 0
        self.told: list[str] = []
        self.misread = 0

    def run(self) -> int:
        """Asks and answers until the job is closed, or the person leaves."""
        from halfsplit.cli.console import ask, say
        from halfsplit.errors import EXIT_USER, UserError

        self.show(with_head=True)
        while True:
            line = ask("> ")
            if line is None or line.strip().casefold() in ("quit", "exit", "q"):
                if not self.as_json:
                    say(f"Job {self.job} stays open. Go on with: halfsplit work {self.job}")
                break
            if not line.strip():
                continue
            try:
                if self.take(line.strip()):
                    return 0
            except UserError as error:
                self.misread += 1
                self.complain(error)
        # A person at the keyboard has seen each mistake; a script has not.
        return EXIT_USER if self.misread and not sys.stdin.isatty() else 0

    def show(self, *, with_head: bool = False) -> None:
        """The step now asked."""
        from halfsplit.cli.console import print_json
        from halfsplit.cli.showing import show_next
        from halfsplit.service.working import next_step

        found = next_step(self.desk, self.job, self.other)
        if self.as_json:
            print_json(found)
            return
        show_next(found, with_head=with_head, shown_before=self.told)
        if found.step is not None:
            self.told.extend(caution for caution in found.step.cautions if caution not in self.told)

    def complain(self, error: UserError) -> None:
        """A mistake in what was typed, with the nearest word of the bench where that fits better."""
        from halfsplit.cli.console import report_error, say

        if self.as_json:
            report_error(error, as_json=True)
        else:
            say(str(error), "red", hang=2)

    def take(self, line: str) -> bool:
        """Does what was typed; true when the job was closed by it."""
        from halfsplit.cli.console import say
        from halfsplit.service import keeping

        word, _, rest = line.partition(" ")
        rest = rest.strip()
        match word.casefold():
            case "note" if rest:
                keeping.note(self.desk, rest, self.job)
                if not self.as_json:
                    say("Noted.", "cyan")
            case "open" if rest:
                self.recorded(keeping.open_access(self.desk, rest, self.job))
            case "undo" if not rest:
                self.recorded(keeping.undo(self.desk, self.job))
            case "restore" if not rest:
                self.recorded(keeping.restore(self.desk, self.job))
            case "close" if rest.casefold() == "up":
                self.recorded(keeping.close_access(self.desk, "", self.job))
            case "close":
                self.closed(rest)
                return True
            case "repair":
                self.repair(rest)
            case _:
                if not self.asked(word.casefold(), rest):
                    self.answer(line)
        return False

    def closed(self, cause: str) -> None:
        """Closes the job and shows its log."""
        from halfsplit.cli.console import print_json
        from halfsplit.cli.showing import show_log
        from halfsplit.service import keeping

        found = keeping.close_job(self.desk, cause, self.job)
        print_json(found) if self.as_json else show_log(found)

    def asked(self, word: str, rest: str) -> bool:
        """Answers a question of the person; false when the line is none."""
        from halfsplit.cli.console import print_json, say
        from halfsplit.cli.showing import show_log, show_suspects, show_why
        from halfsplit.service import keeping, working

        match word:
            case "help" | "?":
                for typed, meaning in HELP:
                    say(meaning, first=f"{typed}  ", hang=4)
            case "why":
                case = working.why(self.desk, rest, self.job)
                print_json(case) if self.as_json else show_why(case)
            case "other" if not rest:
                self.other += 1
                if self.other > working.next_step(self.desk, self.job).runners_up:
                    say("That was the last one; back to the best.")
                    self.other = 0
                self.show()
            case "next" if not rest:
                self.other = 0
                self.show(with_head=True)
            case "suspects" if not rest:
                listed = working.suspects(self.desk, self.job)
                print_json(listed) if self.as_json else show_suspects(listed)
            case "log" if not rest:
                entries = keeping.log(self.desk, self.job)
                print_json(entries) if self.as_json else show_log(entries)
            case "functions" if not rest:
                list_functions(self.desk.standing(self.desk.job(self.job)).machine)
            case _:
                return False
        return True

    def repair(self, rest: str) -> None:
        """A repair nobody asked for: "repair X12.3 mended"."""
        from halfsplit.errors import UserError
        from halfsplit.service import typed
        from halfsplit.service.found import record

        verdicts = sorted((*typed.MENDED, *typed.NOT_MENDED, *typed.DONE), key=len, reverse=True)
        said = re.fullmatch(rf"(.+?)\s+((?:{'|'.join(verdicts)})\b.*)", rest, re.IGNORECASE)
        if said is not None:
            self.recorded(record(self.desk, said.group(2), self.job, repair=said.group(1)))
            return
        raise UserError("repair-answer", "Say what was mended and how it went.", "Like: repair X12.3 mended.")

    def answer(self, line: str) -> None:
        """An answer to what is asked, or something seen."""
        from halfsplit.errors import UserError, nearest
        from halfsplit.service.found import record

        try:
            found = record(self.desk, line, self.job, other=self.other)
        except UserError as error:
            first = line.split(maxsplit=1)[0]
            near = nearest(first, WORDS) if "mean" not in error.hint else None
            if near and error.code in ("answer-unknown", "answer-unit", "repair-answer", "hunt-ended"):
                raise UserError(error.code, error.message, f'Did you mean "{near}"? {error.hint}') from error
            raise
        self.recorded(found)

    def recorded(self, found: object) -> None:
        """Says what was kept and shows the next step."""
        from halfsplit.cli.showing import show_recorded
        from halfsplit.service.results import Recorded

        self.other = 0
        if isinstance(found, Recorded) and not self.as_json:
            show_recorded(found)
        self.show()
