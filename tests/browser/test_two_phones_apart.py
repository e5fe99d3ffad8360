"""Two phones on one job, both out of reach of the server: what each found is kept, and what contradicts is said."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest
from playwright.sync_api import Browser, Page, expect

from halfsplit.observations import Reading

FAILS = ("Hand-cart generator", "starter", "start", "dead")


@pytest.fixture
def second(browser: Browser) -> Iterator[Page]:
    """Another person's phone."""
    context = browser.new_context(viewport={"width": 390, "height": 844}, has_touch=True, reduced_motion="reduce")
    yield context.new_page()
    context.close()


def test_both_are_kept_and_a_contradiction_is_shown_on_both(
    served: Any, phone: Any, page: Page, second: Page
) -> None:
    phone.fill_opening(served.address, *FAILS)
    page.get_by_label("Your name, for the record").fill("Ana")
    page.get_by_role("button", name="Start the job").tap()
    expect(page.get_by_role("heading", name="What did you find?")).to_be_visible()
    other = type(phone)(second)
    second.goto(served.address)
    second.evaluate("() => localStorage.setItem('halfsplit.name', 'Ben')")
    second.locator(".card").tap()
    phone.carried()
    other.carried()
    page.context.set_offline(True)
    second.context.set_offline(True)

    # By themselves the two phones ask for the same, and the two people read something else.
    expect(page.locator("[data-step^='volts ']")).to_be_visible()
    point = str(page.locator("[data-step]").get_attribute("data-step"))
    expect(second.locator("[data-step]")).to_have_attribute("data-step", point)
    for one, volts in ((phone, "0.1"), (other, "12.4")):
        one.volts(volts)
        one.waits(1)
        expect(one.page.locator("[data-step]")).not_to_have_attribute("data-step", point)
        one.note(f"read {volts} by {'Ana' if one is phone else 'Ben'}")
        one.waits(2)
    # Each goes on by what it knows itself.
    mine = str(page.locator("[data-step]").get_attribute("data-step"))
    expect(second.locator("[data-step]")).not_to_have_attribute("data-step", mine)

    page.context.set_offline(False)
    phone.waits(0)
    second.context.set_offline(False)
    other.waits(0)
    for one in (phone, other):
        against = one.page.locator(".against")
        expect(against).to_contain_text("Two findings contradict each other")
        expect(against).to_contain_text("Ana")
        expect(against).to_contain_text("100 mV")
        expect(against).to_contain_text("Ben")
        expect(against).to_contain_text("12.4 V")
    phone.looked_over("a contradiction")
    entries = served.desk.job().entries
    assert not [entry for entry in entries if entry.undone]
    readings = [entry for entry in entries if isinstance(entry.observation, Reading)]
    assert sorted((entry.by, entry.observation.value) for entry in readings) == [("Ana", 0.1), ("Ben", 12.4)]
    assert sorted(entry.what.text for entry in entries if entry.what.KIND == "note-added") == [
        "read 0.1 by Ana", "read 12.4 by Ben",
    ]  # fmt: skip
    assert len({event.sending for event in served.desk.store.events(served.desk.job().id)}) == 5

    # Both see the same step again, and taking one back settles it for both.
    step = page.get_by_role("heading", level=1).inner_text()
    expect(second.get_by_role("heading", level=1)).to_have_text(step)
    page.get_by_role("link", name="Log").tap()
    phone.looked_over("a contradiction in the log")
    line = page.locator(".log li").filter(has_text="100 mV")
    line.get_by_role("button", name="Undo").tap()
    expect(page.locator(".against")).to_have_count(0)
    expect(second.locator(".against")).to_have_count(0)
