"""How often somebody may do something: so many at once, and one more each so often."""

from __future__ import annotations

import math
import threading
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass

#: Names or addresses remembered at most, so that nobody fills the memory with new ones; the one longest not seen goes
#: first. Invented limit.
MOST_REMEMBERED = 10_000


@dataclass(frozen=True, slots=True)
class Rate:
    """``at_once`` times in a row, and once more each ``each_s`` seconds."""

    at_once: int
    each_s: float


#: Trying a password: for one name, and from one address. NIST SP 800-63B (revision 3), 5.2.2 allows at most 100 wrong
#: ones in a row; a person who mistypes needs a few. The figures are ours.
SIGN_IN_OF_A_NAME = Rate(10, 60.0)
SIGN_IN_FROM_AN_ADDRESS = Rate(30, 10.0)
#: Writing, for one person: a phone that was away all day sends what waits there in one go. Invented limit.
WRITES_OF_A_PERSON = Rate(400, 0.2)


class Meter:
    """Counts how often each key did something. ``clock`` gives seconds that only go forward."""

    def __init__(self, rate: Rate, clock: Callable[[], float]) -> None:
        self._rate = rate
        self._clock = clock
        self._guard = threading.Lock()
        self._seen: OrderedDict[str, tuple[float, float]] = OrderedDict()

    def wait_s(self, key: str) -> float:
        """Counts one more; 0 when it may be done, else the seconds to wait, and it is not counted."""
        now = self._clock()
        with self._guard:
            left, since = self._seen.pop(key, (float(self._rate.at_once), now))
            left = min(float(self._rate.at_once), left + (now - since) / self._rate.each_s)
            allowed = left >= 1.0
            self._seen[key] = (left - 1.0 if allowed else left, now)
            while len(self._seen) > MOST_REMEMBERED:
                self._seen.popitem(last=False)
        return 0.0 if allowed else (1.0 - left) * self._rate.each_s

    def forget(self, key: str) -> None:
        """Begins anew for a key."""
        with self._guard:
            self._seen.pop(key, None)


def whole_seconds(wait_s: float) -> str:
    """A wait as the header Retry-After has it (RFC 9110, 10.2.3)."""
    return str(max(1, math.ceil(wait_s)))
