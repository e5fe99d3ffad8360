"""What a watch of a bus writes into a job, and of what it tells that a place was moved in peace."""

from __future__ import annotations

import itertools
from datetime import UTC, datetime, timedelta
from functools import cache
from pathlib import Path

import pytest
from tests.unit.service.test_bus_evidence import MACHINE, WIRES

from halfsplit.buslog.tied import Tied
from halfsplit.buslog.watching import Drop
from halfsplit.diagnosis.hunt import Bench
from halfsplit.errors import NotFound, UserError
from halfsplit.jobs.events import NoteAdded, ObservationRecorded
from halfsplit.jobs.memory import MemoryStore
from halfsplit.jobs.recording import record
from halfsplit.jobs.store import fingerprint_of
from halfsplit.machine.reading import load_machine
from halfsplit.observations import CodeSeen, Move
from halfsplit.service import keeping, working
from halfsplit.service.complaints import complaint_of
from halfsplit.service.desk import Desk, machine_files
from halfsplit.service.watch_job import Keeper, keeper

#: The same machine with a place that nobody goes to in one of its states.
BARRED = MACHINE.replace("  X3: {grid: 1x4}", "  X3: {grid: 1x4, zone: gap}").replace(
    "states:\n  on: {name: Battery connected}",
    "dangers:\n  slewing: Stop the slewing.\nzones:\n  gap: {name: Gap, keep_out: [slewing]}\n"
    "states:\n  on: {name: Battery connected}\n"
    "  slew: {name: Slewing, dangers: [slewing]}",
)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("three")
    (made / "machine.yaml").write_text(BARRED)
    (made / "wires.csv").write_text(WIRES)
    return made


@cache
def bench(folder: Path) -> tuple[str, Bench]:
    return fingerprint_of(machine_files(folder)), Bench(load_machine(folder))


@pytest.fixture
def desk(folder: Path) -> Desk:
    fingerprint, own = bench(folder)
    numbers = itertools.count()
    made = Desk(
        MemoryStore(), lambda: datetime(2031, 4, 2, 7, tzinfo=UTC) + timedelta(minutes=next(numbers)), "Rosa",
        {fingerprint: own},
    )  # fmt: skip
    complaint = complaint_of(own.machine, ["third unsteady in on"], comes_and_goes=True)
    working.open_job(made, folder, complaint, job_id="monday")
    return made


def writing(desk: Desk, state: str = "on") -> Keeper:
    return keeper(desk, "monday", named_of=("E1", "E2", "E3"), beside="E1", state=state)


def entries(desk: Desk) -> list[object]:
    whats = [entry.what for entry in desk.job("monday").entries]
    return [one.observation if isinstance(one, ObservationRecorded) else one for one in whats]


def found(place: str, drops: int, p: float) -> Tied:
    return Tied(place, tuple(Drop(20.0 + n, 20.1 + n, frozenset({30})) for n in range(drops)), 25.0, 0, 100.0, p, 0)


def test_a_place_that_reacts_is_a_moved_observation_with_its_figures_and_minutes(desk: Desk) -> None:
    assert writing(desk).moved(found("X3", 3, 0.004), {"E2", "E3"}, "3 drops", 0.4) == ["X3 moved: it reacted"]
    (entry,) = desk.job("monday").entries
    assert entry.what == ObservationRecorded(
        Move("X3", "", "on", changed=True), "move X3", 0.4, "3 drops"
    )


def test_a_drop_shifts_the_odds_to_what_was_moved_and_undoing_it_shifts_them_back(desk: Desk) -> None:
    def odds() -> float:
        hunt = desk.standing(desk.job("monday")).hunt
        groups = hunt.bench.space.groups
        return sum(
            float(share) for one, share in zip(groups, hunt.belief.group_odds(), strict=True) if one.owner == "X3"
        )

    before = odds()
    writing(desk).moved(found("X3", 3, 0.004), {"E2", "E3"}, "3 drops", 0.4)
    assert odds() > 3 * before
    keeping.undo(desk, "monday")
    assert odds() == pytest.approx(before)


def test_peace_is_written_of_the_spots_alone_at_which_a_fault_would_have_shown(desk: Desk) -> None:
    kept = writing(desk)
    spots = kept.places.tells("X3", {"E2", "E3"})
    assert spots
    assert "X3" not in spots  # its housing with a little water in it silences nobody
    assert all(one.startswith("X3.") for one in spots)
    kept.moved(found("X3", 0, 1.0), {"E2", "E3"}, "nothing", 0.4)
    assert [one.place for one in entries(desk) if isinstance(one, Move)] == list(spots)
    assert not any(one.changed for one in entries(desk) if isinstance(one, Move))


def test_peace_while_nobody_concerned_is_watched_is_a_note_and_counts_for_nothing(desk: Desk) -> None:
    kept = writing(desk)
    assert kept.places.tells("X3", ()) == ()
    assert "X3.1" not in kept.places.tells("X3", {"E2"})  # the feed of the third alone
    (said,) = kept.moved(found("X3", 0, 1.0), (), "nothing", 0.4)
    assert said.startswith("a note only")
    assert [type(one) for one in entries(desk)] == [NoteAdded]


def test_a_set_that_drops_out_again_is_written_once(desk: Desk) -> None:
    kept = writing(desk)
    judged = {"E1", "E2", "E3"}
    assert kept.fell({"E3"}, judged, "first") == ["E2 heard", "E3 silent"]
    assert kept.fell({"E3"}, judged, "again") == []
    assert kept.fell({"E1"}, judged, "beside the adapter") == []
    assert kept.fell({"E2", "E3"}, judged, "both") == ["E2 silent", "E3 silent"]
    assert sum(isinstance(one, CodeSeen) for one in entries(desk)) == 4


def test_what_somebody_else_writes_meanwhile_is_no_hindrance(desk: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    kept = writing(desk)
    stale = desk.job("monday")
    record(desk.store, stale, NoteAdded("from a phone"), when=desk.when())
    fresh = desk.job
    answers = iter([stale])
    monkeypatch.setattr(desk, "job", lambda name=None: next(answers, None) or fresh(name))
    kept.note("from the watch")
    assert [one.text for one in entries(desk) if isinstance(one, NoteAdded)] == ["from a phone", "from the watch"]
    assert kept.written == 1


def test_places_are_known_by_their_names_in_any_case_and_near_ones_are_offered(desk: Desk) -> None:
    kept = writing(desk)
    assert kept.find("x2") == "X2"
    assert kept.find("X2.1") == "X2.1"
    with pytest.raises(NotFound, match="Did you mean X2"):
        kept.find("X22")


def test_a_place_where_nobody_may_be_in_the_state_is_refused_and_cautioned_of_in_others(desk: Desk) -> None:
    with pytest.raises(UserError, match="Nobody goes to X3 in the state Slewing: slewing") as raised:
        writing(desk, "slew").find("X3")
    assert raised.value.code == "watch-barred"
    kept = writing(desk)
    assert kept.find("X3") == "X3"
    assert kept.cautions("X3")[0] == "Keep out of Gap while any of this is so: slewing."


def test_who_is_on_no_bus_with_the_adapter_is_refused(desk: Desk) -> None:
    cases = (("E1", "E1", "log-beside"), ("F1", "E2", "not-found"), ("E1", "E9", "not-found"))
    for beside, who, code in cases:
        with pytest.raises(UserError) as raised:
            keeper(desk, "monday", named_of=(who,), beside=beside, state="on")
        assert raised.value.code == code
    with pytest.raises(NotFound, match="state"):
        keeper(desk, "monday", named_of=("E2",), beside="E1", state="off")
