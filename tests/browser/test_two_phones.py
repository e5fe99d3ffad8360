"""Two phones on one job: what one writes down the other sees, and nothing is lost between them."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest
from playwright.sync_api import Browser, Page, expect

FAILS = ("Hand-cart generator", "starter", "start", "dead")


@pytest.fixture
def second(browser: Browser) -> Iterator[Page]:
    """Another person's phone."""
    context = browser.new_context(viewport={"width": 390, "height": 844}, has_touch=True, reduced_motion="reduce")
    yield context.new_page()
    context.close()


def test_each_sees_what_the_other_found_with_name_and_time(served: Any, phone: Any, page: Page, second: Page) -> None:
    phone.fill_opening(served.address, *FAILS)
    page.get_by_label("Your name, for the record").fill("Ana")
    page.get_by_role("button", name="Start the job").tap()
    expect(page.get_by_role("heading", name="What did you find?")).to_be_visible()
    second.goto(served.address)
    second.evaluate("() => localStorage.setItem('halfsplit.name', 'Ben')")
    second.locator(".card").tap()
    expect(second.locator(".answers")).to_be_visible()
    step = page.get_by_role("heading", level=1).inner_text()
    expect(second.get_by_role("heading", level=1)).to_have_text(step)

    second.get_by_role("button", name="Can't reach").tap()
    expect(second.get_by_text("Written down:")).to_be_visible()
    expect(page.locator(".news-line", has_text="Ben")).to_be_visible()
    expect(page.get_by_role("heading", level=1)).not_to_have_text(step)
    phone.looked_over("news of another phone")
    # What one sent itself is no news.
    expect(second.locator(".news-line", has_text="Ben")).to_have_count(0)

    page.get_by_role("button", name="Seen").tap()
    expect(page.locator(".news-line", has_text="Ben")).to_have_count(0)
    page.get_by_role("button", name="Something else").tap()
    page.get_by_role("button", name="A note").tap()
    page.get_by_role("dialog").get_by_label("A note").fill("looked at the plug")
    # While one types, the other goes on: the step waits until the sheet is closed, and the note is not lost.
    second.get_by_role("button", name="Undo").tap()
    expect(second.get_by_text("taken back")).to_be_visible()
    expect(page.get_by_role("dialog").get_by_label("A note")).to_have_value("looked at the plug")
    page.get_by_role("button", name="Write the note down").tap()
    expect(second.locator(".news-line", has_text="Ana")).to_contain_text("looked at the plug")
    expect(page.get_by_role("heading", level=1)).to_have_text(step)
    job = served.desk.job()
    assert [entry.by for entry in job.entries] == ["Ben", "Ana"]
    assert [entry.undone for entry in job.entries] == [True, False]
