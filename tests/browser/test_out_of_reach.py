"""A phone whose server goes out of reach in the middle of a job: nothing is lost, and nothing is written down twice."""

from __future__ import annotations

from typing import Any

from playwright.sync_api import Page, Route, expect

FAILS = ("Hand-cart generator", "starter", "start", "dead")


def ready(phone: Any, address: str) -> None:
    """A job in the middle, and the phone ready to go on without the server."""
    phone.open_job(address, *FAILS)
    phone.carried()


def test_what_is_written_down_meanwhile_comes_in_its_order_once(served: Any, phone: Any, page: Page) -> None:
    ready(phone, served.address)
    job = served.desk.job().id
    heading = page.get_by_role("heading", level=1)
    step = heading.inner_text()
    page.context.set_offline(True)
    phone.note("first, without the server")
    phone.waits(1)
    expect(heading).to_have_text(step)
    page.get_by_role("button", name="Can't reach").tap()
    phone.waits(2)
    # The phone goes on to another step by itself, with its cautions and with what each result would mean.
    expect(heading).not_to_have_text(step)
    later = heading.inner_text()
    expect(page.locator(".cautions li").first).to_be_visible()
    expect(page.locator(".split li").first).to_be_visible()
    phone.looked_over("out of reach")
    assert served.desk.job(job).entries == ()

    # The phone is started anew without the server: the app opens, the job stands there, nothing is lost.
    page.reload()
    expect(heading).to_have_text(later)
    phone.waits(2)
    expect(page.get_by_text("The server is out of reach.")).to_be_visible()
    phone.note("third, after starting anew")
    phone.waits(3)
    page.goto(served.address)
    expect(page.locator(".card")).to_have_count(1)
    page.locator(".card").tap()
    phone.waits(3)
    expect(heading).to_have_text(later)

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
    expect(heading).not_to_have_text(step)
    assert len(lost) == 1
    events = served.desk.store.events(job)[1:]
    assert [one.what.KIND for one in events] == ["note-added", "observation-recorded", "note-added"]
    assert events[0].sending == lost[0]
    assert len({one.sending for one in events}) == 3
    # They stand in the log with the times at which they were written down, not those at which they came.
    assert [one.when for one in events] == sorted(one.when for one in events)


def test_the_other_screens_go_on_too(served: Any, phone: Any, page: Page) -> None:
    ready(phone, served.address)
    page.get_by_role("link", name="Suspects").tap()
    expect(page.locator(".suspect .odds").first).to_be_visible()
    before = page.locator(".suspects").first.inner_text()
    page.get_by_role("link", name="Next").tap()
    page.context.set_offline(True)
    phone.volts("0.2")
    phone.waits(1)
    page.get_by_role("link", name="Suspects").tap()
    expect(page.locator(".suspect .odds").first).to_be_visible()
    expect(page.locator(".suspects").first).not_to_have_text(before)
    page.locator(".suspect").first.tap()
    expect(page.get_by_text("This waits for the server.")).to_be_visible()
    phone.looked_over("suspects out of reach")
    page.get_by_role("link", name="Where").tap()
    expect(page.locator(".zone").first).to_be_visible()
    phone.looked_over("map out of reach")
    page.get_by_role("link", name="Log").tap()
    expect(page.get_by_text("waits on this phone").last).to_be_visible()
    expect(page.get_by_role("button", name="Close the job")).to_have_count(0)
    phone.looked_over("log out of reach")

    # What waits is taken back like anything else: the phone forgets it at once, the server keeps both.
    page.get_by_role("link", name="Next").tap()
    page.get_by_role("button", name="Undo").tap()
    phone.waits(2)
    page.context.set_offline(False)
    phone.waits(0)
    expect(page.get_by_text("The server is out of reach.")).to_have_count(0)
    entries = served.desk.job().entries
    assert entries
    assert all(one.undone for one in entries)


def test_a_photo_waits_too(served: Any, phone: Any, page: Page) -> None:
    ready(phone, served.address)
    job = served.desk.job().id
    picture = page.screenshot(clip={"x": 0, "y": 0, "width": 40, "height": 30})
    page.context.set_offline(True)
    page.get_by_role("button", name="Something else").tap()
    page.get_by_label("What it shows or says").fill("Burnt fuse")
    page.locator("input[type=file]").first.set_input_files(
        {"name": "fuse.png", "mimeType": "image/png", "buffer": picture}
    )
    phone.waits(1)
    page.reload()
    phone.waits(1)
    page.context.set_offline(False)
    phone.waits(0)
    expect(page.get_by_text("The server is out of reach.")).to_have_count(0)
    [kept] = served.desk.job(job).attachments
    assert kept.caption == "Burnt fuse"
    assert served.desk.shelf.get(kept.sha256) == picture


def test_what_the_server_does_not_take_later_stays_to_be_seen(served: Any, phone: Any, page: Page) -> None:
    ready(phone, served.address)
    job = served.desk.job().id
    page.context.set_offline(True)
    page.get_by_role("button", name="Can't reach").tap()
    phone.note("after it")
    phone.waits(2)
    page.route(
        "**/written",
        lambda route: route.continue_(post_data={**(route.request.post_data_json or {}), "answer": "purple"}),
    )
    page.context.set_offline(False)
    expect(page.get_by_text("not taken by the server")).to_be_visible()
    phone.looked_over("an entry that was not taken")
    assert [one.what.KIND for one in served.desk.store.events(job)[1:]] == ["note-added"]
    page.get_by_role("button", name="Seen").tap()
    expect(page.get_by_text("not taken by the server")).to_have_count(0)
