"""Proving and correcting through the service: history, runs, returns, and what is kept of them."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from functools import cache
from pathlib import Path

import pytest

from halfsplit.diagnosis.hunt import Bench
from halfsplit.errors import ProblemsError, UserError
from halfsplit.jobs.events import HistoryStated, JobReopened, RunRecorded
from halfsplit.jobs.memory import MemoryStore
from halfsplit.jobs.portable import export_job, import_job
from halfsplit.jobs.store import fingerprint_of
from halfsplit.machine.reading import load_machine
from halfsplit.observations import RELIABILITY_OPERATOR, Action, Symptom
from halfsplit.service import correcting, keeping, proving, working
from halfsplit.service.complaints import complaint_of
from halfsplit.service.desk import Desk, machine_files
from halfsplit.service.found import record
from halfsplit.service.proof_words import amount_words, read_amount

SKETCH = Path(__file__).resolve().parents[3] / "examples" / "hand-cart-generator"


@cache
def benches() -> dict[str, Bench]:
    return {fingerprint_of(machine_files(SKETCH)): Bench(load_machine(SKETCH))}


def ticking() -> Iterator[datetime]:
    moment = datetime(2031, 4, 2, 7, tzinfo=UTC)
    while True:
        moment += timedelta(minutes=1)
        yield moment


@pytest.fixture
def desk() -> Desk:
    moments = ticking()
    return Desk(MemoryStore(), lambda: next(moments), "tester", dict(benches()))


def opened(desk: Desk) -> str:
    complaint = complaint_of(load_machine(SKETCH), ["starter dead in start"], ["rain"], comes_and_goes=True)
    return working.open_job(desk, SKETCH, complaint, unit="7").head.job


def mended(desk: Desk) -> str:
    """A job whose likely cause is mended: full volts at the solenoid's coil while the starter is dead."""
    job = opened(desk)
    record(desk, "12.4 V, showing", job, check_id="volts K1.1 in start")
    record(desk, "mended", job, repair="replace-part:K1")
    return job


def test_before_any_repair_the_history_can_be_stated_and_nothing_is_claimed(desk: Desk) -> None:
    job = opened(desk)
    found = proving.state_history(desk, 4, "40 h", job)
    assert found.hit is found.confidence is found.ceiling is None
    assert found.goals == ()
    assert "No repair is recorded" in found.advice[0]
    with pytest.raises(UserError, match="No repair"):
        proving.record_run(desk, "3 h", job)


def test_with_a_figure_of_ones_own_the_run_is_that_of_the_numbers_worked_by_hand(desk: Desk) -> None:
    job = mended(desk)
    proving.state_history(desk, 3, "40 h", job, from_good=True)
    found = proving.proof(desk, job, hit=0.8, hidden=0.0)
    assert found.confidence == pytest.approx(0.8)
    assert [goal.run for goal in found.goals][1:] == pytest.approx([27.2395, 76.5695], abs=1e-3)
    assert found.goals[1].words == "27.3 h more"
    with pytest.raises(UserError) as caught:
        proving.proof(desk, job, hit=8.0)
    assert caught.value.code == "proof-share"


def test_quiet_runs_raise_the_confidence_up_to_the_ceiling(desk: Desk) -> None:
    job = mended(desk)
    start = proving.state_history(desk, 4, "40 h", job)
    assert start.confidence is not None
    assert start.ceiling is not None
    assert 0.5 < start.confidence < start.ceiling <= 1.0
    shares = [start.confidence]
    for _ in range(3):
        found = proving.record_run(desk, "20 h", job)
        assert found.confidence is not None
        shares.append(found.confidence)
    assert shares == sorted(shares)
    assert found.done == 60.0
    assert shares[-1] <= start.ceiling
    assert found.ceiling == pytest.approx(start.ceiling)


def test_a_fault_that_comes_back_takes_the_weight_from_what_was_mended(desk: Desk) -> None:
    job = mended(desk)
    proving.state_history(desk, 4, "40 h", job)
    before = desk.standing(desk.job(job)).hunt.belief.mended
    found = proving.record_run(desk, "10 h", job, came_back=True)
    assert found.returned
    assert found.confidence == 0.0
    assert found.goals == ()
    assert desk.standing(desk.job(job)).hunt.belief.mended < 0.05 < before
    assert desk.job(job).observations[-1] == Symptom("starter", "start", "off", 0.99, "yes")
    # Another repair: the return and the hours until then have joined the history.
    record(desk, "mended", job, repair="repair-wire:W4")
    again = proving.proof(desk, job)
    assert not again.returned
    assert (again.events, again.history_amount, again.done) == (5, 50.0, 0.0)


def test_a_return_opens_a_closed_job_again_in_one_step(desk: Desk) -> None:
    job = mended(desk)
    keeping.close_job(desk, "replace-part:K1", job)
    proving.state_history(desk, 4, "40 h", job)
    proving.record_run(desk, "30 h", job)
    assert desk.job(job).state == "closed"
    proving.record_run(desk, "2 h", job, came_back=True, seen=["starter slow in start"], reported=True)
    after = desk.job(job)
    assert after.state == "open"
    kinds = [type(entry.what) for entry in after.entries[-3:-1]]
    assert kinds == [JobReopened, RunRecorded]
    assert after.observations[-1] == Symptom("starter", "start", "weak", RELIABILITY_OPERATOR, "yes")


def test_what_was_read_before_the_repair_is_listed_with_the_range_of_a_sound_machine(desk: Desk) -> None:
    job = mended(desk)
    found = proving.proof(desk, job)
    line = next(one for one in found.read_again if "K1.1" in one.subject)
    assert line.before == "12.4 V"
    assert " V to " in line.expected
    assert line.mark == "read again"
    record(desk, "12.3 V", job, check_id="volts K1.1 in start")
    assert next(one for one in proving.proof(desk, job).read_again if "K1.1" in one.subject).mark == "right"
    assert found.try_again[0].after != ""


def test_runs_outside_the_condition_are_written_down_and_do_not_count(desk: Desk) -> None:
    job = mended(desk)
    proving.state_history(desk, 4, "6 wet-downs", job, condition="rain")
    found = proving.record_run(desk, "2 wet-downs", job, in_condition=False)
    assert found.done == 0.0
    assert any("did not count" in text for text in found.advice)
    assert found.provoke[0].condition == "rain"


def test_history_and_runs_are_in_the_log_can_be_undone_and_travel(desk: Desk) -> None:
    job = mended(desk)
    proving.state_history(desk, 4, "40 h", job, condition="rain")
    proving.record_run(desk, "10 h", job, note="by the owner")
    words = [line.words for line in keeping.log(desk, job).lines]
    assert "history: failed 4 times in 40 h since first seen, counted in rain" in words
    assert "ran 10 h: quiet (by the owner)" in words
    other = MemoryStore()
    import_job(other, export_job(desk.store, job))
    assert [event.what for event in other.events(job)] == [event.what for event in desk.store.events(job)]
    keeping.undo(desk, job)
    assert proving.proof(desk, job).done == 0.0
    keeping.undo(desk, job)
    assert proving.proof(desk, job).history == ""
    assert not any(isinstance(entry.what, HistoryStated) for entry in desk.job(job).standing)


def test_figures_that_cannot_be_keep_nothing(desk: Desk) -> None:
    job = mended(desk)
    before = desk.job(job)
    with pytest.raises(ProblemsError):
        proving.state_history(desk, 30, "20 starts", job)
    for wrong in ("soon", "0 h", "-3 h", "2.5 starts"):
        with pytest.raises(UserError):
            proving.record_run(desk, wrong, job)
    with pytest.raises(UserError):
        proving.record_run(desk, "3 h", job, seen=["starter dead"])
    assert desk.job(job) == before


@pytest.mark.parametrize(
    ("text", "amount"),
    [
        ("40 h", ("hours", 40.0)),
        ("90 min", ("hours", 1.5)),
        ("40 hours", ("hours", 40.0)),
        ("25 starts", ("starts", 25.0)),
        ("1 cycle", ("cycles", 1.0)),
        ("3 wet downs", ("wet-downs", 3.0)),
    ],
)
def test_amounts_are_read_as_people_write_them(text: str, amount: tuple[str, float]) -> None:
    assert read_amount(text) == amount


def test_an_amount_that_cannot_be_read_offers_the_nearest_spelling() -> None:
    with pytest.raises(UserError, match="25 starts"):
        read_amount("25 strats")
    assert amount_words("starts", 1.0) == "1 start"


def test_the_sheet_of_the_likeliest_suspect_has_cautions_before_its_steps(desk: Desk) -> None:
    job = mended(desk)
    found = correcting.sheet(desk, "replace-part:K1", job)
    assert found.cautions
    still = next(at for at, step in enumerate(found.steps) if step.startswith("Engine stopped"))
    work = next(at for at, step in enumerate(found.steps) if "new part" in step)
    assert still < work < len(found.steps) - 1
    assert found.steps[-1].startswith("Operate starter")
    assert any(line.sort == "part" for line in found.materials)
    keeping.close_job(desk, "replace-part:K1", job)
    assert correcting.sheet(desk, "", job).group == "replace-part:K1"


def test_a_half_correction_is_kept_as_what_was_done_and_the_repair_stays_to_be_done(desk: Desk) -> None:
    job = opened(desk)
    record(desk, "12.4 V, showing", job, check_id="volts K1.1 in start")
    odds = {one.group: one.odds for one in working.suspects(desk, job).suspects}
    correcting.record_half(desk, "replace-part:K1", "partly", job, why="wrong part came", minutes="10 min")
    done = desk.job(job).observations[-1]
    assert isinstance(done, Action)
    assert (done.action, done.place) == ("other", "K1")
    assert "wrong part came" in done.note
    after = {one.group: one.odds for one in working.suspects(desk, job).suspects}
    assert after["replace-part:K1"] == pytest.approx(odds["replace-part:K1"], abs=0.02)
    with pytest.raises(UserError) as caught:
        correcting.record_half(desk, "replace-part:K1", "nearly", job)
    assert caught.value.code == "correction-went"
