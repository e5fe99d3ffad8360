"""Jobs of the load list's bench: played once, kept, and gone on with."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path

import first_visits
import numpy as np
import pytest
from first_visits import Load, Visit, one_known, read_visits, retold, visit, visits

from halfsplit.diagnosis.complaining import states_of
from halfsplit.diagnosis.hunt import Bench
from halfsplit.diagnosis.load_list import Case, needs_of
from halfsplit.diagnosis.practice import hide, play
from halfsplit.machine.reading import load_machine
from halfsplit.observations import Complaint, Symptom

CART = Path(__file__).resolve().parents[3] / "examples" / "hand-cart-generator"


@cache
def bench() -> Bench:
    return Bench(load_machine(CART))


def test_a_job_ends_with_its_own_repair_as_the_whole_job_does() -> None:
    for seed in range(1, 7):
        one = visit(bench(), seed)
        rng = np.random.default_rng([seed, 11])
        world, complaint = hide(bench(), rng)
        complaint = retold(bench().machine, complaint, np.random.default_rng([seed, 13]))
        needs = needs_of(bench().machine, world.faults[world.hidden[0].fault], sorted(world.first_blown))
        for _ in needs:
            rng.random()
        played = play(bench(), world, complaint)
        assert one.found == played.found
        if [repair.group for repair in played.repairs].count(one.group) == 1 and played.mended:
            assert one.cured
        assert one.loads["all"].finished <= one.cured
        assert one.loads["no parts"].known <= one.loads["first"].known <= one.loads["all"].known


def test_words_of_a_complaint_are_wrong_as_often_as_they_are_not_relied_upon() -> None:
    machine = bench().machine
    lamp, starter = Symptom("panel-lamp", "work", "off", 0.75), Symptom("starter", "start", "off", 0.75)
    count = 2000
    rng = np.random.default_rng(4)
    for told in ((lamp,), (lamp, replace(lamp, function="starter", level="on"))):
        heard = [retold(machine, Complaint(told, ("rain",)), rng) for _ in range(count)]
        assert {one.conditions for one in heard} == {("rain",)}
        wrong = [symptom for one in heard for symptom in one.symptoms if symptom not in told]
        if len(told) == 1:  # one in twelve of the wrong ones is the same by luck: 3 states, 2 functions, 2 levels
            assert len(wrong) / count == pytest.approx(0.25 * 11 / 12, abs=0.03)
        assert {one.state for one in wrong} == (set(states_of(machine)) if len(told) == 1 else {"work"})
        for one in wrong:
            assert one.level != machine.functions[one.function].expected[one.state]
    assert retold(machine, Complaint((replace(starter, reliability=1.0),)), rng).symptoms[0].function == "starter"


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
