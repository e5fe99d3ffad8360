"""halfsplit buslog read: what a recorded bus says."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from halfsplit.cli.arguments import Commands, command

if TYPE_CHECKING:
    from halfsplit.service.bus_logs import LogSaid, SilenceSaid

#: Lines of a list that are printed before the rest is counted; --json has all.
MOST_LINES = 20


def add(commands: Commands) -> None:
    """Adds the command."""
    parser = command(
        commands, "read", "say what is in a bus log: who spoke, who fell silent, which trouble codes", run,
        "Reads a log recorded from a CAN bus and says who spoke how often, who fell silent and who together, which "
        "trouble codes were sent, and what could not be read. docs/bus-logs.md says how.",
    )  # fmt: skip
    parser.add_argument("log", help="the log, ending in .log, .asc, .blf, .trc, .csv or .mf4, or in these and .gz")
    parser.add_argument(
        "--bit-rate", metavar="RATE", default="", help='of the bus, like "500 kbit/s"; 250 kbit/s when left out'
    )
    parser.add_argument("--dbc", metavar="FILE", default="", help="a DBC file, for names of messages")
    parser.add_argument(
        "--signal", action="append", default=[], metavar="NAME",
        help="a signal of the DBC file whose values are given; several times",
    )  # fmt: skip
    parser.add_argument("--messages", action="store_true", help="list every message too, not only who spoke")


def run(arguments: argparse.Namespace) -> int:
    """Reads the log."""
    from pathlib import Path

    from halfsplit.cli.console import print_json, progress
    from halfsplit.service.bus_logs import read_log

    with progress(f"Reading {Path(arguments.log).name}") as told:
        found = read_log(
            Path(arguments.log), rate=arguments.bit_rate, dbc=Path(arguments.dbc) if arguments.dbc else None,
            signals=tuple(arguments.signal), told=told,
        )  # fmt: skip
    if arguments.json:
        print_json(found)
        return 0
    _reading(found)
    _speakers(found, messages=arguments.messages)
    _silences(found)
    _codes(found)
    _rest(found)
    return 0


def _share(value: float) -> str:
    return f"{100 * value:.1f} %"


def _reading(found: LogSaid) -> None:
    from halfsplit.cli.console import rule, say

    rule(found.file, f"{found.frames:,} frames in {seconds(found.length_s)}")
    for channel in found.channels:
        say(
            f"{channel.frames:,} frames; bus {_share(channel.mean_share)} full, {_share(channel.fullest_share)} in "
            f"its fullest second, at {found.bit_rate / 1000:g} kbit/s.",
            first=f"{channel.name}: ", hang=2,
        )  # fmt: skip
    if not found.unreadable:
        say("Everything in the file could be read.")
    else:
        places = "1 place" if found.unreadable == 1 else f"{found.unreadable:,} places"
        say(f"{places} could not be read:", "bold")
        for one in found.unreadable_places[:MOST_LINES]:
            say(one.what, first=f"{one.place}: ", indent=2)
        _more(found.unreadable - min(len(found.unreadable_places), MOST_LINES))
    for jump in found.jumps[:MOST_LINES]:
        direction = "forward" if jump.by_s > 0 else "back"
        say(f"The recorded clock jumped {direction} by {seconds(abs(jump.by_s))} at frame {jump.frame:,}.")
    _more(found.clock_jumps - min(len(found.jumps), MOST_LINES))
    if found.out_of_turn:
        say(f"{found.out_of_turn:,} frames stand slightly out of their turn.")


def _speakers(found: LogSaid, *, messages: bool) -> None:
    from halfsplit.cli.console import rule, say, say_raw

    say()
    rule("Who spoke")
    shown = [("speaker", found.speakers)] + ([("message", found.messages)] if messages else [])
    for title, speakers in shown:
        wide = max((len(one.name) for one in speakers), default=0)
        wide = min(max(wide, len(title)), 34)
        say_raw(f"{title:{wide}}  {'frames':>9}  {'period':>9}  {'jitter':>9}  {'silent after':>12}", "dim")
        most = len(speakers) if messages else MOST_LINES
        for one in sorted(speakers, key=lambda each: -each.frames)[:most]:
            say_raw(
                f"{one.name[:wide]:{wide}}  {one.frames:9,}  {_or_dash(one.period_s):>9}  {_or_dash(one.jitter_s):>9}"
                f"  {_or_dash(one.silent_after_s):>12}"
            )
        _more(len(speakers) - min(len(speakers), most))


def _or_dash(value: float | None) -> str:
    return "-" if value is None else seconds(value)


def seconds(value: float) -> str:
    """A time for a person: three digits, in ms, s, min or h."""
    if value < 0.9995:
        return f"{1000 * value:.3g} ms"
    if value < 600:
        return f"{value:.4g} s" if value < 100 else f"{value:.1f} s"
    return f"{value / 60:.1f} min" if value < 7200 else f"{value / 3600:.1f} h"


def _silences(found: LogSaid) -> None:
    from halfsplit.cli.console import rule, say

    say()
    rule("Who fell silent")
    if not found.silences:
        say("Nobody whose habit would show it.")
    for event in found.silences[:MOST_LINES]:
        if len(event.silences) == 1:
            say(f"{event.silences[0].speaker}: {_stretch(event.silences[0])}")
            continue
        who = "Everybody" if event.everybody else f"{len(event.silences)} together"
        say(f"{who} from {event.at_s:.2f} s:", "bold")
        for one in event.silences:
            say(_stretch(one), first=f"{one.speaker}: ", indent=2)
        if event.everybody:
            say("The bus itself, its common supply, or the recorder.", indent=2)
    _more(len(found.silences) - min(len(found.silences), MOST_LINES))
    for pair in found.together[:MOST_LINES]:
        say(
            f"{pair.first} and {pair.second} fell silent together {pair.times} times, {pair.expected:.2g} expected by "
            f"chance; probability of that {pair.p:.1e}."
        )


def _stretch(one: SilenceSaid) -> str:
    until = "to the end" if one.to_end else f"to {one.to_s:.2f} s"
    return f"silent from {one.from_s:.2f} s {until}, {seconds(one.to_s - one.from_s)}"


def _codes(found: LogSaid) -> None:
    from halfsplit.cli.console import rule, say

    say()
    rule("Trouble codes", f"{found.code_messages:,} messages of codes" if found.code_messages else "")
    if not found.codes:
        say("None sent by SAE J1939-73.")
    wiring = {"strong": "; suspect wiring or a contact", "some": "; wiring possible", "no": ""}
    for one in found.codes[:MOST_LINES]:
        counted = "" if one.count is None else f", counted {one.count}"
        old = "; number laid out the old way, not to be trusted" if one.old_layout else ""
        say(
            f"{one.meaning}{counted}; {one.kind} {one.spans[0][0]:.1f} to {one.spans[-1][1]:.1f} s{wiring[one.wiring]}"
            f"{old}",
            first=f"{one.speaker} SPN {one.spn} FMI {one.fmi}: ", hang=2,
        )  # fmt: skip
    _more(len(found.codes) - min(len(found.codes), MOST_LINES))
    for who in found.many_codes:
        say(
            f"{who} reports many at once that speak for wiring: look at what its sensors share first, supply, ground, "
            "reference or a connector, before any one of them.",
        )
    for lamps in found.lamps:
        on = [
            word
            for word, state in (
                ("malfunction", lamps.malfunction), ("red stop", lamps.red_stop), ("amber", lamps.amber),
                ("protect", lamps.protect),
            )
            if state == "on"
        ]  # fmt: skip
        if on:
            say(f"{lamps.speaker} asks for the lamps: {', '.join(on)}.")


def _rest(found: LogSaid) -> None:
    from halfsplit.cli.console import rule, say

    lines = [f"{one.channel}: {one.count} error frames at {one.from_s:.2f} s" for one in found.errors[:MOST_LINES]]
    lines += [f"Off the bus for its errors, {one.place}: {one.what}" for one in found.bus_off[:MOST_LINES]]
    lines += [
        f"{one.speaker}: {one.incomplete} of {one.complete + one.incomplete} long messages of group {one.group} not "
        f"whole, {one.lost_packets} packets lost"
        for one in found.long_messages
        if one.incomplete
    ]
    lines += found.address_conflicts
    lines += [
        f"{one.speaker}: {one.which} {one.lowest_v:.2f} V at the lowest ({one.lowest_at_s:.1f} s), "
        f"{one.highest_v:.2f} V at the highest"
        for one in found.supplies
    ]
    lines += [
        f"{one.message} {one.signal}: {one.least:g} to {one.largest:g} {one.unit}, last {one.last:g}".rstrip()
        for one in found.signals
    ]
    if found.misfits:
        one = "1 frame does" if found.misfits == 1 else f"{found.misfits:,} frames do"
        lines.append(f"{one} not fit what the DBC file says of a signal that was asked for, and count in no value.")
    if found.errors_told:
        lines.append(f"{found.errors_told} lines of the log tell of errors on the bus without a frame.")
    if lines:
        say()
        rule("And also")
    for line in lines:
        say(line, hang=2)


def _more(count: int) -> None:
    from halfsplit.cli.console import say

    if count > 0:
        say(f"and {count:,} more; --json has them.", indent=2)
