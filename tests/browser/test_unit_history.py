"""What there was on a unit before, while a job is opened on it and in the job."""

from __future__ import annotations

from typing import Any

from playwright.sync_api import Page, expect

FAILS = ("Hand-cart generator", "starter", "start", "dead")


def test_earlier_jobs_stand_on_the_opening_screen_and_in_the_log(served: Any, phone: Any, page: Page) -> None:
    for _ in range(2):
        phone.fill_opening(served.address, *FAILS)
        page.get_by_label("Unit (serial or fleet number)").fill("GEN-12")
        # The second time the first job is told before the job is started.
        first = served.desk.store.jobs()
        if first:
            expect(page.get_by_text("Earlier jobs of this unit: 1")).to_be_visible()
            phone.looked_over("opening with earlier jobs")
        page.get_by_role("button", name="Start the job").click()
        expect(page.get_by_role("heading", name="What did you find?")).to_be_visible()
    page.get_by_role("link", name="Log").tap()
    expect(page.get_by_role("heading", name="unit GEN-12")).to_be_visible()
    expect(page.get_by_text("with the same complaint is still open")).to_be_visible()
    phone.looked_over("log with earlier jobs")
    earlier = served.desk.store.jobs()[0].id
    page.get_by_role("link", name=f"Job {earlier}").tap()
    expect(page).to_have_url(f"{served.address}#/job/{earlier}")
