"""The arithmetic of the benches: growth, ratios with intervals, shares, stated odds."""

from __future__ import annotations

import numpy as np
import pytest
from estimates import extrapolated, growth, overconfident, ratio_of_means, reliability, share_interval


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
    bins = reliability([0.02, 0.9, 0.86, 0.95, 1.0], [False, True, False, True, True], range(5))
    assert [(one.low, one.high, one.count) for one in bins] == [(0.0, 0.05, 1), (0.85, 0.95, 2), (0.95, 1.0, 2)]
    assert bins[1].stated == pytest.approx(0.88)
    assert bins[1].true == 0.5
    assert bins[2].true == 1.0
    assert reliability([], [], []) == ()


def test_statements_of_one_breakdown_count_as_one_for_the_interval() -> None:
    # Ten breakdowns of ten statements each, in half of them all wrong.
    odds, so = [0.9] * 100, [k >= 50 for k in range(100)]
    [alone] = reliability(odds, so, range(100))
    [together] = reliability(odds, so, [k // 10 for k in range(100)])
    assert (alone.cases, together.cases) == (100, 10)
    assert alone.interval == pytest.approx(share_interval(50, 100), abs=0.015)
    # Shares of 10 breakdowns: 0.5 give or take twice the root of 0.25 / 10.
    assert together.interval == pytest.approx((0.2, 0.8), abs=0.051)


def test_the_interval_is_never_narrower_than_that_of_the_statements() -> None:
    [bin_] = reliability([0.9] * 4, [True] * 4, [0, 0, 1, 1])
    assert bin_.interval == share_interval(4, 4)


def test_a_bin_says_what_it_is_without_the_breakdown_that_makes_most_of_it() -> None:
    [bin_] = reliability([0.9] * 10, [False] * 5 + [True] * 5, [0] * 5 + [1, 2, 3, 4, 5])
    assert bin_.stated - bin_.true == pytest.approx(0.4)
    assert bin_.without_one == pytest.approx(-0.1)
    [bin_] = reliability([0.9] * 2, [False] * 2, [7, 7])
    assert bin_.without_one is None


def test_overconfident_is_the_worst_bin_with_enough_in_it() -> None:
    bins = reliability([0.9] * 10 + [0.3], [True] * 7 + [False] * 4, range(11))
    assert overconfident(bins, 5) is bins[1]
    assert overconfident(bins) is bins[0]
    assert overconfident(bins, 100) is None
