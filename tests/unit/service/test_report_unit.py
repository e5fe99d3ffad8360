"""The unit in a report: its hours and earlier jobs as the job met them, short for the customer."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from functools import cache

import pytest

from halfsplit.diagnosis.hunt import Bench
from halfsplit.jobs.memory import MemoryStore
from halfsplit.jobs.store import fingerprint_of
from halfsplit.machine.reading import load_machine
from halfsplit.reports.content import UnitStory, plain
from halfsplit.reports.html import as_html
from halfsplit.reports.sections import page
from halfsplit.service import keeping, units, working
from halfsplit.service.complaints import complaint_of
from halfsplit.service.desk import Desk, machine_files
from halfsplit.service.examples import find_machine
from halfsplit.service.found import record
from halfsplit.service.reporting import report_of

UNIT = "HC-0107"


@cache
def bench() -> tuple[str, Bench]:
    path = find_machine("hand-cart-generator")
    return fingerprint_of(machine_files(path)), Bench(load_machine(path))


@dataclass
class Calendar:
    """A clock that goes on by a minute each time it is read, and by days when told to."""

    moment: datetime = field(default_factory=lambda: datetime(2031, 4, 2, 7, tzinfo=UTC))

    def __call__(self) -> datetime:
        self.moment += timedelta(minutes=1)
        return self.moment

    def wait(self, days: int) -> None:
        self.moment += timedelta(days=days)


@pytest.fixture
def calendar() -> Calendar:
    return Calendar()


@pytest.fixture
def desk(calendar: Calendar) -> Desk:
    """A desk with a first job on the unit, mended and closed, and a second one opened three weeks later."""
    fingerprint, own = bench()
    desk = Desk(MemoryStore(), calendar, "Rosa", {fingerprint: own})
    units.note_unit(desk, UNIT, hours="100 h", owner="Pellwick (invented)")
    opened(desk, "first")
    record(desk, "mended", repair="replace-part:K1")
    keeping.close_job(desk, "replace-part:K1")
    calendar.wait(21)
    units.note_unit(desk, UNIT, hours="170 h")
    opened(desk, "second")
    return desk


def opened(desk: Desk, name: str) -> None:
    complaint = complaint_of(bench()[1].machine, ["starter dead in start"], comes_and_goes=True)
    working.open_job(desk, find_machine("hand-cart-generator"), complaint, unit=UNIT, job_id=name)


def printed(desk: Desk, face: str, job: str = "second") -> str:
    return as_html(report_of(desk, face, job), {})


def test_the_next_technician_reads_hours_earlier_jobs_and_what_of_them_counted(desk: Desk) -> None:
    story = report_of(desk, "technician", "second").story
    assert (story.owner, story.hours, story.read_on) == ("Pellwick (invented)", 170.0, "2031-04-23")
    (one,) = story.earlier
    assert (one.job, one.opened, one.hours, one.cause) == ("first", "2031-04-02", 100.0, "replace K1")
    assert one.complaint == "starter dead [start]"
    assert one.work == ("replaced K1",)
    assert one.held == "21 days (70 h of running), back in this job"
    assert [said.partition(":")[0] for said in story.used[:1]] == ["Worked on lately"]
    assert any("may be the same fault as in job first" in said for said in story.used)
    text = printed(desk, "technician")
    assert "Earlier jobs of the unit" in text
    assert "170 h, read on 2031-04-23" in text
    assert "back in this job" in text


def test_the_customer_reads_one_line_of_it(desk: Desk) -> None:
    shown = page(report_of(desk, "customer", "second"))
    facts = {row.cells[0]: row.cells[1] for row in shown.sections[0].blocks[0].rows}
    assert facts["Meter"] == "170 h, read on 2031-04-23"
    assert facts["Before this"] == "1 earlier job on 2031-04-02: replace K1"
    assert "Earlier jobs of the unit" not in [one.title for one in shown.sections]
    assert report_of(desk, "customer", "second").story.used == ()


def test_it_says_what_the_job_met_and_not_what_came_later(desk: Desk, calendar: Calendar) -> None:
    record(desk, "mended", repair="replace-part:K1")
    keeping.close_job(desk, "replace-part:K1")
    before = plain(report_of(desk, "technician", "second"))
    first = report_of(desk, "technician", "first").story
    calendar.wait(40)
    units.note_unit(desk, UNIT, hours="400 h")
    opened(desk, "third")
    assert plain(report_of(desk, "technician", "second")) == before
    assert first.earlier == ()
    assert report_of(desk, "technician", "first").story == first
    assert [one.job for one in report_of(desk, "technician", "third").story.earlier] == ["second", "first"]


def test_a_job_without_a_unit_says_nothing_of_one(desk: Desk) -> None:
    complaint = complaint_of(bench()[1].machine, ["starter dead in start"])
    working.open_job(desk, find_machine("hand-cart-generator"), complaint, job_id="alone")
    assert report_of(desk, "technician", "alone").story == UnitStory()
    assert "Earlier jobs" not in printed(desk, "technician", "alone")
