"""A phone whose server goes out of reach in the middle of a job: nothing is lost, and nothing is written down twice."""

from __future__ import annotations

from typing import Any

from playwright.sync_api import Page, Route, expect

FAILS = ("Hand-cart generator", "starter", "start", "dead")
CONTROLLED = "() => navigator.serviceWorker.ready.then(() => navigator.serviceWorker.controller !== null)"

#: Whether the worker has the list with the job and the job's step.
SEEN = """async () => {
  const seen = await caches.open("halfsplit-seen");
  const kept = (await seen.keys()).map((one) => new URL(one.url).pathname);
  const list = await (await seen.match("/api/jobs"))?.json();
  return list?.jobs.length === 1 && kept.some((one) => one.endsWith("/next"));
}"""


def write_note(page: Page, words: str) -> None:
    """Adds a note by taps."""
    page.get_by_role("button", name="Something else").tap()
    page.get_by_role("button", name="A note").tap()
    page.get_by_role("dialog").get_by_label("A note").fill(words)
    page.get_by_role("button", name="Write the note down").tap()


def ready(phone: Any, page: Page, address: str) -> None:
    """A job in the middle, and the phone ready to go on without the server."""
    phone.open_job(address, *FAILS)
    page.wait_for_function(CONTROLLED)
    page.wait_for_function(SEEN)


def test_what_is_written_down_meanwhile_comes_in_its_order_once(served: Any, phone: Any, page: Page) -> None:
    ready(phone, page, served.address)
    job = served.desk.job().id
    step = page.get_by_role("heading", level=1).inner_text()
    page.context.set_offline(True)
    write_note(page, "first, without the server")
    expect(page.get_by_text("1 entry waits on this phone.")).to_be_visible()
    page.get_by_role("button", name="Can't reach").tap()
    expect(page.get_by_text("2 entries wait on this phone.")).to_be_visible()
    phone.looked_over("out of reach")
    assert served.desk.job(job).entries == ()

    # The phone is started anew without the server: the app opens, the job stands there, nothing is lost.
    page.reload()
    expect(page.get_by_role("heading", level=1)).to_have_text(step)
    expect(page.get_by_text("2 entries wait on this phone.")).to_be_visible()
    expect(page.get_by_text("The server is out of reach.")).to_be_visible()
    write_note(page, "third, after starting anew")
    expect(page.get_by_text("3 entries wait on this phone.")).to_be_visible()
    page.goto(served.address)
    expect(page.locator(".card")).to_have_count(1)
    page.locator(".card").tap()
    expect(page.get_by_text("3 entries wait on this phone.")).to_be_visible()

    # The first answer of the server is lost on its way back, so the phone sends that one again.
    lost: list[str] = []

    def lose(route: Route) -> None:
        if lost:
            route.continue_()
            return
        route.fetch()
        lost.append((route.request.post_data_json or {})["sending"])
        route.abort()

    page.route("**/api/jobs/*/notes", lose)
    page.context.set_offline(False)
    expect(page.get_by_text("on this phone")).to_have_count(0)
    expect(page.get_by_text("The server is out of reach.")).to_have_count(0)
    expect(page.get_by_role("heading", level=1)).not_to_have_text(step)
    assert len(lost) == 1
    events = served.desk.store.events(job)[1:]
    assert [one.what.KIND for one in events] == ["note-added", "observation-recorded", "note-added"]
    assert events[0].sending == lost[0]
    assert len({one.sending for one in events}) == 3


def test_what_the_server_does_not_take_later_stays_to_be_seen(served: Any, phone: Any, page: Page) -> None:
    ready(phone, page, served.address)
    job = served.desk.job().id
    page.context.set_offline(True)
    page.get_by_role("button", name="Can't reach").tap()
    write_note(page, "after it")
    expect(page.get_by_text("2 entries wait on this phone.")).to_be_visible()
    page.route(
        "**/findings",
        lambda route: route.continue_(post_data={**(route.request.post_data_json or {}), "answer": "purple"}),
    )
    page.context.set_offline(False)
    expect(page.get_by_text("not taken by the server")).to_be_visible()
    phone.looked_over("an entry that was not taken")
    assert [one.what.KIND for one in served.desk.store.events(job)[1:]] == ["note-added"]
    page.get_by_role("button", name="Seen").tap()
    expect(page.get_by_text("not taken by the server")).to_have_count(0)
