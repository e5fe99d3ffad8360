"""What a run shows when nothing is known of the fault before: bounds on how often anything can still fail.

Sources: zero-failure (success-run) rule and chi-square test lengths, NIST/SEMATECH e-Handbook of Statistical
Methods 8.3.1.1 and 8.2.1; test length with a gamma prior, 8.3.1.5. A chi-square quantile with 2a degrees of
freedom is twice the gamma quantile of shape a, which ``scipy.special.gammaincinv`` gives.
"""

from __future__ import annotations

import math

from scipy.special import gammaincinv

from halfsplit.errors import InternalError

#: The unrounded number of trials is taken as whole when it is this near, so that ln(.1)/ln(.1) needs one, not two.
WHOLE = 1e-9
#: Shapes the 50/95 method is looked for between: beyond them the two figures are equal, or have no ratio; no source.
SHAPES = (1e-3, 1e6)


def trials_without_failure(reliability: float, confidence: float) -> int:
    """Trials that must all go well to show ``reliability`` per trial with ``confidence``, both inside 0..1.

    n = ceil(ln(1 - C) / ln R).
    """
    _share(reliability=reliability, confidence=confidence)
    return max(1, math.ceil(math.log1p(-confidence) / math.log(reliability) - WHOLE))


def reliability_shown(trials: int, confidence: float) -> float:
    """Reliability per trial that ``trials`` without failure show, starting from an even prior over 0..1.

    R = (1 - C) ** (1 / (n + 1)).
    """
    _share(confidence=confidence)
    _count(trials=trials)
    return math.exp(math.log1p(-confidence) / (trials + 1))


def length_factor(confidence: float, failures: int = 0) -> float:
    """Test length: hours of running per hour of mean time between failures to be shown; chi2inv(C, 2r + 2) / 2."""
    _share(confidence=confidence)
    _count(failures=failures)
    return float(gammaincinv(failures + 1.0, confidence))


def hours_to_show(mtbf_h: float, confidence: float, failures: int = 0) -> float:
    """Hours with at most ``failures`` that show a mean time between failures of ``mtbf_h`` hours."""
    _positive(mtbf_h=mtbf_h)
    return mtbf_h * length_factor(confidence, failures)


def mtbf_shown_h(hours: float, failures: int, confidence: float) -> float:
    """Lower limit in hours of the mean time between failures after a run ended by the clock."""
    _positive(hours=hours)
    return hours / length_factor(confidence, failures)


def prior_from_two_times(half_h: float, nearly_all_h: float) -> tuple[float, float]:
    """Gamma(a, b) over the rate per hour, from two believed mean times between failures in hours.

    One chance in two that it is above ``half_h``, 95 in 100 that it is above ``nearly_all_h``, which must be the
    smaller one. Gives a and b (b in hours).
    """
    _positive(half_h=half_h, nearly_all_h=nearly_all_h)
    from scipy.optimize import brentq  # loads slowly, and nothing else here needs it

    wanted = math.log(half_h / nearly_all_h)

    def off(log_shape: float) -> float:
        shape = math.exp(log_shape)
        return math.log(gammaincinv(shape, 0.95) / gammaincinv(shape, 0.5)) - wanted

    low, high = (math.log(shape) for shape in SHAPES)
    if wanted <= 0.0 or off(low) * off(high) > 0.0:
        raise InternalError(f"No gamma distribution has {half_h} h at 50 % and {nearly_all_h} h at 95 %.")
    shape = math.exp(float(brentq(off, low, high, xtol=1e-12)))
    return shape, half_h * float(gammaincinv(shape, 0.5))


def hours_with_prior(shape: float, prior_h: float, mtbf_h: float, confidence: float, failures: int = 0) -> float:
    """Hours with ``failures`` that show ``mtbf_h``, starting from Gamma(``shape``, ``prior_h``) on the rate.

    T = M gammainv(C; a + r, 1) - b; never below 0.
    """
    _positive(shape=shape, prior_h=prior_h, mtbf_h=mtbf_h)
    _share(confidence=confidence)
    _count(failures=failures)
    return max(0.0, mtbf_h * float(gammaincinv(shape + failures, confidence)) - prior_h)


def _share(**values: float) -> None:
    for name, value in values.items():
        if not 0.0 < value < 1.0:
            raise InternalError(f"{name} is {value}, where a share between 0 and 1 is meant.")


def _positive(**values: float) -> None:
    for name, value in values.items():
        if not 0.0 < value < math.inf:
            raise InternalError(f"{name} is {value}, where a number above zero is meant.")


def _count(**values: int) -> None:
    for name, value in values.items():
        if value < 0:
            raise InternalError(f"{name} is {value}, where a count is meant.")
