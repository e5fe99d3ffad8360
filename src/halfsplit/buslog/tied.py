"""Whether drops of a watched bus are tied to the place that was moved meanwhile, or come as often without it.

If they had nothing to do with the place, each of the drops of the whole watch would fall into the time the place was
moved with the share that time has of the watch. The probability of as many there or more is binomial; it is the exact
comparison of two Poisson rates, given how many drops there were in all (Przyborowski and Wilenski 1940).

A drop whose moment cannot be told closely enough to lie on one side of the word that was given counts for neither.
"""

from __future__ import annotations

from dataclasses import dataclass

from scipy.special import bdtrc

from halfsplit.buslog.watching import Drop, Spell, Watch, drops, heard_s

#: From this probability down chance is out of the question; the one that pairs of speakers are held to. Looked at again
#: at every drop it stays under the three in a hundred with which a sound place is taken to react by itself, see tests.
CHANCE = 0.01


@dataclass(frozen=True, slots=True)
class Tied:
    """Drops while ``place`` was moved, against the rest of the watch. ``p`` is the probability of that by chance.

    ``together`` are those drops themselves, ``unsure`` the number that fell beside a word given.
    """

    place: str
    together: tuple[Drop, ...]
    moved_s: float
    others: int
    rest_s: float
    p: float
    unsure: int

    @property
    def share(self) -> float:
        """The place's share of the time."""
        return self.moved_s / max(self.moved_s + self.rest_s, 1e-9)

    @property
    def sure(self) -> bool:
        """Whether chance is out of the question."""
        return bool(self.together) and self.p <= CHANCE


def tied(watch: Watch, place: str) -> Tied:
    """Compares the time in which ``place`` was moved with the rest of the watch."""
    spells = [one for one in watch.spells if one.place == place]
    inside, others, unsure = [], 0, 0
    for drop in drops(watch):
        where = {_where(spell, drop) for spell in spells}
        if "inside" in where:
            inside.append(drop)
        elif "beside" in where:
            unsure += 1
        else:
            others += 1
    moved_s = sum(heard_s(watch, one.from_s, _end(watch, one)) for one in spells)
    rest_s = max(0.0, heard_s(watch, watch.began_s, watch.now_s) - moved_s)
    count = len(inside)
    share = moved_s / max(moved_s + rest_s, 1e-9)
    p = float(bdtrc(count - 1, count + others, share)) if count and share < 1.0 else 1.0
    return Tied(place, tuple(inside), moved_s, others, rest_s, p, unsure)


def place_of(watch: Watch, drop: Drop) -> str:
    """The place that was moved when the drop happened; "" when none was, or it cannot be told."""
    return next((one.place for one in watch.spells if _where(one, drop) == "inside"), "")


def _end(watch: Watch, spell: Spell) -> float:
    return watch.now_s if spell.to_s is None else spell.to_s


def _where(spell: Spell, drop: Drop) -> str:
    end = float("inf") if spell.to_s is None else spell.to_s
    if spell.from_s <= drop.at_s and drop.latest_s <= end:
        return "inside"
    return "beside" if drop.latest_s >= spell.from_s and drop.at_s <= end else "outside"
