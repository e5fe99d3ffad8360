"""Practice jobs: the person's and the planner's minutes are counted alike, on the same hidden fault."""

from __future__ import annotations

import pytest

from halfsplit.errors import NotFound, UserError
from halfsplit.jobs.memory import MemoryStore
from halfsplit.service.examples import find_machine
from halfsplit.service.keeping import close_job
from halfsplit.service.measuring import measured
from halfsplit.service.practising import check_typed, do_check, play_out, set_up, verdict
from halfsplit.service.results import NextStep


@pytest.mark.parametrize(
    ("machine", "seed"), [("hand-cart-generator", 1), ("hand-cart-generator", 5), ("saltmarsh-sweeper", 4)]
)
def test_the_planner_played_step_by_step_needs_the_minutes_the_planner_needs(machine: str, seed: int) -> None:
    rig = set_up(MemoryStore(), find_machine(machine), seed)
    repairs: list[str] = []

    def before(step: NextStep) -> None:
        if step.step is not None and step.step.kind == "repair":
            repairs.append(step.step.id)

    play_out(rig, before, lambda *_: None)
    found = verdict(rig, repairs)
    assert found.minutes == pytest.approx(found.planner_minutes)
    assert found.checks == found.planner_checks
    assert found.wrong_repairs == found.planner_wrong_repairs
    assert found.mended == found.planner_mended


def test_the_minutes_of_the_job_are_those_of_the_clock_once_everything_is_closed_up() -> None:
    rig = set_up(MemoryStore(), find_machine("saltmarsh-sweeper"), 4)
    play_out(rig, lambda _: None, lambda *_: None)
    log = close_job(rig.desk, "not found", rig.job)
    assert log.head.minutes == pytest.approx(rig.clock.minutes)
    assert log.head.clock == "practice"


def test_the_same_seed_hides_the_same_fault_and_another_seed_another() -> None:
    path = find_machine("saltmarsh-sweeper")
    first, again, other = (set_up(MemoryStore(), path, seed) for seed in (3, 3, 4))
    assert first.causes == again.causes
    assert first.complaint == again.complaint
    assert first.causes != other.causes


def test_a_person_may_do_anything_there_is_and_is_told_what_is_seen() -> None:
    rig = set_up(MemoryStore(), find_machine("hand-cart-generator"), 1, "W4/wire-open")
    check = check_typed(rig, "volts S1.3 in start")
    assert "volts at S1.3" in do_check(rig, check).words[-1]  # type: ignore[arg-type] # "volts" gives a check
    for line in ("operate panel-lamp", "look X1", "open X1", "move X1", "look F1", "mend W4"):
        assert check_typed(rig, line).id


def test_what_cannot_be_done_is_refused_with_the_nearest() -> None:
    rig = set_up(MemoryStore(), find_machine("hand-cart-generator"), 1)
    with pytest.raises(UserError, match="volts"):
        check_typed(rig, "vlots S1.3")
    with pytest.raises(NotFound):
        check_typed(rig, "volts S9.3")
    with pytest.raises(NotFound, match="W4/wire-open"):
        set_up(MemoryStore(), find_machine("hand-cart-generator"), 1, "W4/wire-opn")


def test_the_measured_table_counts_every_hidden_fault() -> None:
    found = measured(find_machine("hand-cart-generator"), 4, 0)
    assert found.singles == 4
    assert {one.rule for one in found.rules} >= {"planner"}
    planner = next(one for one in found.rules if one.rule == "planner")
    assert 0.0 < planner.mean_minutes < 300.0
    assert planner.share_of_planner == 1.0
