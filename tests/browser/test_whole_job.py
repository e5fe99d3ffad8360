"""The sweeper's demo fault found on a phone, from opening the job to the report, against a practice machine."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from playwright.sync_api import Page, expect

from halfsplit.jobs.memory import MemoryStore
from halfsplit.machine.reading import load_machine
from halfsplit.observations import Action, Complaint, Symptom
from halfsplit.service.found import refitted
from halfsplit.service.practising import Rig, set_up_told
from halfsplit.service.working import next_step

SWEEPER = Path(__file__).resolve().parents[2] / "examples" / "saltmarsh-sweeper"
FAULT = "X10.9/contact-open"
STATE = "Sweeping, engine hot"
#: More steps than any job on this machine took with the planner.
MOST_STEPS = 40


def test_a_whole_job_is_worked_on_a_phone_from_the_complaint_to_the_report(served: Any, phone: Any, page: Page) -> None:
    complaint = Complaint((Symptom("dust-spray-left", "sweep", "off", 0.96, "yes"),), ("rain",))
    rig = set_up_told(MemoryStore(), SWEEPER, FAULT, complaint, 11)
    phone.open_job(served.address, "Saltmarsh sweeper", "Left dust spray", STATE, "dead", "rain")
    job = served.desk.job().id
    look_where(phone)
    repairs = work(phone, served, rig, job, complaint)
    assert "renew-contact:X10.9" in repairs
    assert not rig.world.present
    expect(page.get_by_role("heading", name="Mended")).to_be_visible()
    page.get_by_role("button", name="Close the job").tap()
    expect(page.locator(".notice")).to_have_text("This job is closed. Cause: renew contact X10.9")
    with page.expect_download() as coming:
        page.get_by_role("link", name="For the customer (PDF)").tap()
    assert Path(coming.value.path()).read_bytes().startswith(b"%PDF-")
    done = served.desk.job(job)
    assert done.state == "closed"
    assert done.minutes > 20


def look_where(phone: Any) -> None:
    """Goes by the map from a zone to a suspect in it and to the way of its current, and back to the step."""
    page = phone.page
    page.get_by_role("link", name="Where").tap()
    expect(page.locator(".zone")).to_have_count(len(load_machine(SWEEPER).zones))
    phone.looked_over("map")
    page.locator(".zone").filter(has_text="Belly pan").tap()
    page.locator(".case").get_by_role("link").first.tap()
    expect(page.locator(".path-point").first).to_be_visible()
    phone.looked_over("circuit path")
    page.get_by_role("link", name="Next").tap()
    expect(page.get_by_role("heading", name="What did you find?")).to_be_visible()


def work(phone: Any, served: Any, rig: Rig, job: str, complaint: Complaint) -> list[str]:
    """Does every step asked on the practice machine and taps what came of it; the repairs done."""
    page, bench, clock = phone.page, rig.bench, rig.clock
    repairs: list[str] = []
    for _ in range(MOST_STEPS):
        found = next_step(served.desk, job)
        if found.step is None:
            return repairs
        entries = found.head.entries
        # The screen asks the very step the service gives.
        heading = page.get_by_role("heading", level=1)
        expect(heading).to_have_text(found.step.title.rpartition(" [")[0] or found.step.title)
        if found.step.kind == "repair":
            group = next(one for one in bench.space.groups if one.id == found.step.id)
            repairs.append(group.id)
            clock.repair(group)
            mended = all(one.level == "on" for one in clock.verify(complaint))
            page.get_by_role("button", name="mended" if mended else "not mended", exact=not mended).first.tap()
        else:
            check = served.desk.standing(served.desk.job(job)).check(found.step.id)
            assert check is not None
            seen = clock.check(check, complaint.symptoms)
            for place in refitted(bench.machine, check):
                rig.world.act(Action("unplug-refit", place))
            phone.answer(bench.machine, check, seen)
        expect(page.get_by_text("Written down:")).to_be_visible()
        # Wait for the step after this one: the store has it before the screen shows it.
        page.wait_for_function("() => !document.querySelector('.dock[aria-busy=\"true\"]')")
        assert len(served.desk.job(job).entries) > entries
    raise AssertionError(f"no end after {MOST_STEPS} steps")
