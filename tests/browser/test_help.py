"""Help on each screen, in two sentences."""

from __future__ import annotations

import re
from typing import Any
from urllib.parse import quote

from playwright.sync_api import Page, expect

FAILS = ("Hand-cart generator", "starter", "start", "dead")


def helped(page: Page, screen: str, within: str = "main") -> None:
    said = page.locator(f"{within} .help")
    expect(said).to_have_count(1)
    expect(said).to_be_visible()
    words = said.text_content() or ""
    assert len(re.findall(r"[.!?](?=\s|$)", words)) == 2, f"{screen}: {words}"


def test_each_screen_helps_in_two_sentences(served: Any, phone: Any, page: Page) -> None:
    page.goto(served.address)
    helped(page, "jobs")
    phone.open_job(served.address, *FAILS)
    helped(page, "first step")
    job = served.desk.job().id
    group = page.request.get(f"{served.address}api/jobs/{job}/next").json()["next"]["suspects"][0]["group"]
    suspect = quote(group, safe="")
    for part in ("suspects", "where", f"where/{suspect}", "log", f"mend/{suspect}", "proof", "papers"):
        page.goto(f"{served.address}#/job/{job}/{part}")
        helped(page, part)
    page.goto(f"{served.address}#/job/{job}")
    page.get_by_role("button", name="Something else").tap()
    helped(page, "something else", "dialog")
    phone.looked_over("something else")
    page.get_by_role("button", name="A function did something").tap()
    helped(page, "functions", "dialog")
    page.keyboard.press("Escape")
    page.get_by_role("button", name="Can't reach").tap()
    expect(page.locator(".told-now")).to_contain_text("out of reach")
    helped(page, "a later step")
    page.goto(f"{served.address}#/job/{job}/log")
    page.get_by_role("button", name="Close, cause not found").tap()
    expect(page.locator(".notice")).to_contain_text("This job is closed.")
    page.get_by_role("link", name="Next").tap()
    expect(page.get_by_role("heading", name="This job is closed")).to_be_visible()
    helped(page, "a closed job")


def test_so_do_opening_a_job_the_walk_and_the_pad(served: Any, phone: Any, page: Page) -> None:
    phone.fill_opening(served.address, *FAILS)
    helped(page, "opening")
    page.get_by_role("button", name="Start the job").tap()
    expect(page.get_by_role("heading", name="What did you find?")).to_be_visible()
    for _ in range(12):
        if page.get_by_role("button", name="Something amiss").count():
            page.get_by_role("button", name="Something amiss").tap()
            helped(page, "walk", "dialog")
            page.keyboard.press("Escape")
            page.get_by_role("button", name="all right").tap()
        elif page.get_by_role("button", name="Type the reading").count():
            page.get_by_role("button", name="Type the reading").tap()
            helped(page, "pad", "dialog")
            return
        else:
            page.get_by_role("button", name="Can't reach").tap()
        expect(page.locator(".dock")).to_have_attribute("aria-busy", "false")
    raise AssertionError("no reading was asked")
