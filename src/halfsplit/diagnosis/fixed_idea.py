"""A word said once when the minutes go to one place and the odds have gone to another."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from halfsplit.quantities import in_100

#: Share of all minutes at one place, and odds there, at which to speak; no source.
MINUTES_SHARE = 0.60
ODDS_BELOW = 0.15
#: Fewer minutes than this prove nothing about a habit; no source.
LEAST_MINUTES = 20.0


@dataclass(frozen=True, slots=True)
class FixedIdea:
    """``place`` took ``share`` of the minutes and holds ``odds`` of the suspicion, ``elsewhere`` most."""

    place: str
    minutes: float
    share: float
    odds: float
    elsewhere: str
    elsewhere_odds: float

    @property
    def words(self) -> str:
        """One plain sentence or two."""
        return (
            f"{round(100 * self.share)} of 100 minutes went to {self.place}, which now holds "
            f"{in_100(self.odds)} of the suspicion. {self.elsewhere} holds "
            f"{round(100 * self.elsewhere_odds)}: better go there."
        )


def one_place(minutes_at: Mapping[str, float]) -> str | None:
    """The place that got most of the minutes (by place), None while there are too few or they are spread."""
    total = sum(minutes_at.values())
    if total < LEAST_MINUTES:
        return None
    place = max(minutes_at, key=lambda one: (minutes_at[one], one))
    return place if minutes_at[place] / total > MINUTES_SHARE else None


def fixed_idea(minutes_at: Mapping[str, float], odds_at: Mapping[str, float]) -> FixedIdea | None:
    """The place that got the minutes without deserving them, or None.

    ``minutes_at`` are minutes worked by place, ``odds_at`` the odds by the same places (0..1).
    """
    place = one_place(minutes_at)
    if place is None or not odds_at:
        return None
    share, odds = minutes_at[place] / sum(minutes_at.values()), odds_at.get(place, 0.0)
    elsewhere = max(odds_at, key=lambda one: (odds_at[one], one))
    if odds >= ODDS_BELOW or elsewhere == place or odds_at[elsewhere] <= odds:
        return None
    return FixedIdea(place, minutes_at[place], share, odds, elsewhere, odds_at[elsewhere])
