"""Breakdowns of the minutes bench: what is wrong in each setting, the ways of working, and jobs that are kept."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import numpy as np
import pytest
from breakdowns import ACCESS_FACTOR, LOOKS_SEE, PRIOR_FACTOR, Believed, breakdown, without, wrong_access
from kept_jobs import Job, digest, keep, kept
from ways import KNOWS, PLANNER, RATE, WAYS, Went, bare_rate

from halfsplit.diagnosis.hunt import Bench
from halfsplit.diagnosis.planning import Option
from halfsplit.faults.priors import fault_weights
from halfsplit.machine.reading import load_machine

EXAMPLES = Path(__file__).resolve().parents[3] / "examples"


@cache
def bench() -> Bench:
    return Bench(load_machine(EXAMPLES / "hand-cart-generator"))


def test_wrong_rates_are_three_times_as_high_or_as_low_and_the_breakdown_stays_the_same() -> None:
    right, wrong = breakdown(bench(), "right", 4), breakdown(bench(), "priors", 4)
    assert right.world.hidden == wrong.world.hidden
    assert right.complaint == wrong.complaint
    weights = fault_weights(bench().machine, bench().faults)
    apart = np.exp(wrong.believed.space.log_prior(weights) - right.believed.space.log_prior(weights))[:-2]
    low, high = apart.min(), apart.max()
    assert high / low == pytest.approx(PRIOR_FACTOR**2)
    assert np.all(np.isclose(apart, low) | np.isclose(apart, high))
    assert np.exp(wrong.believed.space.log_prior(weights)).sum() == pytest.approx(1.0)


def test_wrong_minutes_of_access_are_believed_and_the_machine_keeps_its_own() -> None:
    platform = Bench(load_machine(EXAMPLES / "orchard-platform"))
    believed = Believed(platform, machine=wrong_access(platform.machine, np.random.default_rng(1)))
    factors = [
        believed.machine.access[name].open_min / step.open_min for name, step in platform.machine.access.items()
    ]
    assert all(1.0 / ACCESS_FACTOR <= factor <= ACCESS_FACTOR for factor in factors)
    assert max(factors) / min(factors) > 2.0
    assert believed.space.machine is believed.machine
    assert breakdown(platform, "access", 1).world.machine is platform.machine
    assert believed.signatures is platform.signatures


def test_looks_are_worse_on_the_machine_than_the_planner_believes() -> None:
    found = breakdown(bench(), "looks", 2)
    for true, stated in zip(found.world.faults, found.believed.faults, strict=True):
        assert true.id == stated.id
        expected = {kind: LOOKS_SEE * one for kind, one in stated.mode.looks.items()}
        assert dict(true.mode.looks) == pytest.approx(expected)


def test_a_missing_kind_is_in_the_machine_and_not_in_the_planners_catalogue() -> None:
    lacking = without(bench(), "terminal-resistance")
    found = breakdown(bench(), "missing", 3, lacking)
    assert {fault.mode.id for fault in found.world.faults} - {fault.mode.id for fault in found.believed.faults} == {
        "terminal-resistance"
    }
    with pytest.raises(ValueError, match="no fault is of the kind"):
        without(bench(), "no-such-kind")


@pytest.mark.parametrize("way", WAYS)
def test_every_way_of_working_ends_and_none_beats_the_one_that_knows_the_fault(way: str) -> None:
    for seed in (1, 2):
        one = breakdown(bench(), "right", seed)
        went = WAYS[way](one.believed, one.fresh(), one.complaint)
        bound = WAYS[KNOWS](one.believed, one.fresh(), one.complaint)
        assert went.minutes > 0.0
        if went.mended:
            assert went.minutes >= bound.minutes - 1e-9
        assert all(0.0 <= odds <= 1.0 for odds, _ in went.stated)


def test_the_planner_states_its_leading_suspect_before_each_step() -> None:
    one = breakdown(bench(), "right", 1)
    went = WAYS[PLANNER](one.believed, one.fresh(), one.complaint)
    assert went.checks + len(went.repairs) <= len(went.stated) <= went.checks + len(went.repairs) + 1
    again = WAYS[PLANNER](one.believed, one.fresh(), one.complaint)
    assert again == went


def test_a_rate_without_access_leaves_the_setup_out() -> None:
    far = Option(None, None, 30.0, 25.0, 1.0)
    assert bare_rate(far) == pytest.approx(0.2)


def test_kept_jobs_are_read_again_and_a_line_cut_short_is_left_aside(tmp_path: Path) -> None:
    went = Went(12.5, 3, ((0.9, True),), True, True, "finish", ((0.4, False), (0.9, True)))
    jobs = [Job(seed, ("F1/fuse-open",), ("fuse-open",), {PLANNER: went}) for seed in (3, 5)]
    file = tmp_path / "jobs" / "one.jsonl"
    assert list(keep(file, jobs)) == jobs
    with file.open("a", encoding="utf-8") as out:
        out.write('{"seed": 7, "hidden": ["F1')
    assert kept(file, range(10), (PLANNER,)) == {3: jobs[0], 5: jobs[1]}
    assert kept(file, range(4), (PLANNER,)) == {3: jobs[0]}
    assert kept(file, range(10), (PLANNER, RATE)) == {}
    assert kept(tmp_path / "none.jsonl", range(10), (PLANNER,)) == {}


def test_a_changed_machine_or_setting_is_another_file(tmp_path: Path) -> None:
    (tmp_path / "machine.yaml").write_text("one")
    first = digest(tmp_path, "right")
    assert first == digest(tmp_path, "right")
    assert first != digest(tmp_path, "priors")
    (tmp_path / "machine.yaml").write_text("other")
    assert first != digest(tmp_path, "right")
