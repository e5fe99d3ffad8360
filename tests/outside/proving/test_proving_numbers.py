"""Runs that prove a repair: published tables and numbers worked by hand."""

from __future__ import annotations

import csv
import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from tests.outside.conftest import Near

from halfsplit.proving.demonstrating import (
    hours_to_show,
    hours_with_prior,
    length_factor,
    mtbf_shown_h,
    prior_from_two_times,
    reliability_shown,
    trials_without_failure,
)
from halfsplit.proving.history import History, Prior
from halfsplit.proving.quiet import BetaTrials, GammaRate, KnownRate, Quiet
from halfsplit.proving.verdict import ceiling, run_for, verdict

Oracle = Callable[[str], tuple[Any, Any]]


@pytest.mark.outside(
    what="trials without failure for a reliability at a confidence",
    against="ver-1: zero-failure (success-run) table",
    source="tests/data/oracles.json",
    status="published",
    tolerance="none, counts",
)
def test_trials_without_failure_are_those_of_the_table(oracle: Oracle) -> None:
    _, wanted = oracle("ver-1")
    found = {}
    for name in wanted:
        reliability, confidence = (float(part[1:]) for part in name.split())
        found[name] = trials_without_failure(reliability, confidence)
    assert found == wanted


@pytest.mark.outside(
    what="reliability that trials without failure show from an even prior",
    against="ver-2: public calculator table",
    source="tests/data/oracles.json",
    status="published",
    tolerance="1e-6",
)
def test_reliability_shown_is_that_of_the_table(oracle: Oracle, near: Near) -> None:
    given, wanted = oracle("ver-2")
    near([reliability_shown(n, c) for n, c in given["cases"]], wanted["R"], 1e-6)


@pytest.mark.outside(
    what="test length in multiples of the mean time to be shown, 0 to 3 failures",
    against="ver-3: NIST/SEMATECH e-Handbook 8.3.1.1",
    source="tests/data/oracles.json",
    status="published",
    tolerance="6e-4: three decimals printed",
)
def test_length_factors_are_those_of_the_handbook(oracle: Oracle, near: Near) -> None:
    given, wanted = oracle("ver-3")
    for failures in range(4):
        found = [length_factor(c, failures) for c in given["C"]]
        near(found, wanted[f"r{failures}"], 6e-4)
    near(hours_to_show(100.0, 0.95), 100 * wanted["r0"][-1], 0.06, "h")


@pytest.mark.outside(
    what="gamma prior from two believed mean times between failures",
    against="ver-4: NIST/SEMATECH e-Handbook, 50/95 method",
    source="tests/data/oracles.json",
    status="published, remembered and reproduced",
    tolerance="5e-4 for the shape, 0.06 h",
)
def test_the_prior_from_two_times_is_that_of_the_handbook(oracle: Oracle, near: Near) -> None:
    given, wanted = oracle("ver-4")
    shape, hours = prior_from_two_times(given["mtbf50"], given["mtbf95"])
    near(shape, wanted["a"], 5e-4)
    near(hours, wanted["b"], 0.06, "h")


@pytest.mark.outside(
    what="test length with a gamma prior, 0 to 3 failures",
    against="ver-5: formula of NIST/SEMATECH e-Handbook 8.3.1.5",
    source="tests/data/oracles.json",
    status="published formula, numbers derived",
    tolerance="1e-4 h",
)
def test_lengths_with_a_prior_are_those_worked_out(oracle: Oracle, near: Near) -> None:
    given, wanted = oracle("ver-5")
    found = [hours_with_prior(given["a"], given["b"], given["M"], given["confidence"], r) for r in range(4)]
    near(found, [wanted[f"T_r{r}"] for r in range(4)], 1e-4, "h")


@pytest.mark.outside(
    what="quiet hours that show a lower rate than k events in T0 hours did",
    against="ver-6: conditional Poisson comparison (Przyborowski and Wilenski 1940)",
    source="tests/data/oracles.json",
    status="derived",
    tolerance="1e-6 h",
)
def test_quiet_hours_without_any_prior(oracle: Oracle, near: Near) -> None:
    given, wanted = oracle("ver-6")
    quiet = History("hours", given["k"], given["T0"], from_good=True).quiet()
    near([quiet.amount_for(1.0 - c) for c in given["C"]], wanted["t"], 1e-6, "h")


@pytest.mark.outside(
    what="confidence in a repair after quiet hours, and hours for 95 and 99 %, rate known or in doubt",
    against="ver-7: Bayes by hand",
    source="tests/data/oracles.json",
    status="derived",
    tolerance="1e-6",
)
def test_hours_until_a_repair_is_trusted(oracle: Oracle, near: Near) -> None:
    given, wanted = oracle("ver-7")
    k, hours, hit = given["k"], given["T0"], given["prior"]
    ways: dict[str, Quiet] = {
        "known_rate": KnownRate(k / hours),
        "gamma_shape_k": History("hours", k, hours, from_good=True).quiet(),
        "gamma_shape_k_plus_half": History("hours", k, hours, from_good=True).quiet(Prior(0.5, 0.0)),
    }
    near(verdict(ways["gamma_shape_k"], hit, done=hours).confidence, wanted["after_40h_quiet"], 1e-9)
    for goal, name in ((0.95, "t_for_95"), (0.99, "t_for_99")):
        found = {way: run_for(goal, quiet, hit) for way, quiet in ways.items()}
        near(found, wanted[name], 1e-6, "h")


@pytest.mark.outside(
    what="quiet trials of a missed fault, and trials for 95 and 99 %",
    against="ver-8: beta-binomial by hand",
    source="tests/data/oracles.json",
    status="derived",
    tolerance="1e-9; counts exact",
)
def test_trials_until_a_repair_is_trusted(oracle: Oracle, near: Near) -> None:
    given, wanted = oracle("ver-8")
    quiet = BetaTrials(given["a"], given["b"])
    found = {f"n{n}": quiet.chance(n) for n in (5, 10, 20)}
    near(found, wanted["p_no_fail_in"], 1e-9)
    assert run_for(0.95, quiet, given["prior_fixed"]) == wanted["n_for_95"]
    assert run_for(0.99, quiet, given["prior_fixed"]) == wanted["n_for_99"]
    # The same from the history: 3 failures in 20 tries since it was good, with an even prior, Beta(1, 1).
    assert History("starts", 3, 20, from_good=True).quiet(Prior(1.0, 1.0)) == quiet


@pytest.mark.outside(
    what="confidence when the work may have hidden the fault, and its ceiling",
    against="ver-9: Bayes by hand for three shares",
    source="tests/data/oracles.json",
    status="derived",
    tolerance="1e-6",
)
def test_disturbance_limits_the_confidence(oracle: Oracle, near: Near) -> None:
    given, wanted = oracle("ver-9")
    quiet = KnownRate(given["rate"])
    found = [verdict(quiet, given["prior"], s, given["t"]).confidence for s in given["s"]]
    near(found, wanted["p_fixed"], 1e-6)
    near(ceiling(given["prior"], given["s"][2]), wanted["limit_s03"], 1e-6)


@pytest.mark.outside(
    what="lower limit of the mean time between failures after a run ended by the clock",
    against="ver-10: chi-square limit",
    source="tests/data/oracles.json",
    status="derived",
    tolerance="0.01 h",
)
def test_lower_limit_of_the_mean_time(oracle: Oracle, near: Near) -> None:
    given, wanted = oracle("ver-10")
    near(mtbf_shown_h(given["T"], given["r"], given["C"]), wanted["mtbf_lower"], 0.01, "h")


@pytest.mark.outside(
    what="upper limit of the rate of failure of 70 generator fans",
    against="learn-4: 97.5 % limit of Nelson (1982)",
    source="tests/data/oracles.json, tests/data/generator-fans",
    status="published",
    tolerance="1e-4 per million hours, 0.01 h per failure: the digits given",
)
def test_the_upper_limit_of_the_rate_of_the_fans(oracle: Oracle, repository: Path, near: Near) -> None:
    _, wanted = oracle("learn-4")
    with (repository / "tests/data/generator-fans/generator_fans.csv").open(encoding="utf-8") as lines:
        rows = list(csv.DictReader(lines))
    failures, hours = sum(int(row["failed"]) for row in rows), math.fsum(float(row["hours"]) for row in rows)
    assert failures == wanted["failures"]
    assert hours == pytest.approx(wanted["hours"])
    near(hours / failures, wanted["hours_per_failure"], 0.01, "h")
    # Two-sided at 95 % leaves 2.5 % above; what is built gives the upper end alone.
    near(1e6 / mtbf_shown_h(hours, failures, 0.975), wanted["rate_95_two_sided_per_1e6h"][1], 1e-4, "per 1e6 h")


@pytest.mark.outside(
    what="a rate believed beforehand and two failures more: its mean and its 5 and 95 % points",
    against="learn-5: gamma distribution updated by hand",
    source="tests/data/oracles.json",
    status="derived",
    tolerance="1e-9 of the mean; 1e-4 h of 4000 h, nine digits given",
)
def test_a_believed_rate_after_two_failures(oracle: Oracle, near: Near) -> None:
    _, wanted = oracle("learn-5")
    prior, failures, hours = Prior(0.5, 10_000.0), 2, 4000.0
    known = History("hours", failures, hours, from_good=True).quiet(prior)
    assert isinstance(known, GammaRate)
    near.relative(known.shape / known.hours, wanted["mean"], 1e-9, "of the mean")
    for confidence, point in ((0.05, "q05"), (0.95, "q95")):
        # So many failures in those hours show, with that confidence, the mean time that is one over the point.
        shown = hours_with_prior(prior.events, prior.amount, 1.0 / wanted[point], confidence, failures)
        near(shown, hours, 1e-4, "h")


def test_a_rate_that_is_nearly_known_runs_as_long_as_a_known_one() -> None:
    many = GammaRate(3e6, 40e6)
    assert run_for(0.95, many, 0.8) == pytest.approx(run_for(0.95, KnownRate(3 / 40), 0.8), rel=1e-5)
