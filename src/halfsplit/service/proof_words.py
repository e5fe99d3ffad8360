"""Histories and runs in words, and the words people type for them."""

from __future__ import annotations

import re
from typing import get_args

from halfsplit.errors import UserError, nearest
from halfsplit.jobs.events import HistoryStated, RunRecorded
from halfsplit.observations import Measure
from halfsplit.quantities import duration_min

#: Codes raised from this module, each with one sentence.
CODES: dict[str, str] = {
    "amount-unread": "What was typed is no time and no number of starts, cycles or wet-downs.",
}

SINGULAR: dict[Measure, str] = {
    "hours": "hour", "starts": "start", "cycles": "cycle", "wet-downs": "wet-down",
}  # fmt: skip


def read_amount(text: str) -> tuple[Measure, float]:
    """A measure and how much of it: "40 h" or "90 min" of running, "25 starts", "1 cycle", "6 wet-downs".

    Raises UserError("amount-unread") with the nearest spelling.
    """
    plain = " ".join(text.split()).casefold()
    counted = re.fullmatch(r"([+]?\d+(?:[.,]\d+)?) ?([a-z][a-z -]*)", plain)
    words = {word: measure for measure in get_args(Measure) for word in (measure, SINGULAR[measure])}
    word = counted[2].strip().replace("wet down", "wet-down") if counted else ""
    if counted and words.get(word, "hours") != "hours":
        return words[word], float(counted[1].replace(",", "."))
    try:
        return "hours", duration_min(plain.replace("hours", "h").replace("hour", "h")) / 60.0
    except UserError:
        near = nearest(word, words) if word else None
        raise UserError(
            "amount-unread",
            f'"{text.strip()}" is no amount of running.',
            f'Did you mean "{counted[1]} {near}"?'
            if counted and near
            else 'Write it like "40 h", "25 starts", "10 cycles" or "3 wet-downs".',
        ) from None


def amount_words(measure: Measure, amount: float) -> str:
    """An amount for a person: "3.5 h", "1 start", "25 starts"."""
    if measure == "hours":
        return f"{amount:.0f} h" if amount >= 100 else f"{float(f'{amount:.3g}'):g} h"
    return f"{amount:g} {SINGULAR[measure] if amount == 1 else measure}"


def proof_words(what: HistoryStated | RunRecorded) -> str:
    """A history or a run in one line of a log."""
    amount = amount_words(what.measure, what.amount)
    if isinstance(what, HistoryStated):
        times = "once" if what.events == 1 else f"{what.events} times"
        since = "since it was known to be good" if what.from_good else "since first seen"
        return f"history: failed {times} in {amount} {since}{_under(what.condition)}"
    outside = "" if what.in_condition else ", not in the condition that brings it out"
    found = "came back" if what.seen else "quiet"
    return f"ran {amount}{outside}: {found}{f' ({what.note})' if what.note else ''}"


def _under(condition: str) -> str:
    return f", counted in {condition}" if condition else ""
