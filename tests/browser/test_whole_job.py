"""The sweeper's demo fault found on a phone, from opening the job to the report, against a practice machine."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from playwright.sync_api import Page, expect
from pypdf import PdfReader

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
#: Steps done while the server is out of reach.
OUT_OF_REACH = 4
#: What stands on a correction sheet, from the top.
ORDER = ("Cautions", "Take along", "Steps")


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
    prove(phone)
    page.get_by_role("link", name="Next").tap()
    page.get_by_role("button", name="Close the job").tap()
    expect(page.locator(".notice")).to_have_text("This job is closed. Cause: renew contact X10.9")
    page.get_by_role("link", name="Papers and report").tap()
    write_up(phone, served, job)
    with page.expect_download() as coming:
        page.get_by_role("button", name="For the customer (PDF)").tap()
    pages = PdfReader(coming.value.path()).pages
    text = " ".join(" ".join(page.extract_text() for page in pages).split())
    for said in ("X10", "Green pin of X10", "contact for sealed-1.6", "Rinse the pan", "8 h"):
        assert said in text
    done = served.desk.job(job)
    assert done.state == "closed"
    assert done.minutes > 20


def test_the_whole_job_goes_on_while_the_server_is_out_of_reach(served: Any, phone: Any, page: Page) -> None:
    complaint = Complaint((Symptom("dust-spray-left", "sweep", "off", 0.96, "yes"),), ("rain",))
    rig = set_up_told(MemoryStore(), SWEEPER, FAULT, complaint, 11)
    phone.open_job(served.address, "Saltmarsh sweeper", "Left dust spray", STATE, "dead", "rain")
    job = served.desk.job().id
    repairs = work(phone, served, rig, job, complaint, most=1)
    phone.carried()
    before = len(served.desk.job(job).entries)
    page.context.set_offline(True)
    repairs += work_apart(phone, served, rig, job, complaint, OUT_OF_REACH)
    phone.looked_over("out of reach in the middle of the job")
    assert len(served.desk.job(job).entries) == before
    page.context.set_offline(False)
    phone.waits(0)
    expect(page.get_by_text("The server is out of reach.")).to_have_count(0)
    sendings = [one.sending for one in served.desk.store.events(job) if one.number > before + 1]
    assert len(set(sendings)) == OUT_OF_REACH
    repairs += work(phone, served, rig, job, complaint)
    assert "renew-contact:X10.9" in repairs
    assert not rig.world.present
    expect(page.get_by_role("heading", name="Mended")).to_be_visible()
    page.get_by_role("button", name="Close the job").tap()
    expect(page.locator(".notice")).to_have_text("This job is closed. Cause: renew contact X10.9")
    page.get_by_role("link", name="Papers and report").tap()
    with page.expect_download() as coming:
        page.get_by_role("button", name="For the customer (PDF)").tap()
    pages = PdfReader(coming.value.path()).pages
    assert "X10" in " ".join(page.extract_text() for page in pages)
    assert served.desk.job(job).state == "closed"


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


def prove(phone: Any) -> None:
    """Says how often it failed, and that it ran quietly since."""
    page = phone.page
    page.get_by_role("link", name="Proof of the repair").tap()
    expect(page.get_by_text("Sure by now")).to_be_visible()
    page.get_by_label("Times it failed").fill("4")
    page.get_by_label("In how much").fill("10")
    page.get_by_role("button", name="Write it down").tap()
    expect(page.get_by_text("It failed before: failed 4 times in 10 h")).to_be_visible()
    phone.looked_over("proof with a history")
    page.get_by_label("How much", exact=True).fill("8")
    page.get_by_role("button", name="It stayed quiet").tap()
    expect(page.get_by_text("ran 8 h: quiet")).to_be_visible()
    expect(page.get_by_text("99 %: reached")).to_be_visible()
    phone.looked_over("proof after a run")


def write_up(phone: Any, served: Any, job: str) -> None:
    """Adds a photo, material and advice to the job."""
    page = phone.page
    picture = page.screenshot(clip={"x": 0, "y": 0, "width": 120, "height": 90})
    page.get_by_label("What it shows or says").fill("Green pin of X10")
    page.locator("input[type=file]").first.set_input_files(
        [{"name": "IMG 4711.png", "mimeType": "image/png", "buffer": picture}]
    )
    expect(page.locator(".file img")).to_be_visible()
    assert page.locator(".file img").evaluate("one => one.decode().then(() => one.naturalWidth)") == 120
    page.get_by_label("What was used").fill("contact for sealed-1.6")
    page.get_by_role("button", name="Add: Material used").tap()
    expect(page.get_by_text("used: 1 x contact for sealed-1.6")).to_be_visible()
    page.get_by_label("Advice for the owner").fill("Rinse the pan after salt")
    page.get_by_role("button", name="Add: Advice").tap()
    expect(page.get_by_text("advice: Rinse the pan after salt")).to_be_visible()
    phone.looked_over("papers")
    assert served.desk.shelf.get(served.desk.job(job).attachments[0].sha256) == picture


def mend(phone: Any, mended: bool) -> None:
    """Reads the correction sheet of the step, then says there how it went."""
    page = phone.page
    page.get_by_role("link", name="Correction sheet").tap()
    expect(page.get_by_role("heading", name="Take along")).to_be_visible()
    boxes = [page.get_by_role("heading", name=one, exact=True).bounding_box()["y"] for one in ORDER]
    assert boxes == sorted(boxes), ORDER
    phone.looked_over("correction sheet")
    page.get_by_role("button", name="mended" if mended else "not mended", exact=not mended).first.tap()


def work_apart(phone: Any, served: Any, rig: Rig, job: str, complaint: Complaint, steps: int) -> list[str]:
    """Does the steps that the phone asks by itself, and taps what came of them; the repairs done."""
    page, bench, clock = phone.page, rig.bench, rig.clock
    repairs: list[str] = []
    for number in range(1, steps + 1):
        asked = str(page.locator("[data-step]").get_attribute("data-step"))
        group = next((one for one in bench.space.groups if one.id == asked), None)
        if group is not None:
            repairs.append(group.id)
            clock.repair(group)
            mended = all(one.level == "on" for one in clock.verify(complaint))
            page.locator(".answers").get_by_role("button", name="mended" if mended else "not mended").last.tap()
        else:
            check = served.desk.standing(served.desk.job(job)).check(asked)
            assert check is not None
            seen = clock.check(check, complaint.symptoms)
            for place in refitted(bench.machine, check):
                rig.world.act(Action("unplug-refit", place))
            phone.answer(bench.machine, check, seen)
        phone.waits(number)
        page.wait_for_function("() => !document.querySelector('.dock[aria-busy=\"true\"]')")
    return repairs


def work(
    phone: Any, served: Any, rig: Rig, job: str, complaint: Complaint, most: int = MOST_STEPS
) -> list[str]:
    """Does every step asked on the practice machine and taps what came of it, ``most`` at most; the repairs done."""
    page, bench, clock = phone.page, rig.bench, rig.clock
    repairs: list[str] = []
    for _ in range(most):
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
            mend(phone, mended)
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
    assert most < MOST_STEPS, f"no end after {most} steps"
    return repairs
