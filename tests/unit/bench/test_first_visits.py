"""Jobs of the load list's bench: played once, kept, and gone on with."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import first_visits
import numpy as np
import pytest
from first_visits import Load, Visit, one_known, read_visits, visit, visits

from halfsplit.diagnosis.hunt import Bench
from halfsplit.diagnosis.load_list import Case, needs_of
from halfsplit.diagnosis.practice import hide, play
from halfsplit.machine.reading import load_machine

CART = Path(__file__).resolve().parents[3] / "examples" / "hand-cart-generator"


@cache
def bench() -> Bench:
    return Bench(load_machine(CART))


def test_a_job_ends_with_its_own_repair_as_the_whole_job_does() -> None:
    for seed in range(1, 7):
        one = visit(bench(), seed)
        rng = np.random.default_rng([seed, 11])
        world, complaint = hide(bench(), rng)
        needs = needs_of(
            bench().machine, world.faults[world.hidden[0].fault], sorted(world.first_blown)
        )
        for _ in needs:
            rng.random()
        played = play(bench(), world, complaint)
        assert one.found == played.found
        if [repair.group for repair in played.repairs].count(one.group) == 1 and played.mended:
            assert one.cured
        assert one.loads["all"].finished <= one.cured
        assert one.loads["no parts"].known <= one.loads["first"].known <= one.loads["all"].known


def test_played_jobs_are_read_again_and_only_the_others_are_played(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    played: list[int] = []

    def quick(_: Bench, seed: int) -> Visit:
        played.append(seed)
        return Visit(seed, "replace-fuse:F1", {"all": Load(0.5, 0.6, seed % 2 == 0)}, 0.1, True, True)

    monkeypatch.setattr(first_visits, "visit", quick)
    file = tmp_path / "jobs" / "one.jsonl"
    first = list(visits(bench(), range(1, 4), file))
    with file.open("a", encoding="utf-8") as out:
        out.write('{"seed": 4, "gro')
    assert list(read_visits(file).values()) == first
    again = list(visits(bench(), range(1, 6), file))
    assert played == [1, 2, 3, 4, 5]
    assert again[:3] == first
    assert list(visits(bench(), range(1, 6), file)) == again
    assert played == [1, 2, 3, 4, 5]


def test_one_known_cause_leaves_two_faults_out() -> None:
    known = one_known([Case("a", 0.3, 0.1, 0.9, ()), Case("b", 0.1, 0.0, 0.8, ())])
    assert [(one.alone, one.member) for one in known] == [pytest.approx((0.75, 0.0)), pytest.approx((0.25, 0.0))]
