"""When a hunt ends, and in which words: mended, handed over, or not found."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from halfsplit.diagnosis.hunt import Hunt
from halfsplit.diagnosis.naming import group_short
from halfsplit.diagnosis.planning import NO_REPAIR_ABOVE, Decision
from halfsplit.quantities import in_100

Kind = Literal["go on", "finish", "hand over", "not found"]
#: A suspect below these odds is not passed on to whoever takes over; no source.
WORTH_NAMING = 0.05


@dataclass(frozen=True, slots=True)
class Ending:
    """How the hunt stands: ``kind``, ``words`` for the person, the groups to name as cause or to pass on."""

    kind: Kind
    words: str
    groups: tuple[str, ...] = ()


def ending(hunt: Hunt, decision: Decision) -> Ending:
    """Whether the hunt goes on, and what to say when it does not."""
    space, belief = hunt.bench.space, hunt.belief
    odds = belief.cause_odds()
    best = [int(at) for at in np.argsort(-odds)[:4] if odds[at] >= WORTH_NAMING]
    ids = tuple(space.groups[at].id for at in best)
    if decision.kind == "finish":
        mended = in_100(belief.mended)
        if not best or belief.nothing > odds[best[0]]:
            return Ending(
                "not found",
                f"Nothing is wrong now, as far as can be told ({mended}), and no place stands out as "
                f"the "
                "cause. Note the conditions, protect what looks weak, tell the owner what to watch for, and "
                "close the job as not found.",
            )
        return Ending(
            "finish",
            f"Mended, as far as can be told ({mended}). Cause: {group_short(space.groups[best[0]])} "
            f"({in_100(odds[best[0]])}). Run it the way it failed before handing it back, read "
            f"the "
            "same points again, then close up and close the job.",
            ids,
        )
    if decision.kind == "hand-over":
        named = "; ".join(f"{group_short(space.groups[at])} ({in_100(odds[at])})" for at in best)
        if belief.other > NO_REPAIR_ABOVE:
            return Ending(
                "hand over",
                "No check within reach tells any more, and nothing in this machine's file explains what was "
                "seen "
                "well. Something the file does not know of (added wiring, another system) or a wrong "
                "reading is "
                "likelier. Hand over with the readings; repair nothing on these odds.",
                ids,
            )
        return Ending(
            "hand over",
            f"No check within reach tells any more. Left are: {named or 'nothing that stands out'}. Reach a "
            f"place "
            "that was out of reach, mend the likeliest, or hand over with this list.",
            ids,
        )
    return Ending("go on", "", ids)
