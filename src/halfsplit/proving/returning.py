"""A repaired fault that came back, as evidence: the complaint's functions seen bad again after the work.

The odds treat a symptom after an action as they should: what was mended loses most of its weight, and what was
only touched gains. Nothing else needs to be said to them, so this module is small on purpose.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from halfsplit.observations import RELIABILITY_OPERATOR, RELIABILITY_TECHNICIAN, Complaint, Symptom


def seen_again(
    complaint: Complaint, seen: Sequence[Symptom] = (), *, by_technician: bool = True
) -> tuple[Symptom, ...]:
    """The symptoms to add to a job whose fault came back.

    ``seen`` are those that were said; without any, all of the complaint's, as they were complained of. They are
    marked as seen while the fault was showing, with the reliability of a technician or of an operator.
    """
    reliability = RELIABILITY_TECHNICIAN if by_technician else RELIABILITY_OPERATOR
    chosen = tuple(seen) or complaint.symptoms
    return tuple(replace(one, reliability=reliability, showing="yes") for one in chosen)
