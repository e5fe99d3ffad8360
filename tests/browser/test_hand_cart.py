"""The small machine on a phone: keyboard alone, an answer lost on the way, and what everybody must be able to read."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

import pytest
from playwright.sync_api import Browser, Page, Route, expect

FAILS = ("Hand-cart generator", "starter", "start", "dead")


@pytest.fixture(params=["light", "dark"])
def painted(browser: Browser, request: pytest.FixtureRequest) -> Iterator[Page]:
    """A phone's page in light, then in dark."""
    context = browser.new_context(
        viewport={"width": 390, "height": 844}, color_scheme=request.param, reduced_motion="reduce", has_touch=True
    )
    found = context.new_page()
    yield found
    context.close()


def test_every_screen_can_be_read_reached_and_named(served: Any, phone: Any, painted: Page) -> None:
    page = phone.page = painted
    page.goto(served.address)
    expect(page.get_by_text("No job yet.")).to_be_visible()
    phone.looked_over("no jobs")
    phone.open_job(served.address, *FAILS, "rain", "It comes and goes")
    phone.looked_over("first step")
    for _ in range(3):
        reading = page.get_by_role("button", name="Type the reading")
        if reading.count():
            reading.tap()
            phone.looked_over("number pad")
            for sign in "12.4":
                page.locator(".keys").get_by_role("button", name=sign, exact=True).tap()
            page.locator(".units .main").first.tap()
        else:
            page.locator(".answers button").first.tap()
        expect(page.get_by_text("Written down:")).to_be_visible()
        expect(page.locator(".dock")).to_have_attribute("aria-busy", "false")
        phone.looked_over("a later step")
    page.get_by_role("button", name="Something else").tap()
    phone.looked_over("something else")
    page.get_by_role("button", name="A function did something").tap()
    expect(page.get_by_label("Find a function")).to_be_visible()
    phone.looked_over("choosing a function")
    page.keyboard.press("Escape")
    page.get_by_role("link", name="Suspects").tap()
    page.locator(".suspects button").first.tap()
    expect(page.locator(".case")).to_be_visible()
    phone.looked_over("suspects")
    page.get_by_role("link", name="Circuit path").first.tap()
    expect(page.locator(".path-point").first).to_be_visible()
    phone.looked_over("circuit path")
    page.get_by_role("link", name="Map").tap()
    expect(page.locator(".zone")).to_have_count(1)
    page.locator(".zone").tap()
    expect(page.locator(".case")).to_be_visible()
    phone.looked_over("where")
    page.get_by_role("link", name="Log").tap()
    expect(page.locator(".log li").first).to_be_visible()
    phone.looked_over("log")
    page.get_by_role("link", name="Jobs").tap()
    expect(page.locator(".card").first).to_be_visible()
    phone.looked_over("jobs")
    page.get_by_role("button", name="Open a job").tap()
    page.get_by_role("radio", name="Hand-cart generator").tap()
    expect(page.get_by_role("button", name="Add what fails")).to_be_visible()
    phone.looked_over("opening")


def press_to(page: Page, name: str, *, most: int = 80) -> None:
    """Goes on with the tab key until what is called ``name`` has the focus."""
    script = """() => {
      const one = document.activeElement;
      const named = one.getAttribute('aria-label') || one.labels?.[0]?.innerText || one.innerText || '';
      return named.trim().replace(/\\s+/g, ' ');
    }"""
    seen = []
    for _ in range(most):
        page.keyboard.press("Tab")
        seen.append(page.evaluate(script))
        if re.search(rf"^\W*{re.escape(name)}", seen[-1]):
            return
    raise AssertionError(f"{name!r} is not reached with the tab key; reached: {seen}")


def test_a_job_is_opened_answered_and_undone_with_the_keyboard_alone(served: Any, page: Page) -> None:
    page.goto(served.address)
    expect(page.get_by_text("No job yet.")).to_be_visible()
    press_to(page, "Open a job")
    page.keyboard.press("Enter")
    expect(page.get_by_role("radio", name="Hand-cart generator")).to_be_visible()
    press_to(page, "Hand-cart generator")
    page.keyboard.press("Space")
    expect(page.get_by_role("button", name="Add what fails")).to_be_visible()
    press_to(page, "+ Add what fails")
    page.keyboard.press("Enter")
    press_to(page, "Find a function")
    page.keyboard.type("starter")
    press_to(page, "starter")
    page.keyboard.press("Enter")
    press_to(page, "dead")
    page.keyboard.press("Enter")
    expect(page.get_by_role("dialog")).to_have_count(0)
    press_to(page, "Start the job")
    page.keyboard.press("Enter")
    expect(page.locator(".answers")).to_be_visible()
    # The step is read from its heading on.
    assert page.evaluate("() => document.activeElement.tagName") == "H1"
    press_to(page, "Can't reach")
    page.keyboard.press("Enter")
    expect(page.get_by_text("Written down:")).to_be_visible()
    job = served.desk.job()
    assert len(job.standing) == 1
    expect(page.locator(".dock")).to_have_attribute("aria-busy", "false")
    press_to(page, "Undo")
    page.keyboard.press("Enter")
    expect(page.get_by_text("taken back")).to_be_visible()
    assert served.desk.job(job.id).standing == ()


def test_an_answer_lost_on_the_way_back_is_sent_again_and_counts_once(served: Any, phone: Any, page: Page) -> None:
    phone.open_job(served.address, *FAILS)
    lost = []

    def lose(route: Route) -> None:
        # The server writes it down, and the phone never hears of it.
        route.fetch()
        lost.append((route.request.post_data_json or {})["sending"])
        route.abort()

    page.route("**/written", lose)
    page.get_by_role("button", name="Can't reach").tap()
    expect(page.get_by_text("1 entry waits on this phone.")).to_be_visible()
    page.unroute("**/written")
    expect(page.get_by_text("This was written down before; it counts once.")).to_be_visible()
    expect(page.get_by_text("1 entry waits on this phone.")).to_have_count(0)
    assert len(lost) >= 2
    assert len(set(lost)) == 1
    assert len(served.desk.job().entries) == 1


def test_a_wrong_answer_is_refused_in_words_and_writes_nothing(served: Any, phone: Any, page: Page) -> None:
    phone.open_job(served.address, *FAILS)
    page.route(
        "**/written",
        lambda route: route.continue_(post_data={**(route.request.post_data_json or {}), "answer": "purple"}),
    )
    page.get_by_role("button", name="Can't reach").tap()
    expect(page.get_by_role("heading", name="That was not taken")).to_be_visible()
    expect(page.get_by_role("dialog")).to_contain_text("purple")
    assert served.desk.job().entries == ()


def test_what_a_form_cannot_take_is_said_in_words_and_can_be_put_right(served: Any, phone: Any, page: Page) -> None:
    phone.fill_opening(served.address, *FAILS)
    page.get_by_label("Unit (serial or fleet number)").fill("HCG " + "7" * 70)
    page.get_by_role("button", name="Start the job").tap()
    refusal = page.get_by_role("dialog")
    expect(refusal.get_by_role("heading", name="That was not taken")).to_be_visible()
    expect(refusal).to_contain_text("serial number")
    assert served.desk.store.jobs() == ()
    phone.looked_over("a refused form")
    refusal.get_by_role("button", name="Close").tap()
    page.get_by_label("Unit (serial or fleet number)").fill("HCG 7")
    page.get_by_role("button", name="Start the job").tap()
    expect(page.get_by_role("heading", name="What did you find?")).to_be_visible()
    assert served.desk.job().unit == "HCG 7"


def test_a_cause_named_by_hand_closes_the_job_and_a_mistake_opens_it_again(served: Any, phone: Any, page: Page) -> None:
    phone.open_job(served.address, *FAILS)
    page.get_by_role("link", name="Log").tap()
    page.get_by_role("button", name="Close the job").tap()
    expect(page.get_by_role("dialog")).to_contain_text("No cause stands out yet")
    page.get_by_role("dialog").get_by_role("button", name="Close").tap()
    page.get_by_role("link", name="Suspects").tap()
    page.locator(".suspects button").first.tap()
    page.get_by_role("button", name="This was the cause: close the job").tap()
    expect(page.locator(".notice")).to_contain_text("This job is closed.")
    phone.looked_over("closed job")
    assert served.desk.store.jobs(state="closed")
    page.get_by_role("button", name="Closed by mistake: open again").tap()
    expect(page.locator(".notice")).to_have_count(0)
    assert served.desk.job().state == "open"


def test_the_first_load_is_small_and_needs_nothing_from_elsewhere(served: Any, page: Page) -> None:
    sizes, hosts = [], set()

    def came(response: Any) -> None:
        hosts.add(response.url.split("/")[2])
        sizes.append(response.request.sizes()["responseBodySize"])

    page.on("response", came)
    page.goto(served.address)
    expect(page.get_by_text("No job yet.")).to_be_visible()
    assert hosts == {served.address.split("/")[2]}
    # The promise is 150 kB compressed.
    assert sum(sizes) < 150_000
