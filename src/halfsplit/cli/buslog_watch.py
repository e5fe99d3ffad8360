"""halfsplit buslog watch: a live bus while one connector after another is moved."""

from __future__ import annotations

import argparse
import signal
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from typing import TYPE_CHECKING

from halfsplit.cli.arguments import Commands, command

if TYPE_CHECKING:
    from halfsplit.buslog.live import Ear
    from halfsplit.cli.typed_words import Words
    from halfsplit.cli.watch_board import Alarm, Screen
    from halfsplit.service.bus_watch import Watching
    from halfsplit.service.desk import Desk
    from halfsplit.service.watch_results import Told, WatchSaid

#: Seconds between two looks at what came; a drop rings no later than this after it is known. Invented.
TICK_S = 0.05
#: Seconds between two drawings of the board.
DRAW_S = 0.2
#: What comes before anything else on the screen; common practice.
CAUTIONS = (
    "Move connectors with the machine at rest; with the engine running only where the maker's manual allows it.",
    "Keep clear of belts, fans, shafts and hot parts, with sleeves and leads too, and somebody at the stop.",
    "Move plugs by hand as they hang: unplug nothing that is live, pierce no insulation, go under nothing unsupported.",
    "Follow the maker's manual, local rules and licensed practice; they come before anything said here.",
)
#: The watch's clock. It never runs back.
clock: Callable[[], float] = time.monotonic


def add(commands: Commands) -> None:
    """Adds the command."""
    parser = command(
        commands, "watch", "watch a live bus while one connector after another is moved", run,
        "Listens on a CAN bus, says at once when a controller drops out, and ties drops to the place that is moved: "
        "type now X12 before moving X12, stop when the hand is off, note WORDS, quit. With --state and --beside what "
        "is found is written into a job. Never sends anything. docs/bus-logs.md says how.",
    )  # fmt: skip
    parser.add_argument(
        "--interface", required=True, metavar="NAME", help="the way to the bus, by python-can's name, like socketcan"
    )
    parser.add_argument("--channel", required=True, metavar="NAME", help="the adapter's channel, like can0")
    parser.add_argument(
        "--bit-rate", metavar="RATE", default="", help='of the bus, like "500 kbit/s"; 250 kbit/s when left out'
    )
    parser.add_argument(
        "--acknowledge", action="store_true",
        help="let the adapter acknowledge frames; where only one controller is on the bus, somebody must",
    )  # fmt: skip
    parser.add_argument(
        "--still", metavar="TIME", default="", help='how long nothing is moved at first; "30 s" when left out'
    )
    parser.add_argument("--for", dest="length", metavar="TIME", default="", help='ends by itself, like "20 min"')
    parser.add_argument(
        "--alarm", metavar="COMMAND", default="", help="a command to start at every drop as well, such as a player"
    )
    parser.add_argument("--lines", action="store_true", help="print lines on a terminal too, instead of a board")
    parser.add_argument("--job", metavar="JOB", help="the job to write into; the open job touched last when left out")
    parser.add_argument("--by", metavar="NAME", default="", help="who is working, for the record")
    parser.add_argument(
        "--state", default="", metavar="STATE", help="how the machine is set meanwhile; needed to write into a job"
    )
    parser.add_argument(
        "--beside", default="", metavar="CONTROLLER",
        help="the controller whose plug or stub is nearest to the adapter; needed to write into a job",
    )  # fmt: skip
    parser.add_argument(
        "--address", action="append", default=[], metavar="CONTROLLER=NUMBER",
        help="the source address of a controller, like ECU1=3, where the machine file has none; several times",
    )  # fmt: skip


def run(arguments: argparse.Namespace) -> int:
    """Watches until told to end, and says what was found."""
    from halfsplit.buslog.live import Ear, open_bus
    from halfsplit.buslog.survey import USUAL_BIT_RATE
    from halfsplit.cli.console import print_json
    from halfsplit.cli.typed_words import Words, key_by_key
    from halfsplit.cli.watch_board import Alarm, Lines, drawn
    from halfsplit.service import bus_watch
    from halfsplit.service.bus_logs import bit_rate

    rate = bit_rate(arguments.bit_rate) if arguments.bit_rate else USUAL_BIT_RATE
    still_s, length_s = bus_watch.still_s(arguments.still), bus_watch.length_s(arguments.length)
    with ExitStack() as held:
        desk, watching = _watching(held, arguments, still_s)
        opened = open_bus(arguments.interface, arguments.channel, rate, acknowledge=arguments.acknowledge)
        _opening_words(arguments, watching, quiet=opened.quiet)
        board = not (arguments.json or arguments.lines) and _can_draw()
        watching.restart(clock())
        with ExitStack() as shown:
            ear = Ear(opened.bus, clock)
            shown.callback(ear.close)
            keys = board and shown.enter_context(key_by_key())
            screen: Screen = shown.enter_context(drawn()) if keys else Lines(to_error=arguments.json)
            words = Words(clock, keys=keys)
            ending = shown.enter_context(_asked_to_end())
            watch = _Loop(watching, ear, words, screen, Alarm(arguments.alarm, clock))
            lost = watch.run(ending, None if length_s is None else clock() + length_s)
        said = watching.summary()
        if arguments.json:
            print_json(said)
        else:
            _show_summary(said, watch.last)
            if desk is not None and lost is None:
                _show_next(desk, said.job)
        if lost is not None:
            raise lost
    return 0


def _watching(held: ExitStack, arguments: argparse.Namespace, still_s: float) -> tuple[Desk | None, Watching]:
    """The watch, with the job it writes into where one was meant."""
    from halfsplit.cli.at_desk import at_desk
    from halfsplit.errors import UserError
    from halfsplit.service.bus_evidence import addresses_alone, known_addresses
    from halfsplit.service.bus_watch import Watching

    if not (arguments.job or arguments.state or arguments.beside):
        return None, Watching(clock(), still_s, addresses_alone(tuple(arguments.address)))
    if not (arguments.state and arguments.beside):
        raise UserError(
            "watch-job",
            "To write into a job it must be said how the machine is set and where the adapter is.",
            "Give --state and --beside.",
        )
    from halfsplit.service.watch_job import keeper

    desk = held.enter_context(at_desk(arguments))
    job = desk.job(arguments.job)
    named = known_addresses(desk.standing(job).machine, arguments.beside, tuple(arguments.address))
    kept = keeper(desk, job.id, named_of=tuple(named.values()), beside=arguments.beside, state=arguments.state)
    return desk, Watching(clock(), still_s, named, kept, job.id)


def _can_draw() -> bool:
    from rich.console import Console

    console = Console()
    return sys.stdin.isatty() and console.is_terminal and not console.is_dumb_terminal


@contextmanager
def _asked_to_end() -> Iterator[threading.Event]:
    """Set by an interrupt, by being told to end, or by the terminal going away: the watch then ends as by quit.

    An interrupt must not come in the middle of writing something down.
    """
    ending = threading.Event()
    if threading.current_thread() is not threading.main_thread():
        yield ending
        return
    which = [getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name)]
    before = {one: signal.signal(one, lambda *_: ending.set()) for one in which}
    try:
        yield ending
    finally:
        for one, old in before.items():
            signal.signal(one, old)


class _Loop:
    """One watch from beginning to end. ``last`` is what was told at its very end."""

    def __init__(self, watching: Watching, ear: Ear, words: Words, screen: Screen, alarm: Alarm) -> None:
        self.last: list[Told] = []
        self._watching = watching
        self._ear = ear
        self._words = words
        self._screen = screen
        self._alarm = alarm
        self._drawn_s = float("-inf")

    def run(self, ending: threading.Event, until_s: float | None) -> Exception | None:
        """Watches; gives what the bus ended with, if it did."""
        from halfsplit.errors import UserError

        lost: Exception | None = None
        try:
            while not ending.is_set() and (until_s is None or clock() < until_s):
                if self._words.ended and until_s is None:
                    break
                ending.wait(TICK_S)
                try:
                    heard = self._ear.take()
                except UserError as error:
                    lost = error
                    break
                told = self._watching.hear(heard)
                if self._said(told):
                    break
                self._show(told)
        finally:
            # Also when the screen went away: what was being moved is still judged and written down.
            self.last = self._watching.finish(clock())
        return lost

    def _said(self, told: list[Told]) -> bool:
        """Works in the words that were given; whether one of them ends the watch."""
        for line, at_s in self._words.take():
            if line.strip().rstrip(".!").casefold() == "quit":
                self._show(told)
                return True
            if line.strip():
                told += self._watching.word(line, at_s)
        return False

    def _show(self, told: list[Told]) -> None:
        from halfsplit.service.watch_results import Told

        now_s = clock()
        wrong = self._alarm.sound(
            dropped=any(one.kind == "drop" for one in told), lost=bool(self._watching.watch.lost)
        )
        if wrong:
            told.append(Told("trouble", wrong))
        if told or now_s - self._drawn_s >= DRAW_S:
            self._drawn_s = now_s
            self._screen.show(self._watching.board(now_s), told, self._words.begun)


def _opening_words(arguments: argparse.Namespace, watching: Watching, *, quiet: bool) -> None:
    from halfsplit.cli.console import say

    if arguments.json:
        return
    for text in CAUTIONS:
        say(text, "bold yellow", first="! ")
    heard = (
        "It listens only and does not even acknowledge what it hears."
        if quiet
        else "It sends no frame, but acknowledges what it hears as the adapter is set up; a bus of the operating "
        "system is set to listen only there, not here."
    )
    say(f"Listening on {arguments.channel} by way of {arguments.interface}. {heard}")
    say(
        f"What is found is written into job {watching.job}."
        if watching.job
        else "Nothing is written down: for that give --state and --beside."
    )
    say(f"Hands off for {watching.still_s:.0f} s: learning how often each controller speaks.")
    sys.stdout.flush()


def _show_summary(said: WatchSaid, last: list[Told]) -> None:
    from halfsplit.cli.console import rule, say

    say()
    rule("The watch", f"{said.seconds:.0f} s")
    if not said.learned:
        say("It ended in its still phase: nothing can be said.")
    judged = [one for one in said.speakers if one.limit_s is not None]
    for one in judged:
        drops = f"{one.drops} drop{'' if one.drops == 1 else 's'}"
        end = "LOST at the end" if one.state == "LOST" else "heard at the end"
        say(f"{drops}, {end}; lost when not heard for {one.limit_s:.2g} s", first=f"{one.name}: ")
    if said.not_judged:
        say(f"Spoke too seldom or too late to be judged: {', '.join(said.not_judged)}.")
    if said.errors:
        say(f"{said.errors} error frames.")
    if said.switched_off:
        say("At the end nobody was heard; that counts as switched off, and for no place.")
    if any(one.everybody for one in said.drops):
        say("Everybody dropped out together: the bus itself, a common supply, or the adapter's own plug.")
    for place in said.places:
        say(place.words, "bold" if place.verdict == "reacted" else "")
    for told in last:
        if told.kind in ("written", "trouble"):
            say(told.text, first="+ " if told.kind == "written" else "?? ")
    if said.job:
        say(f"{said.written} entries written into job {said.job}; each is taken back with halfsplit job undo.")
    for text in said.not_written:
        say(text, "bold yellow", first="Not written down: ")


def _show_next(desk: Desk, job: str) -> None:
    from halfsplit.cli.console import say
    from halfsplit.cli.showing import show_next
    from halfsplit.service.working import next_step

    say()
    show_next(next_step(desk, job))
