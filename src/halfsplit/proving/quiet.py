"""How likely it is that a fault which is still there stays quiet, from how often it showed before the repair.

Three ways to know how often: a rate taken as known, a gamma distribution over the rate per hour (so many events
in so many hours), and a beta distribution over the chance per trial (so many failures in so many trials). Few
past events leave the rate itself in doubt, which makes the run longer; the shapes carry that.

Source: conjugate Poisson-gamma and binomial-beta predictive distributions (Gelman et al., Bayesian Data
Analysis); with shape k and T0 hours the gamma form is the exact conditional comparison of two Poisson counts
(Przyborowski and Wilenski 1940).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Protocol

from scipy.special import betaln

from halfsplit.errors import InternalError

#: A run of more trials than this is not looked for: nobody starts a machine a million times; invented limit.
MOST_TRIALS = 1_000_000


class Quiet(Protocol):
    """What knows how likely a missed fault is to stay quiet over an amount of running."""

    def chance(self, amount: float) -> float:
        """Chance, 0..1, of no event in ``amount`` hours or trials (0 or more); never rises with the amount."""
        ...

    def amount_for(self, chance: float) -> float | None:
        """The least amount after which that chance is at most ``chance`` (0..1); None when no amount does."""
        ...


@dataclass(frozen=True, slots=True)
class KnownRate:
    """Events at a known rate per hour, above zero: quiet for t hours with chance exp(-rate t)."""

    rate_per_h: float

    def __post_init__(self) -> None:
        _positive(rate_per_h=self.rate_per_h)

    def chance(self, amount: float) -> float:
        """Chance of no event in ``amount`` hours."""
        return math.exp(-self.rate_per_h * _amount(amount))

    def amount_for(self, chance: float) -> float | None:
        """Hours after which the chance of quiet is ``chance``."""
        if chance >= 1.0:
            return 0.0
        return None if chance <= 0.0 else -math.log(chance) / self.rate_per_h


@dataclass(frozen=True, slots=True)
class GammaRate:
    """A rate per hour ~ Gamma(shape, hours): quiet for t with chance (hours / (hours + t)) ** shape.

    ``shape`` is the number of events counted (plus that of a prior), ``hours`` the time they were counted in
    (plus that of a prior), both above zero.
    """

    shape: float
    hours: float

    def __post_init__(self) -> None:
        _positive(shape=self.shape, hours=self.hours)

    def chance(self, amount: float) -> float:
        """Chance of no event in ``amount`` hours."""
        return math.exp(-self.shape * math.log1p(_amount(amount) / self.hours))

    def amount_for(self, chance: float) -> float | None:
        """Hours after which the chance of quiet is ``chance``; infinite where a float cannot hold them."""
        if chance >= 1.0:
            return 0.0
        if chance <= 0.0:
            return None
        try:
            return self.hours * math.expm1(-math.log(chance) / self.shape)
        except OverflowError:
            return math.inf


@dataclass(frozen=True, slots=True)
class BetaTrials:
    """A chance of failure per trial ~ Beta(a, b): n quiet trials have the chance B(a, b + n) / B(a, b).

    ``a`` and ``b`` are above zero. An amount that is no whole number counts its whole trials only.
    """

    a: float
    b: float

    def __post_init__(self) -> None:
        _positive(a=self.a, b=self.b)

    def chance(self, amount: float) -> float:
        """Chance of no failure in ``amount`` trials."""
        trials = math.floor(_amount(amount))
        if trials == 0:
            return 1.0
        return min(1.0, math.exp(float(betaln(self.a, self.b + trials) - betaln(self.a, self.b))))

    def amount_for(self, chance: float) -> float | None:
        """The fewest trials whose chance of quiet is at most ``chance``; infinite above MOST_TRIALS."""
        if chance >= 1.0:
            return 0.0
        if chance <= 0.0:
            return None
        low, high = 0, 1
        while self.chance(high) > chance:
            low, high = high, 2 * high
            if high > 2 * MOST_TRIALS:
                return math.inf
        while high - low > 1:
            middle = (low + high) // 2
            low, high = (middle, high) if self.chance(middle) > chance else (low, middle)
        return float(high)


@dataclass(frozen=True, slots=True)
class NothingKnown:
    """Seen once and never again: how often it comes is not known, so quiet running tells nothing."""

    def chance(self, amount: float) -> float:
        """Always 1."""
        _amount(amount)
        return 1.0

    def amount_for(self, chance: float) -> float | None:
        """No amount, unless none is needed."""
        return 0.0 if chance >= 1.0 else None


def _amount(amount: float) -> float:
    if not amount >= 0.0:
        raise InternalError(f"A run of {amount} was asked about.")
    return amount


def _positive(**values: float) -> None:
    for name, value in values.items():
        if not 0.0 < value < math.inf:
            raise InternalError(f"{name} is {value} in a distribution, where it must be above zero and finite.")
