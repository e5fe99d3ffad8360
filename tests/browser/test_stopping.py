"""Waiting that a person sees and can stop: nothing is half written down, and the server leaves the work."""

from __future__ import annotations

import threading
from typing import Any

import pytest
from playwright.sync_api import Page, expect

from halfsplit.diagnosis.hunt import Bench
from halfsplit.service import keeping, working
from halfsplit.service.desk import Desk
from halfsplit.web.patience import NobodyWaitsError

FAILS = ("Hand-cart generator", "starter", "start", "dead")


def until_nobody_waits(desk: Desk) -> None:
    while True:
        desk.go_on()


def stop(page: Page, phone: Any) -> None:
    """Waits until a person is told that it goes on, and until it can be stopped; stops it."""
    expect(page.get_by_text("Working it out")).to_be_visible()
    phone.looked_over("something that takes long")
    page.get_by_role("button", name="Stop waiting").tap()
    expect(page.get_by_text("You stopped waiting.")).to_be_visible()
    phone.looked_over("something that was stopped")


def test_a_next_step_that_takes_long_is_stopped_and_gone_on_with(
    served: Any, phone: Any, page: Page, monkeypatch: pytest.MonkeyPatch
) -> None:
    phone.open_job(served.address, *FAILS)
    job = served.desk.job().id
    ended = threading.Event()

    def takes_long(desk: Desk, *_: object) -> None:
        try:
            until_nobody_waits(desk)
        finally:
            ended.set()

    with monkeypatch.context() as changed:
        changed.setattr(working, "next_step", takes_long)
        page.get_by_role("button", name="Can't reach").tap()
        expect(page.locator(".told-now")).to_contain_text("Written down")  # while the next step is still waited for
        stop(page, phone)
        assert ended.wait(20)
    assert [one.what.KIND for one in served.desk.store.events(job)[1:]] == ["observation-recorded"]
    page.get_by_role("button", name="Go on").tap()
    expect(page.get_by_text("You stopped waiting.")).to_have_count(0)
    expect(page.locator(".dock")).to_have_attribute("aria-busy", "false")
    expect(page.get_by_text("waits on this phone")).to_have_count(0)
    assert [one.what.KIND for one in served.desk.store.events(job)[1:]] == ["observation-recorded"]


def test_an_opening_that_was_stopped_opens_nothing_and_can_be_put_otherwise(
    served: Any, phone: Any, page: Page, monkeypatch: pytest.MonkeyPatch
) -> None:
    phone.fill_opening(served.address, *FAILS)
    real = working.open_job
    desks: list[Desk] = []
    over = threading.Event()

    def opens(desk: Desk, *given: Any, **more: Any) -> Any:
        desks.append(desk)
        try:
            return real(desk, *given, **more)
        finally:
            over.set()

    def takes_long(*_: object) -> None:
        with pytest.raises(NobodyWaitsError):
            until_nobody_waits(desks[-1])

    with monkeypatch.context() as changed:
        changed.setattr(working, "open_job", opens)
        changed.setattr(Bench, "prepare", takes_long)
        page.get_by_role("button", name="Start the job").tap()
        stop(page, phone)
        assert over.wait(20)
    assert served.desk.store.jobs() == ()
    page.get_by_role("button", name="Close").tap()
    page.get_by_label("In the reporter's own words").fill("It clicks twice.")
    page.get_by_role("button", name="Start the job").tap()
    expect(page.get_by_role("heading", name="What did you find?")).to_be_visible()
    assert [served.desk.job(one.id).complaint.words for one in served.desk.store.jobs()] == ["It clicks twice."]


def test_stopping_one_question_leaves_another_of_the_same_address(
    served: Any, phone: Any, page: Page, monkeypatch: pytest.MonkeyPatch
) -> None:
    phone.open_job(served.address, *FAILS)
    page.wait_for_function("() => navigator.serviceWorker.controller !== null")
    real = working.suspects
    first = threading.Event()

    def takes_long(desk: Desk, *given: Any) -> Any:
        if not first.is_set():
            first.set()
            until_nobody_waits(desk)
        return real(desk, *given)

    page.expose_function("begun", first.is_set)
    with monkeypatch.context() as changed:
        changed.setattr(working, "suspects", takes_long)
        ended = page.evaluate(
            """async (path) => {
              let over = false;
              const ask = (name) => fetch(path, { headers: { "x-halfsplit-asked": name } })
                .then((one) => one.status, () => "stopped");
              const one = ask("one").finally(() => { over = true; });
              while (!await begun()) await new Promise((next) => setTimeout(next, 20));
              const other = ask("other");
              while (!over) {
                navigator.serviceWorker.controller.postMessage({ stop: "one" });
                await new Promise((next) => setTimeout(next, 20));
              }
              return [await one, await other];
            }""",
            f"/api/jobs/{served.desk.job().id}/suspects",
        )
    assert ended == ["stopped", 200]


def test_a_tap_goes_before_what_the_screen_asks_by_itself(
    served: Any, phone: Any, page: Page, monkeypatch: pytest.MonkeyPatch
) -> None:
    phone.open_job(served.address, *FAILS)
    job = served.desk.job().id
    expect(page.locator(".dock")).to_have_attribute("aria-busy", "false")
    real = working.next_step
    begun, left = threading.Event(), threading.Event()

    def takes_long(desk: Desk, *given: Any) -> Any:
        if begun.is_set():
            return real(desk, *given)
        begun.set()
        try:
            until_nobody_waits(desk)
        finally:
            left.set()

    with monkeypatch.context() as changed:
        changed.setattr(working, "next_step", takes_long)
        # Another one writes; the screen asks for the step anew, and nobody is kept from tapping meanwhile.
        keeping.note(served.desk, "the cart stood in the rain", job)
        assert begun.wait(20)
        page.get_by_role("button", name="Can't reach").tap()
        expect(page.locator(".told-now")).to_contain_text("Written down")
        assert left.wait(20)
    expect(page.get_by_text("You stopped waiting.")).to_have_count(0)
    expect(page.locator("dialog[open]")).to_have_count(0)
    assert [one.what.KIND for one in served.desk.store.events(job)[1:]] == ["note-added", "observation-recorded"]


def test_what_waits_is_sent_behind_and_nobody_is_kept_from_tapping(served: Any, phone: Any, page: Page) -> None:
    phone.open_job(served.address, *FAILS)
    job = served.desk.job().id
    phone.carried()
    page.context.set_offline(True)
    step = page.locator("[data-step]")
    first = str(step.get_attribute("data-step"))
    phone.volts("12.4")
    phone.waits(1)
    expect(step).not_to_have_attribute("data-step", first)
    # The network is there and takes what is sent, and no answer comes: neither the server's nor a failure.
    page.route("**/written", lambda _: None)
    page.clock.install()
    with page.expect_request("**/written"):
        page.context.set_offline(False)
    page.clock.run_for(8000)
    phone.waits(1)
    expect(page.get_by_text("Working it out")).to_have_count(0)
    page.get_by_role("button", name="Can't reach").click()
    page.clock.run_for(8000)
    expect(page.get_by_text("Working it out")).to_be_visible()
    page.get_by_role("button", name="Stop waiting").tap()
    phone.waits(2)
    assert served.desk.job(job).entries == ()
    page.unroute("**/written")
    page.get_by_role("button", name="Go on").tap()
    expect(page.locator(".told-now")).to_contain_text("Written down")
    phone.waits(0)
    assert len(served.desk.job(job).entries) == 2


def test_buttons_stay_while_the_way_to_the_server_comes_and_goes(served: Any, phone: Any, page: Page) -> None:
    phone.open_job(served.address, *FAILS)
    job = served.desk.job().id
    phone.carried()
    # Questions are answered and nothing that is sent arrives, so the phone tries again and again.
    page.route("**/written", lambda one: one.abort("internetdisconnected"))
    page.get_by_role("button", name="Can't reach").click()
    phone.waits(1)
    expect(page.locator(".dock")).to_have_attribute("aria-busy", "false")
    page.evaluate(
        """() => {
          window.seen = new Set();
          const step = document.querySelector("[data-step]").dataset.step;
          const look = () => {
            const now = document.querySelector("[data-step]")?.dataset.step;
            if (now !== step) window.seen.add(`step ${now}`);
            if (document.querySelector(".dock").ariaBusy === "true") window.seen.add("buttons off");
          };
          new MutationObserver(look).observe(document.body, { subtree: true, childList: true, attributes: true });
        }"""
    )
    for _ in range(3):
        with page.expect_request("**/written"):
            pass
    assert page.evaluate("() => [...window.seen]") == []
    page.get_by_role("button", name="Can't reach").click()
    phone.waits(2)
    assert served.desk.job(job).entries == ()
    page.unroute("**/written")
    phone.waits(0)
    assert len(served.desk.job(job).entries) == 2
