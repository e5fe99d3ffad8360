"""Several readings of one point: what they come to, and how sure it is that the leads were on the right pins.

A machine's tolerances do not change between two readings of one point, so they count once. But each time the leads
are put on anew they may be on the wrong pin, and hardly twice on the same wrong one: volts that agree are surer than
one, and volts that do not agree say nothing until a further one settles it.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import replace

from halfsplit.observations import Reading, Reread

#: Volts of one point that agree lie within this and this share of the value: the meter's last digits, and a machine
#: whose engine and loads do not stand still; from memory.
AGREE_V = 0.15
AGREE_SHARE = 0.05


def settled(repeats: Mapping[Reading, Sequence[float]]) -> list[Reading]:
    """Every point once. ``repeats`` holds the values of each reading, by the reading with its value left out."""
    found: list[Reading] = []
    for key, values in repeats.items():
        alike = agreeing(key, values)
        if not alike:
            continue
        if key.quantity == "volts" and len(alike) > 1:
            mean = sum(alike) / len(alike)
            found.append(
                Reread("volts", key.plus, key.minus, key.state, mean, key.unplugged, key.showing, len(alike))
            )
        else:
            found.append(replace(key, value=_together(key, alike)))
    return found


def agreeing(key: Reading, values: Sequence[float]) -> Sequence[float]:
    """The values of one point that agree: of volts the most that do, none where each says something else.

    Of all else every one.
    """
    if key.quantity != "volts" or len(values) == 1:
        return values
    near = [[one for one in values if abs(one - middle) <= AGREE_V + AGREE_SHARE * abs(middle)] for middle in values]
    most = max(len(one) for one in near)
    # Two camps of the same size are settled by a further reading, not by chance.
    camps = {tuple(sorted(one)) for one in near if len(one) == most}
    apart = most == 1 or max(min(one) for one in camps) > min(max(one) for one in camps)
    return () if apart else max(camps)


def _together(key: Reading, values: Sequence[float]) -> float:
    """One value for readings of one point: the mean; of a lamp what was seen most often, the darker when equal."""
    if key.quantity == "lamp":
        counts = Counter(values)
        return min(counts, key=lambda value: (-counts[value], value))
    return sum(values) / len(values)
