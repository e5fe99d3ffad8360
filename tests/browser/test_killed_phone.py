"""A phone whose browser is killed while findings wait, and that gets a new version of the app in between."""

from __future__ import annotations

import shutil
import signal
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import BrowserType, Page, ViewportSize, expect

from halfsplit.web import app as web_app

FAILS = ("Hand-cart generator", "starter", "start", "dead")
PHONE: ViewportSize = {"width": 390, "height": 844}


@pytest.fixture
def built(tmp_path: Path) -> Path:
    """A copy of the built app, which becomes a newer version later."""
    return Path(shutil.copytree(web_app.BUILT, tmp_path / "built"))


class Killable:
    """A browser in a process of its own with a disk of its own, which is ended without being asked."""

    def __init__(self, chromium: BrowserType, program: str, disk: Path) -> None:
        self.chromium, self.program, self.disk = chromium, program, disk

    @contextmanager
    def started(self, arguments: list[str]) -> Iterator[Page]:
        """The browser's page until it is killed at the end."""
        run = [self.program, "--headless=new", *arguments, "--remote-debugging-port=0", f"--user-data-dir={self.disk}"]
        with subprocess.Popen([*run, "about:blank"], stderr=subprocess.PIPE, text=True, start_new_session=True) as one:
            assert one.stderr is not None
            address = next(line.split()[-1] for line in one.stderr if line.startswith("DevTools listening"))
            browser = self.chromium.connect_over_cdp(address)
            [context] = browser.contexts
            page = context.pages[0]
            page.set_viewport_size(PHONE)
            try:
                yield page
            finally:
                one.send_signal(signal.SIGKILL)
                one.wait()


def newer(built: Path) -> str:
    """Makes the app another version: the same code in files of other names, and another service worker."""
    page = built / "index.html"
    text = page.read_text("utf-8")
    [script] = (built / "files").glob("index-*.js")
    script.rename(script.with_name("index-newer.js"))
    page.write_text(text.replace(script.name, "index-newer.js"), "utf-8")
    worker = built / "worker.js"
    worker.write_text(worker.read_text("utf-8") + "\n// newer\n", "utf-8")
    return "index-newer.js"


def test_nothing_is_lost_when_it_is_killed_and_updated_while_findings_wait(
    served: Any, phone: Any, chromium: BrowserType, program: str, built: Path, tmp_path: Path, arguments: list[str]
) -> None:
    kept = Killable(chromium, program, tmp_path / "disk")
    own = type(phone)
    with kept.started(arguments) as page:
        taps = own(page)
        taps.open_job(served.address, *FAILS)
        taps.carried()
        page.context.set_offline(True)
        first = str(page.locator("[data-step]").get_attribute("data-step"))
        taps.volts("12.4")
        taps.waits(1)
        expect(page.locator("[data-step]")).not_to_have_attribute("data-step", first)
        step = str(page.locator("[data-step]").get_attribute("data-step"))
    job = served.desk.job().id
    assert served.desk.job(job).entries == ()

    # Started anew, still out of reach: the old app opens, everything stands there, and one goes on.
    with kept.started(arguments) as page:
        taps = own(page)
        page.context.set_offline(True)
        page.goto(served.address)
        page.locator(".card").click()
        taps.waits(1)
        expect(page.locator("[data-step]")).to_have_attribute("data-step", step)
        page.get_by_role("button", name="Can't reach").click()
        taps.waits(2)
    assert served.desk.job(job).entries == ()

    # Within reach again, and there is a newer version. It takes over, and what waited arrives once.
    name = newer(built)
    with kept.started(arguments) as page:
        taps = own(page)
        page.goto(served.address)
        assert page.evaluate("() => document.querySelector('script[src]').src").endswith(name)
        page.locator(".card").click()
        expect(page.get_by_text("Written down:")).to_be_visible()
        taps.waits(0)
        expect(page.locator("[data-step]")).not_to_have_attribute("data-step", step)
        taps.carried()
        events = served.desk.store.events(job)[1:]
        assert len({one.sending for one in events}) == 2
        observations = [entry.observation for entry in served.desk.job(job).entries]
        assert [one.KIND for one in observations if one.KIND == "out-of-reach"] == ["out-of-reach"]
        # The newer version goes on out of reach as the older one did.
        page.context.set_offline(True)
        taps.note("with the newer version")
        taps.waits(1)
    with kept.started(arguments) as page:
        taps = own(page)
        page.context.set_offline(True)
        page.goto(f"{served.address}#/job/{job}")
        taps.waits(1)
        assert page.evaluate("() => document.querySelector('script[src]').src").endswith(name)
        page.context.set_offline(False)
        expect(page.get_by_text("Written down:")).to_be_visible()
        taps.waits(0)
    assert served.desk.job(job).entries[-1].what.KIND == "note-added"
