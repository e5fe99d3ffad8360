"""How results look on a terminal of any width: cautions first, then steps, then what results would mean."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import TYPE_CHECKING

from halfsplit.cli.console import minutes, percent, print_json, rule, say, width

if TYPE_CHECKING:
    from halfsplit.service.results import (
        Alike,
        JobHead,
        Log,
        LogTaken,
        MeaningLine,
        NextStep,
        Noted,
        OutcomeLine,
        Recorded,
        Step,
        Suspect,
        Suspects,
        WhyLines,
    )

#: Below this width everything stands in one column.
NARROW = 60
#: Longer labels of results get a line of their own.
WIDEST_LABEL = 30
#: Nothing stands out when the likeliest repair after a result is below these odds.
STANDS_OUT = 0.10
#: From these odds on a person is told that there may be two faults; no source.
TWO_NAMED = 0.05


def show_head(head: JobHead) -> None:
    """The job in a line or two."""
    rule(f"Job {head.job}", f"{minutes(head.minutes)} so far", "bold")
    unit = f", unit {head.unit}" if head.unit else ""
    say(f"{head.machine_name}{unit}")
    told = "; ".join(head.complaint)
    more = [*head.conditions, *(["comes and goes"] if head.comes_and_goes else [])]
    say(f"Complaint: {told}{' (' + ', '.join(more) + ')' if more else ''}", hang=11)


def show_next(found: NextStep, *, with_head: bool = True, shown_before: Sequence[str] = ()) -> None:
    """Where the job stands and what to do next.

    Cautions in ``shown_before`` are shown by their first sentence.
    """
    if with_head:
        show_head(found.head)
        say()
    if found.surprise:
        say(found.surprise, "yellow", first="Surprise: ")
        say()
    if found.fixed_idea:
        say(found.fixed_idea, "yellow", first="Stop and think: ")
        say()
    if found.step is None:
        titles = {"finish": "MENDED", "hand over": "HAND OVER", "not found": "NOT FOUND"}
        rule(titles.get(found.kind, found.kind.upper()), style="bold green")
        say(found.words)
        if found.open_access:
            say(f"Still open: {', '.join(found.open_access)}.")
    else:
        show_step(found.step, shown_before)
        if found.others:
            other = found.others[0]
            more = minutes(abs(other.more_minutes))
            cost = (
                "no longer"
                if abs(other.more_minutes) < 0.05
                else (f"{more} longer" if other.more_minutes > 0 else f"{more} shorter")
            )
            say(f"{other.short} ({minutes(other.minutes)}, {cost})", "dim", first="Else: ")
    show_suspects_line(found.suspects, found.nothing, found.something_else, found.two_at_once)


def show_step(step: Step, shown_before: Sequence[str] = ()) -> None:
    """One check or repair in full."""
    what = "NEXT: MEND" if step.kind == "repair" else "NEXT CHECK"
    rule(what, minutes(step.minutes.total), "bold green")
    say(step.title, "bold")
    parts = [f"{minutes(step.minutes.own)} for itself"]
    if step.minutes.opening or step.minutes.closing:
        parts.append(f"{minutes(step.minutes.opening)} opening")
        parts.append(f"{minutes(step.minutes.closing)} closing up later")
    if step.minutes.setting:
        parts.append(f"{minutes(step.minutes.setting)} setting the machine")
    if step.minutes.verifying:
        parts.append(f"{minutes(step.minutes.verifying)} trying it out")
    if len(parts) > 1:
        say(", ".join(parts), "dim")
    for caution in step.cautions:
        if caution not in shown_before:
            say(caution, "bold yellow", first="! ")
        elif len(step.cautions) == 1 or caution != step.cautions[-1]:
            # Said in full before in this sitting: its first sentence reminds of it. The last one, on the
            # maker's manual, stands at every first showing.
            say(_first_sentence(caution), "yellow", first="! ")
    for number, text in enumerate(step.steps, 1):
        say(text, first=f"{number}. ")
    if step.kind == "repair":
        if step.came_right is not None:
            say(
                f"{percent(step.came_right)} that this was bad: it came right when it was handled, and comes back "
                "unless it is mended."
            )
        elif step.odds is not None and step.success is not None:
            say(
                f"{percent(step.odds)} that this is needed; the work cures it in {percent(step.success)} of "
                f"cases."
            )
        if step.material:
            say(step.material, first="Take along: ")
        for text in step.look_for[1:3]:
            say(text, "dim", first="Or: ")
    else:
        show_outcomes(step.outcomes)
    say(step.answers, "dim", first="Type: ")


def _first_sentence(text: str) -> str:
    head, stop, _ = text.partition(". ")
    return f"{head}." if stop else text


def show_outcomes(outcomes: Sequence[OutcomeLine]) -> None:
    """What each result would mean."""
    labels = [f"{one.label}{' (as it should)' if one.healthy else ''}" for one in outcomes]
    column = min(max((len(label) for label in labels), default=0), WIDEST_LABEL) + 2
    for label, one in zip(labels, outcomes, strict=True):
        points = meaning(one.means)
        if width() < NARROW or len(label) > WIDEST_LABEL:
            say(f"{label}: {percent(one.chance)}", first="- ")
            say(points, "dim", indent=4)
        else:
            say(points, first=f"  {label:<{column}}{percent(one.chance):>6}  ")


def meaning(means: Sequence[MeaningLine]) -> str:
    """What a result would point to, in a few words."""
    if not means or means[0].odds < STANDS_OUT:
        return "nothing stands out yet"
    named = [one for one in means if one.odds >= max(STANDS_OUT / 2, 0.2 * means[0].odds)]
    return ", ".join(f"{one.repair} {percent(one.odds)}" for one in named)


def show_suspects_line(suspects: Sequence[Suspect], nothing: float, other: float, two_at_once: float) -> None:
    """The first few suspects in one paragraph."""
    named = [f"{number} {one.repair} {percent(one.odds)}" for number, one in enumerate(suspects[:4], 1)]
    named.append(f"something else {percent(other)}")
    if nothing >= 0.02:
        named.append(f"nothing wrong now {percent(nothing)}")
    if two_at_once >= TWO_NAMED:
        named.append(f"two faults at once {percent(two_at_once)}")
    say("; ".join(named), first="Suspects: ", hang=4)


def show_suspects(found: Suspects, most: int = 12) -> None:
    """The list of suspects."""
    show_head(found.head)
    say()
    for number, one in enumerate(found.suspects[:most], 1):
        say(f"{one.repair}: {one.text}", first=f"{number:>2} {percent(one.odds):>5}  ")
        say(f"{one.zone}, {minutes(one.minutes)} to mend", "dim", indent=10)
    whole = 1.0 + found.two_at_once
    rest = whole - sum(one.odds for one in found.suspects[:most]) - found.nothing - found.something_else
    if rest > 0.005:
        say("others, each less likely", "dim", first=f"   {percent(rest):>5}  ")
    say(
        "something else (nothing this machine file knows of)",
        first=f"   {percent(found.something_else):>5}  ",
    )
    say("nothing wrong now", first=f"   {percent(found.nothing):>5}  ")
    if found.two_at_once >= TWO_NAMED:
        say(
            "two faults at once; each of the two counts in the list above",
            first=f"   {percent(found.two_at_once):>5}  ",
        )


def show_why(found: WhyLines) -> None:
    """What speaks for and against one suspect."""
    rule(found.repair, percent(found.odds), "bold")
    say(found.text)
    say(f"Compared with: {found.rival_repair} ({percent(found.rival_odds)}).", "dim", hang=4)
    told = sorted(found.testimonies, key=lambda one: -abs(one.ratio))
    times = Counter((one.subject, one.found, one.expected, one.weight) for one in told)
    shown: set[tuple[str, str, str, str]] = set()
    for one in told:
        key = (one.subject, one.found, one.expected, one.weight)
        if one.little or key in shown:
            continue
        shown.add(key)
        style = "green" if one.ratio > 0 else "red"
        expected = f"; expected {one.expected}" if one.expected else ""
        often = f" ({times[key]} times)" if times[key] > 1 else ""
        start = f"{one.weight:>16}  " if width() >= NARROW else f"{one.weight}: "
        say(
            f"{one.subject}: {one.found}{expected}{often}",
            style,
            first=start,
            hang=18 if width() >= NARROW else 2,
        )
    little = sum(one.little for one in told)
    if little:
        say(f"{little} more observation{'s say' if little > 1 else ' says'} little between the two.", "dim")
    if abs(found.prior_ratio) >= 1.0:
        side = "more" if found.prior_ratio > 0 else "less"
        say(f"Such faults are {side} common here than the one compared with.", "dim")
    if found.worked_on:
        say(found.worked_on, "dim")
    if found.doubles:
        named = ", ".join(f"{one.repair} ({percent(one.odds)})" for one in found.doubles)
        say(f"No reading in these states tells it apart from: {named}.", "yellow", hang=4)


def show_alike(found: Alike | None) -> None:
    """What a log of the bus cannot tell apart, and the meter check that would."""
    if found is None:
        return
    say(
        f"The bus cannot tell {found.count} repairs apart, {percent(found.odds)} together:", "bold",
    )
    for one in found.suspects:
        say(f"{percent(one.odds)}  {one.repair}", indent=2)
    if found.count > len(found.suspects):
        say(f"and {found.count - len(found.suspects)} more; halfsplit job suspects lists them.", indent=2)
    check = found.check_words or "nothing that a meter within reach shows"
    say(f"What parts them with a meter: {check}.")
    say()


def show_recorded(found: Recorded | LogTaken, *, more: int = 0) -> None:
    """What was just written down; ``more`` codes that are not active are only counted."""
    for text in found.words:
        say(text, "cyan", first="Recorded: ", hang=4)
    if more:
        say(f"{more} codes that are not active", "cyan", first="Recorded: ", hang=4)
    say()


def show_noted(found: Noted, *, as_json: bool) -> None:
    """An entry of a job's papers, as text or JSON."""
    if as_json:
        print_json(found)
    else:
        say(f"Entry {found.entry} of job {found.job}: {found.words}.")


def show_log(found: Log) -> None:
    """All entries of a job."""
    show_head(found.head)
    say()
    total = 0.0
    for line in found.lines:
        if not line.undone:
            total += line.minutes
        text = f"{line.words}{' (taken back)' if line.undone else ''}"
        spent = f"{line.minutes:5.1f}" if line.minutes else "     "
        who = f" [{line.by}]" if line.by else ""
        first = f"{line.number:>3} {spent} min  " if line.minutes else f"{line.number:>3}            "
        if width() < NARROW:
            first = f"{line.number} "
            text = f"{text}{f' ({minutes(line.minutes)})' if line.minutes else ''}"
        say(f"{text}{who}", "dim strike" if line.undone else "", first=first)
    say()
    state = f"Closed. Cause: {found.cause}." if found.head.state == "closed" else "Open."
    say(f"{minutes(total)} worked. {state}", "bold")
