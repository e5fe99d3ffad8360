"""Whether the odds of a place hang on one reading alone, which the leads may have taken at the wrong pin.

Nobody condemns a part on one reading: before it is mended the leads are put on once more. In minutes alone that is
seldom worth it; it is worth it to whoever signs for the repair.
"""

from __future__ import annotations

import copy
from collections.abc import Iterable
from dataclasses import replace

from halfsplit.diagnosis.belief import believe
from halfsplit.diagnosis.evidence import Evidence
from halfsplit.diagnosis.space import Floats
from halfsplit.observations import Reading

#: Odds of a repair from which it must not hang on one reading; no source.
SURE = 0.90
#: It hangs on a reading when the odds without that reading are below this; no source.
HANGS_BELOW = 0.60


def hangs_on(evidence: Evidence, log_prior: Floats, group: int, made: Iterable[Reading]) -> list[Reading]:
    """Readings of ``made`` (value 0, as ``Epoch.repeats`` has them) on each of which alone a group's odds hang.

    Those without which the odds fall lowest first. Single faults only: two are never condemned by one reading.
    """
    epoch = evidence.epochs[-1]
    found: list[tuple[float, Reading]] = []
    for key in made:
        if key.quantity != "volts" or len(epoch.repeats.get(key, ())) != 1:
            continue
        without = copy.copy(evidence)
        left = {other: values for other, values in epoch.repeats.items() if other != key}
        without.epochs = [*evidence.epochs[:-1], replace(epoch, repeats=left)]
        odds = float(believe(without, log_prior).group_odds()[group])
        if odds < HANGS_BELOW:
            found.append((odds, key))
    return [key for _, key in sorted(found, key=lambda one: one[0])]

