"""A laptop, and a phone on its side: nothing is cut or hidden, and what must be seen stands over the step."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any
from uuid import uuid4

import pytest
from playwright.sync_api import Browser, Page, ViewportSize, expect

FAILS = ("Hand-cart generator", "starter", "start", "dead")
LAPTOP: ViewportSize = {"width": 1440, "height": 900}
ON_ITS_SIDE: ViewportSize = {"width": 844, "height": 390}
PARTS = ("", "/suspects", "/where", "/log", "/proof", "/papers")


@pytest.fixture(params=[(LAPTOP, "light"), (ON_ITS_SIDE, "dark")], ids=["laptop", "on-its-side"])
def wide(request: Any, browser: Browser) -> Iterator[Page]:
    size, scheme = request.param
    context = browser.new_context(
        viewport=size, color_scheme=scheme, has_touch=True, reduced_motion="reduce", locale="en-GB"
    )
    found = context.new_page()
    found.set_default_timeout(60_000)
    yield found
    context.close()


def test_findings_that_contradict_stand_over_the_step(served: Any, phone: Any, wide: Page) -> None:
    taps = type(phone)(wide)
    taps.open_job(served.address, *FAILS)
    job = served.desk.job().id
    asked = str(wide.locator("[data-step]").get_attribute("data-step"))
    for who, volts in (("Ana", "0.1 V"), ("Ben", "12.4 V")):
        found = {"check": asked, "answer": volts, "by": who, "sending": str(uuid4())}
        assert wide.request.post(f"{served.address}api/jobs/{job}/findings", data=found).ok
    against = wide.locator(".against")
    expect(against).to_contain_text("100 mV")
    expect(against).to_contain_text("12.4 V")
    expect(against).to_be_in_viewport(ratio=1)
    heading = wide.get_by_role("heading", level=1).bounding_box()
    box = against.bounding_box()
    assert box is not None
    assert heading is not None
    assert box["y"] + box["height"] <= heading["y"]
    taps.looked_over("a contradiction on a wide screen")
    wide.context.set_offline(True)
    taps.note("seen without the server")
    waits = wide.get_by_text("1 entry waits on this phone.")
    expect(waits).to_be_visible()
    wide.evaluate("scrollTo(0, 0)")  # the note was written further down
    expect(waits).to_be_in_viewport()


def test_every_part_of_a_job_can_be_read_and_reached(served: Any, phone: Any, wide: Page) -> None:
    taps = type(phone)(wide)
    taps.open_job(served.address, *FAILS)
    job = served.desk.job().id
    found = {"repair": "replace-part:K1", "answer": "mended", "by": "Ana", "sending": str(uuid4())}
    assert wide.request.post(f"{served.address}api/jobs/{job}/findings", data=found).ok
    for part in (*PARTS, "/mend/replace-part%3AK1", "/where/replace-part%3AK1"):
        wide.goto(f"{served.address}#/job/{job}{part}")
        expect(wide.get_by_role("heading", level=1)).to_be_visible()
        expect(wide.locator(".working")).to_have_count(0)
        taps.looked_over(f"{part} on a wide screen")


def test_a_closed_job_says_what_it_was_and_leads_to_its_report(served: Any, phone: Any, wide: Page) -> None:
    taps = type(phone)(wide)
    taps.open_job(served.address, *FAILS)
    job = served.desk.job().id
    for path, content in (
        ("findings", {"repair": "replace-part:K1", "answer": "mended"}),
        ("close", {"cause": "replace-part:K1"}),
    ):
        sent = {"by": "Ana", "sending": str(uuid4()), **content}
        assert wide.request.post(f"{served.address}api/jobs/{job}/{path}", data=sent).ok
    expect(wide.get_by_role("heading", name="This job is closed")).to_be_visible()
    expect(wide.get_by_text("Cause: replace K1", exact=True)).to_be_visible()
    expect(wide.locator(".notice")).to_have_count(0)
    taps.looked_over("a closed job")
    wide.get_by_role("link", name="Papers and report").click()
    expect(wide.get_by_role("heading", name="Papers and report")).to_be_visible()


def test_signs_that_the_report_cannot_print_are_said_with_a_way_out(served: Any, phone: Any, wide: Page) -> None:
    taps = type(phone)(wide)
    taps.open_job(served.address, *FAILS)
    taps.note("read by 山田")
    wide.goto(f"{served.address}#/job/{served.desk.job().id}/papers")
    wide.reload()  # or the note's own news may have the job loaded anew just when the button is clicked
    with wide.expect_download() as coming:
        wide.get_by_role("button", name="For the next technician (PDF)").click()
    assert coming.value.suggested_filename.endswith("-technician.pdf")
    said = wide.get_by_text("the server has no font for these signs in it: 山 田.")
    expect(said).to_be_visible()
    taps.looked_over("signs that are not printed")
    with wide.expect_download() as coming:
        wide.get_by_role("button", name="Save it as a web page").click()
    assert "山田" in coming.value.path().read_text("utf-8")
    expect(said).to_have_count(0)
