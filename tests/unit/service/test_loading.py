"""The load list of a job as a desk gives it, and the van's list it looks into."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from functools import cache
from pathlib import Path

import pytest

from halfsplit.diagnosis.hunt import Bench
from halfsplit.errors import NotFound, ProblemsError, UserError
from halfsplit.jobs.events import ObservationRecorded
from halfsplit.jobs.memory import MemoryStore
from halfsplit.jobs.store import fingerprint_of
from halfsplit.machine.reading import load_machine
from halfsplit.observations import RELIABILITY_OPERATOR
from halfsplit.service.complaints import complaint_of
from halfsplit.service.desk import Desk, machine_files
from halfsplit.service.examples import find_machine
from halfsplit.service.found import record
from halfsplit.service.keeping import close_job
from halfsplit.service.loading import job_load_list
from halfsplit.service.van import show_van, van_in, van_out
from halfsplit.service.working import open_job


@cache
def bench() -> tuple[str, Bench]:
    path = find_machine("hand-cart-generator")
    return fingerprint_of(machine_files(path)), Bench(load_machine(path))


@pytest.fixture
def desk() -> Desk:
    fingerprint, own = bench()
    count = [0]

    def now() -> datetime:
        count[0] += 1
        return datetime(2031, 4, 2, 7, tzinfo=UTC) + timedelta(minutes=count[0])

    made = Desk(MemoryStore(), now, "Rosa", {fingerprint: own})
    complaint = complaint_of(own.machine, ["starter dead in start"], [], comes_and_goes=False)
    open_job(made, find_machine("hand-cart-generator"), complaint)
    return made


def bring_in(desk: Desk, folder: Path, *rows: str) -> None:
    file = folder / "van.csv"
    file.write_text("\n".join(("item,count,unit,note", *rows)), encoding="utf-8")
    van_in(desk, file)


def answered(desk: Desk, check: str, answer: str) -> None:
    record(desk, answer, check_id=check)


def test_without_a_list_of_the_van_nothing_is_said_of_it(desk: Desk) -> None:
    found = job_load_list(desk)
    assert found.first_visit.with_van is None
    assert found.van_number == 0
    assert {line.in_van for line in found.lines} == {None}


def test_the_van_counts_with_what_it_holds_and_tools_are_carried_unless_the_list_says_none(
    desk: Desk, tmp_path: Path
) -> None:
    bring_in(desk, tmp_path, "nothing of use,1,pcs,")
    empty = job_load_list(desk).first_visit
    bring_in(desk, tmp_path, "STARTER  solenoid (k1),1,pcs,", "seal of its plug,1,pcs,", "fuse of 15 A,0,pcs,")
    found = job_load_list(desk)
    some = found.first_visit
    lines = {line.item: line for line in found.lines}
    assert lines["Starter solenoid (K1)"].in_van is True
    assert lines["Starter solenoid (K1)"].van == "1 pcs"
    assert lines["fuse of 15 A"].in_van is False
    assert lines["fuse of 15 A"].van == "0 pcs"
    assert lines["terminal for 1 mm2"].in_van is False
    assert lines["torque wrench"].in_van is True
    assert empty.with_van is not None
    assert some.with_van is not None
    assert some.with_none < empty.with_van < some.with_van < some.with_all
    bring_in(desk, tmp_path, *(f'"{line.item}",99,pcs,' for line in found.lines if line.sort != "tool"))
    full = job_load_list(desk).first_visit
    assert full.with_van == pytest.approx(full.with_all)
    bring_in(desk, tmp_path, *(f'"{line.item}",99,pcs,' for line in found.lines if line.sort != "tool"),
             "heat gun,0,pcs,lent out")  # fmt: skip
    without = job_load_list(desk)
    gun = next(line for line in without.lines if line.item == "heat gun")
    assert gun.in_van is False
    assert without.first_visit.with_van == pytest.approx(full.with_all - gun.cost)


def test_the_first_lines_and_the_parts_of_the_chance_are_told(desk: Desk) -> None:
    found = job_load_list(desk, most=3)
    visit = found.first_visit
    assert visit.first == 3
    assert visit.with_none <= visit.with_first <= visit.with_all
    assert visit.with_all <= 1.0 - visit.something_else
    assert visit.if_known is not None
    assert visit.with_all == pytest.approx(
        visit.nothing_wrong + (1.0 - visit.nothing_wrong - visit.something_else) * visit.if_known
    )
    assert job_load_list(desk, most=999).first_visit.first == len(found.lines)
    assert all(line.reasons and line.source for line in found.lines)


def test_the_customer_is_asked_what_tells_most_until_it_is_answered(desk: Desk) -> None:
    question = job_load_list(desk).question
    assert question is not None
    assert question.check in ("walk round in start", "walk round in work")
    answered(desk, "walk round in start", "all right but starter dead")
    answered(desk, "walk round in work", "all right")
    after = job_load_list(desk).question
    assert after is None or after.check != question.check


def test_no_customer_is_asked_to_set_a_machine_to_a_dangerous_state(desk: Desk) -> None:
    fingerprint, own = bench()
    machine = own.machine
    states = {name: replace(state, dangers=("engine",)) for name, state in machine.states.items() if name != "off"}
    desk.benches[fingerprint] = Bench(replace(machine, states={**machine.states, **states}))
    desk.standings.clear()
    question = job_load_list(desk).question
    assert question is None or question.check.endswith(" in off")


def test_a_closed_job_has_no_load_list(desk: Desk) -> None:
    job = desk.job().id
    close_job(desk, "not found", job)
    with pytest.raises(UserError) as caught:
        job_load_list(desk, job)
    assert caught.value.code == "job-closed"


def test_a_list_with_mistakes_changes_nothing(desk: Desk, tmp_path: Path) -> None:
    bring_in(desk, tmp_path, "seal,1,pcs,")
    with pytest.raises(ProblemsError) as caught:
        bring_in(desk, tmp_path, "good,1,pcs,", "bad,1,")
    assert [one.code for one in caught.value.problems] == ["van-row"]
    assert [(one.item, one.count) for one in show_van(desk).lines] == [("seal", 1.0)]
    (tmp_path / "old.csv").write_bytes(b"item,count,unit\nSchl\xfcssel,1,pcs\n")
    for name, code in (("old.csv", "not-utf-8"), ("none.csv", "file-missing")):
        with pytest.raises(ProblemsError) as caught:
            van_in(desk, tmp_path / name)
        assert [one.code for one in caught.value.problems] == [code]
    assert show_van(desk).number == 1


def test_what_became_of_the_list_before_is_told_and_the_earlier_one_can_be_taken_out(
    desk: Desk, tmp_path: Path
) -> None:
    bring_in(desk, tmp_path, "seal,1,pcs,", "sleeve,2,m,", "fuse,3,pcs,")
    file = tmp_path / "next.csv"
    file.write_bytes("\ufeffitem,count,unit,note\nSeal,1,pcs,\nsleeve,1,m,\nties,5,pcs,\n".encode())
    taken = van_in(desk, file)
    assert (taken.number, taken.items, taken.new, taken.changed, taken.gone) == (2, 3, 1, 1, 1)
    shown = show_van(desk, 1)
    assert (shown.number, shown.latest, shown.by, len(shown.lines)) == (1, 2, "Rosa", 3)
    out = tmp_path / "out.csv"
    assert van_out(desk, out, 1).items == 3
    assert out.read_text(encoding="utf-8") == "item,count,unit,note\nseal,1,pcs,\nsleeve,2,m,\nfuse,3,pcs,\n"
    with pytest.raises(UserError) as caught:
        van_out(desk, out)
    assert caught.value.code == "van-file-there"
    with pytest.raises(UserError) as caught:
        van_out(desk, tmp_path / "no-folder" / "out.csv")
    assert caught.value.code == "van-file-unwritable"
    with pytest.raises(NotFound):
        show_van(desk, 3)


def test_something_else_has_its_prior_share_after_the_complaint_and_moves_with_what_is_seen(desk: Desk) -> None:
    opened = job_load_list(desk).first_visit
    assert opened.something_else == pytest.approx(0.03)
    answered(desk, "operate starter in start", "dead")
    again = job_load_list(desk).first_visit
    assert again.something_else != pytest.approx(0.03, abs=1e-4)


def test_what_the_customer_tells_counts_as_an_operators_word_and_is_not_asked_again(desk: Desk) -> None:
    question = job_load_list(desk).question
    assert question is not None
    record(desk, "all right but starter dead", check_id=question.check, reported=True)
    after = job_load_list(desk).question
    assert after is None or after.check != question.check
    seen = [one.observation for one in desk.job().standing if isinstance(one.what, ObservationRecorded)]
    assert {getattr(one, "reliability", 1.0) for one in seen} == {RELIABILITY_OPERATOR}
