"""What somebody else saw and told: its weight, its minutes, and that it stays apart from what the technician saw."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from functools import cache

import pytest

from halfsplit.diagnosis.hunt import Bench
from halfsplit.errors import UserError
from halfsplit.jobs.memory import MemoryStore
from halfsplit.jobs.store import fingerprint_of
from halfsplit.machine.reading import load_machine
from halfsplit.observations import RELIABILITY_OPERATOR, RELIABILITY_TECHNICIAN, Symptom
from halfsplit.service import keeping, working
from halfsplit.service.complaints import complaint_of
from halfsplit.service.desk import Desk, machine_files
from halfsplit.service.examples import find_machine
from halfsplit.service.found import TOLD_MIN, record
from halfsplit.service.reporting import report_of

LAMP = "operate panel-lamp in start"


@cache
def bench() -> tuple[str, Bench]:
    path = find_machine("hand-cart-generator")
    return fingerprint_of(machine_files(path)), Bench(load_machine(path))


def moments() -> Iterator[datetime]:
    moment = datetime(2031, 4, 2, 7, tzinfo=UTC)
    while True:
        moment += timedelta(minutes=1)
        yield moment


@pytest.fixture
def desk() -> Desk:
    fingerprint, own = bench()
    ticking = moments()
    made = Desk(MemoryStore(), lambda: next(ticking), "Rosa", {fingerprint: own})
    working.open_job(
        made, find_machine("hand-cart-generator"), complaint_of(own.machine, ["starter dead in start"]), job_id="monday"
    )
    return made


def odds(desk: Desk) -> list[float]:
    return desk.standing(desk.job()).hunt.belief.group_odds().tolist()


def test_a_report_moves_the_odds_less_than_the_technicians_own_eyes(desk: Desk) -> None:
    before = odds(desk)
    record(desk, "dark", check_id=LAMP, reported=True)
    told = odds(desk)
    keeping.undo(desk)
    record(desk, "dark", check_id=LAMP)
    seen = odds(desk)
    moved = [sum(abs(one - other) for one, other in zip(after, before, strict=True)) for after in (told, seen)]
    assert 0.0 < moved[0] < moved[1]


@pytest.mark.parametrize(
    ("text", "flag"), [("panel-lamp in start: lit", True), ("panel-lamp in start: lit, reported", False)]
)
def test_it_is_written_down_with_an_operators_reliability_a_minute_of_talk_and_the_word(
    desk: Desk, text: str, *, flag: bool
) -> None:
    found = record(desk, text, reported=flag)
    entry = desk.job().standing[-1]
    assert isinstance(entry.observation, Symptom)
    assert (entry.observation.reliability, entry.observation.reported) == (RELIABILITY_OPERATOR, True)
    assert entry.minutes == TOLD_MIN
    assert found.words == ("panel-lamp [start]: lit, as reported",)
    assert keeping.log(desk).lines[-1].words.endswith("as reported")
    check = report_of(desk, "technician").checks[-1]
    assert check.found == "lit, as reported"


def test_it_sets_no_machine_and_the_same_check_may_be_made_at_the_machine(desk: Desk) -> None:
    record(desk, "lit", check_id=LAMP, reported=True)
    hunt = desk.standing(desk.job()).hunt
    assert hunt.situation.state == ""
    assert LAMP not in hunt.situation.done or hunt.situation.done[LAMP] == 0
    record(desk, "dark", check_id=LAMP)
    hunt = desk.standing(desk.job()).hunt
    assert hunt.situation.state == "start"
    assert hunt.situation.done[LAMP] > 0
    told, seen = (one for one in desk.job().observations if isinstance(one, Symptom) and one.function == "panel-lamp")
    assert (told.reliability, seen.reliability) == (RELIABILITY_OPERATOR, RELIABILITY_TECHNICIAN)
    # Told and seen are two moments: a fault that sleeps may have slept at one of them alone.
    moment = [len(one) for one in hunt.evidence.epochs[-1].moments()]
    assert max(moment) == 1


def test_a_walk_told_on_the_phone_is_one_line_with_its_own_minutes(desk: Desk) -> None:
    walk = "walk round in start"
    check = desk.standing(desk.job()).check(walk)
    assert check is not None
    record(desk, "all right but starter dead", check_id=walk, reported=True)
    line = keeping.log(desk).lines[-1]
    assert line.words.endswith("as reported")
    assert line.minutes == pytest.approx(check.minutes)
    told = working.why(desk, "", "monday").testimonies
    assert any(one.found.endswith("as reported") for one in told)


@pytest.mark.parametrize(
    ("text", "asked"),
    [
        ("12.4 V", {"check_id": "volts K1.1 in start"}),
        ("mended", {"repair": "replace-part:K1"}),
        ("can't reach", {"check_id": LAMP}),
        ("K1: green", {}),
    ],
)
def test_of_all_else_nobodys_word_is_taken_and_nothing_is_written(
    desk: Desk, text: str, asked: dict[str, str]
) -> None:
    before = desk.job().last_number
    with pytest.raises(UserError) as caught:
        record(desk, text, reported=True, **asked)  # type: ignore[arg-type] # only texts are given here
    assert caught.value.code == "reported-kind"
    assert desk.job().last_number == before
