"""The arithmetic of the benches: growth, ratios with intervals, shares, stated odds."""

from __future__ import annotations

import numpy as np
import pytest
from estimates import extrapolated, growth, overconfidence, ratio_of_means, reliability, share_interval


def test_growth_is_the_exponent_of_a_power_whatever_its_factor() -> None:
    sizes = [400.0, 1500.0, 5000.0]
    assert growth(sizes, [3e-7 * n**1.7 for n in sizes]) == pytest.approx(1.7)
    assert growth(sizes, [5.0, 5.0, 5.0]) == pytest.approx(0.0)


def test_growth_through_points_off_the_line_is_the_least_squares_slope() -> None:
    # Logarithms 0, 1, 2 of the size and 0, 1, 1 of the amount: slope 0.5 by hand.
    assert growth([1.0, 10.0, 100.0], [1.0, 10.0, 10.0]) == pytest.approx(0.5)


def test_growth_needs_two_sizes() -> None:
    with pytest.raises(ValueError, match="two sizes"):
        growth([100.0], [1.0])


def test_extrapolation_goes_on_from_the_largest_size() -> None:
    assert extrapolated([100.0, 10.0], [20.0, 2.0], 1000.0) == pytest.approx(200.0)


def test_a_ratio_of_means_is_not_a_mean_of_ratios() -> None:
    assert ratio_of_means([10.0, 100.0], [20.0, 100.0]).value == pytest.approx(110.0 / 120.0)


def test_the_interval_of_a_constant_ratio_is_that_ratio() -> None:
    minutes = [5.0, 80.0, 31.0, 12.0]
    found = ratio_of_means([0.4 * one for one in minutes], minutes)
    assert (found.value, found.low, found.high) == pytest.approx((0.4, 0.4, 0.4))
    assert str(found) == "0.400 [0.400, 0.400]"


def test_the_interval_holds_the_true_ratio_in_95_of_100_samples() -> None:
    rng = np.random.default_rng(5)
    held = 0
    for seed in range(300):
        other = rng.gamma(4.0, 20.0, 60)
        own = other * rng.gamma(25.0, 0.5 / 25.0, 60)  # half of it on average
        found = ratio_of_means(own.tolist(), other.tolist(), seed=seed, draws=400)
        held += found.low <= 0.5 <= found.high
    assert 0.90 <= held / 300 <= 0.985  # three deviations of a count of 300 about 0.95, and the bootstrap's own bias


def test_both_sides_of_a_ratio_must_be_the_same_cases() -> None:
    with pytest.raises(ValueError, match="same cases"):
        ratio_of_means([1.0], [1.0, 2.0])


def test_the_interval_of_a_share() -> None:
    # Jeffreys for 5 of 10, as published by Brown, Cai and DasGupta (2001), table 5.
    low, high = share_interval(5, 10)
    assert (round(low, 2), round(high, 2)) == (0.22, 0.78)
    assert share_interval(0, 20)[0] == 0.0
    assert share_interval(20, 20)[1] == 1.0
    assert share_interval(0, 0) == (0.0, 1.0)


def test_stated_odds_are_sorted_into_bins_with_what_came_true() -> None:
    bins = reliability([0.02, 0.9, 0.86, 0.95, 1.0], [False, True, False, True, True])
    assert [(one.low, one.high, one.count) for one in bins] == [(0.0, 0.05, 1), (0.85, 0.95, 2), (0.95, 1.0, 2)]
    assert bins[1].stated == pytest.approx(0.88)
    assert bins[1].true == 0.5
    assert bins[2].true == 1.0
    assert reliability([], []) == ()


def test_overconfidence_is_that_of_the_worst_bin_with_enough_in_it() -> None:
    bins = reliability([0.9] * 10 + [0.3], [True] * 7 + [False] * 4)
    assert overconfidence(bins, 5) == pytest.approx(0.2)
    assert overconfidence(bins) == pytest.approx(0.3)
    assert overconfidence(bins, 100) is None
    assert overconfidence(reliability([0.4] * 4, [True] * 4)) == pytest.approx(-0.6)
