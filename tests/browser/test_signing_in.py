"""Served to the network: signing in on a phone, whose name stands beside an entry, and somebody who only looks on."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from ipaddress import ip_address
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, Page, expect

from halfsplit.jobs.memory import MemoryStore
from halfsplit.service.board import Board
from halfsplit.service.desk import Desk
from halfsplit.service.kept_tables import tables
from halfsplit.service.people import Roster, add_person
from halfsplit.web.app import create_app
from halfsplit.web.certificates import certificates
from halfsplit.web.hunts import Hunts
from halfsplit.web.running import address_of, listen
from halfsplit.web.signing import Door

ADDRESS = "127.0.0.1"
PASSWORD = "four brown boots"
FAILS = ("Hand-cart generator", "starter", "start", "dead")


@dataclass
class Shop:
    """A server with TLS and people who sign in."""

    address: str
    desk: Desk


@pytest.fixture
def shop(tmp_path: Path, serving: Any) -> Iterator[Shop]:
    store = MemoryStore()
    desk = Desk(store, lambda: datetime.now(UTC), tables=tables())
    add_person(desk, "Ana", "technician", PASSWORD)
    add_person(desk, "Bo", "technician", PASSWORD)
    add_person(desk, "Ron", "read-only", PASSWORD)
    found = certificates(tmp_path / "certificates", ip_address(ADDRESS), datetime.now(UTC))
    where = listen(0, ADDRESS)
    app = create_app(Hunts(desk, Board()), hosts=frozenset({ADDRESS}), door=Door(Roster(store)))
    with serving(app, where, found.server):
        yield Shop(address_of(where, "https"), desk)
    store.close()


@pytest.fixture
def phones(browser: Browser, phone: Any) -> Iterator[list[Any]]:
    """The taps on two phones that were told to take the certificate."""
    contexts = [
        browser.new_context(
            viewport={"width": 390, "height": 844}, has_touch=True, reduced_motion="reduce", locale="en-GB",
            ignore_https_errors=True, service_workers="block",
        )
        for _ in range(2)
    ]  # fmt: skip
    found = [type(phone)(context.new_page()) for context in contexts]
    complaints: list[str] = []
    for one in found:
        one.page.set_default_timeout(60_000)  # the busiest computer signs in within that
        one.page.on("pageerror", lambda error: complaints.append(str(error)))
    yield found
    for context in contexts:
        context.close()
    assert complaints == []


def sign_in(page: Page, address: str, name: str, password: str = PASSWORD) -> None:
    page.goto(address)
    page.get_by_label("Name").fill(name)
    page.get_by_label("Password", exact=True).fill(password)
    page.get_by_role("button", name="Sign in").tap()


def test_a_phone_signs_in_writes_under_its_name_and_another_only_looks_on(shop: Shop, phones: list[Any]) -> None:
    ana, ron = phones
    page = ana.page
    page.goto(shop.address)
    expect(page.get_by_role("heading", name="Sign in")).to_be_focused()
    expect(page.get_by_role("button", name="Sign in")).to_be_disabled()
    ana.looked_over("sign in")
    sign_in(page, shop.address, "Ana", "four brown cats")
    expect(page.get_by_role("dialog")).to_contain_text("Name and password do not belong together.")
    ana.looked_over("sign in, refused")
    page.get_by_role("button", name="Close").tap()
    page.get_by_label("Password", exact=True).fill(PASSWORD)
    page.get_by_label("Password", exact=True).press("Enter")
    expect(page.get_by_text("Signed in as Ana")).to_be_visible()
    ana.looked_over("jobs, signed in")
    assert page.evaluate("document.cookie") == "halfsplit-language=en"  # and nothing of the session

    ana.fill_opening(shop.address, *FAILS)
    expect(page.get_by_label("Your name, for the record")).to_have_count(0)
    page.get_by_role("button", name="Start the job").tap()
    expect(page.get_by_role("heading", name="What did you find?")).to_be_visible()
    (job,) = [line.id for line in shop.desk.store.jobs()]
    assert shop.desk.store.events(job)[0].by == "Ana"

    looks = ron.page
    sign_in(looks, f"{shop.address}#/job/{job}", "ron")
    expect(looks.get_by_role("heading", name="Next check").or_(looks.get_by_text("Next check")).first).to_be_visible()
    ron.looked_over("next, looking on")
    expect(looks.locator(".answers")).to_be_hidden()
    looks.goto(f"{shop.address}#/job/{job}/log")
    expect(looks.get_by_role("heading", name="Log")).to_be_visible()
    expect(looks.get_by_role("button", name="Close the job")).to_be_hidden()
    ron.looked_over("log, looking on")
    looks.goto(f"{shop.address}#/job/{job}/papers")
    expect(looks.get_by_role("button", name="for the customer")).to_be_visible()
    expect(looks.locator(".writes:visible")).to_have_count(0)
    # What the screen does not offer is not taken either.
    refused = looks.evaluate(
        """async (path) => (await fetch(path, {
          method: "POST", headers: { "content-type": "application/json" },
          body: JSON.stringify({ sending: "sending-of-ron", text: "I was here" }),
        })).status""",
        f"/api/jobs/{job}/notes",
    )
    assert refused == 403
    assert len(shop.desk.store.events(job)) == 1

    looks.goto(f"{shop.address}#/")
    looks.get_by_role("button", name="Sign out").tap()
    expect(looks.get_by_role("heading", name="Sign in")).to_be_visible()
    assert looks.evaluate("(path) => fetch(path).then((found) => found.status)", "/api/jobs") == 401
    kept = looks.evaluate("JSON.stringify(localStorage)")
    assert PASSWORD not in kept
    assert json.loads(json.loads(kept)["halfsplit.session"])["name"] == ""


def test_whose_sign_in_is_over_is_asked_again_and_goes_on_where_it_was(shop: Shop, phones: list[Any]) -> None:
    page = phones[0].page
    sign_in(page, f"{shop.address}#/open", "Ana")
    expect(page.get_by_role("heading", name="Open a job")).to_be_visible()
    machine = page.get_by_role("radio", name="Hand-cart generator")
    expect(machine).to_be_visible()  # what is on the screen came while somebody was signed in
    page.context.clear_cookies()
    machine.tap()
    expect(page.get_by_role("heading", name="Sign in")).to_be_visible()
    page.get_by_label("Password", exact=True).fill(PASSWORD)
    page.get_by_role("button", name="Sign in").tap()
    expect(page.get_by_role("heading", name="Open a job")).to_be_visible()


def test_what_one_wrote_out_of_reach_is_not_sent_under_the_name_of_another(shop: Shop, phones: list[Any]) -> None:
    phone, page = phones[0], phones[0].page
    sign_in(page, shop.address, "Ana")
    expect(page.get_by_text("Signed in as Ana")).to_be_visible()
    phone.open_job(shop.address, *FAILS)
    (job,) = [line.id for line in shop.desk.store.jobs()]
    page.context.set_offline(True)
    phone.note("seen by Ana")
    phone.waits(1)
    # Her sign-in is over when the server is back, and another takes the phone.
    page.context.clear_cookies()
    page.context.set_offline(False)
    page.reload()
    page.get_by_label("Name").fill("Bo")
    page.get_by_label("Password", exact=True).fill(PASSWORD)
    with page.expect_response("**/notes") as refused:
        page.get_by_role("button", name="Sign in").tap()
    assert refused.value.status == 403
    phone.waits(1)
    assert len(shop.desk.store.events(job)) == 1
    page.context.clear_cookies()
    page.reload()
    page.get_by_label("Name").fill("Ana")
    page.get_by_label("Password", exact=True).fill(PASSWORD)
    with page.expect_response("**/notes") as taken:
        page.get_by_role("button", name="Sign in").tap()
    assert taken.value.status == 200
    expect(page.get_by_text("on this phone")).to_have_count(0)
    assert [(one.by, one.what.KIND) for one in shop.desk.store.events(job)[1:]] == [("Ana", "note-added")]
