"""A real Chromium at a phone's size, the taps of a technician, and a server in this process over the machines."""

from __future__ import annotations

import shutil
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cache
from pathlib import Path
from socket import socket
from typing import Any

import pytest
from axe_playwright_python.base import AXE_SCRIPT
from axe_playwright_python.sync_playwright import Axe
from fastapi import FastAPI
from playwright.sync_api import Browser, BrowserType, Page, ViewportSize, expect, sync_playwright

from halfsplit.diagnosis.checks import Check
from halfsplit.diagnosis.hunt import Bench
from halfsplit.jobs.memory import MemoryStore
from halfsplit.jobs.store import fingerprint_of
from halfsplit.machine.model import Machine
from halfsplit.machine.reading import load_machine
from halfsplit.observations import CodeSeen, Look, Move, Observation, Reading, Symptom
from halfsplit.service.board import Board
from halfsplit.service.desk import Desk, machine_files
from halfsplit.service.kept_tables import tables
from halfsplit.web.app import create_app
from halfsplit.web.hunts import Hunts
from halfsplit.web.running import Server, address_of, listen

EXAMPLES = Path(__file__).resolve().parents[2] / "examples"
#: A small phone held upright, in CSS pixels.
PHONE: ViewportSize = {"width": 390, "height": 844}
#: A step of the large machine may take seconds on a busy computer; milliseconds.
PATIENCE = 60_000
ARGUMENTS = [
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync",
]  # fmt: skip

#: Axe's rules for WCAG 2.2 A and AA, and the one of AAA that the working screens promise: contrast of 7 : 1. Its rule
#: on the size of targets is left out: a button that is scrolled half under the bar at the bottom counts as small to it.
#: SMALL_TARGETS measures every one, against more than twice that rule's size.
RULES = {
    "runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"],
    "rules": {"color-contrast-enhanced": {"enabled": True}, "target-size": {"enabled": False}},
    "resultTypes": ["violations"],
}
#: Axe itself, brought into a page once.
AXE = Axe(f"if (!window.axe) {{ {AXE_SCRIPT} }}")
#: Everything that is touched and is smaller than 56 px either way, with its size.
SMALL_TARGETS = """() => [...document.querySelectorAll('a, button, select, summary, textarea, .choice, input')]
  .filter((one) => !one.closest('.choice') || one.classList.contains('choice'))
  .filter((one) => one.checkVisibility({ visibilityProperty: true }))
  .map((one) => [one, one.getBoundingClientRect()])
  .filter(([, box]) => box.width < 55.5 || box.height < 55.5)
  .map(([one, box]) => `${one.outerHTML.slice(0, 80)} ${Math.round(box.width)}x${Math.round(box.height)}`)"""
#: Text smaller than 17 px, scaled drawings included.
SMALL_TEXT = """() => {
  const found = [];
  const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  while (walker.nextNode()) {
    const owner = walker.currentNode.parentElement;
    if (!walker.currentNode.data.trim() || !owner.checkVisibility() || owner.closest('.unseen, noscript')) continue;
    const scale = owner instanceof SVGElement ? owner.getScreenCTM().a : 1;
    const size = parseFloat(getComputedStyle(owner).fontSize) * scale;
    if (size < 16.9) found.push(`${walker.currentNode.data.slice(0, 40)}: ${size.toFixed(1)} px`);
  }
  return found;
}"""


@dataclass
class Served:
    """A running server, its address, and the desk behind it."""

    address: str
    desk: Desk


@cache
def bench_of(name: str) -> tuple[str, Bench]:
    """Fingerprint and bench of a shipped machine, made once for all tests of this process."""
    path = EXAMPLES / name
    return fingerprint_of(machine_files(path)), Bench(load_machine(path), tables())


@pytest.fixture(scope="session")
def program() -> str:
    """Chromium from the system's packages."""
    found = shutil.which("chromium")
    assert found, "Chromium is missing: sudo apt-get install chromium"
    return found


@pytest.fixture(scope="session")
def arguments() -> list[str]:
    """How it is started."""
    return ARGUMENTS


@pytest.fixture(scope="session")
def chromium() -> Iterator[BrowserType]:
    """What starts browsers, or goes on with one that was started."""
    expect.set_options(timeout=PATIENCE)
    with sync_playwright() as driver:
        yield driver.chromium


@pytest.fixture(scope="session")
def browser(chromium: BrowserType, program: str) -> Iterator[Browser]:
    """A headless browser that forgets everything with each page."""
    found = chromium.launch(executable_path=program, args=ARGUMENTS)
    yield found
    found.close()


@pytest.fixture
def built() -> Path | None:
    """The built app that is served; None for the one of this tree."""
    return None


@contextmanager
def in_thread(app: FastAPI, where: socket, certificate: Path | None = None) -> Iterator[None]:
    """Serves from a thread while the block runs."""
    where.listen()  # connections wait here until the server takes them
    server = Server(app, certificate=certificate)
    thread = threading.Thread(target=server.run, kwargs={"sockets": [where]})
    thread.start()
    try:
        yield
    finally:
        server.should_exit = True
        thread.join(20)
        where.close()
    assert not thread.is_alive(), "the server did not end"


@pytest.fixture
def serving() -> Any:
    """Serves an application on a socket, with a certificate or without, while a block runs."""
    return in_thread


@pytest.fixture
def served(built: Path | None) -> Iterator[Served]:
    """A server with an empty store, on a free port of the loopback."""
    store = MemoryStore()
    benches = dict(bench_of(name) for name in ("hand-cart-generator", "saltmarsh-sweeper"))
    desk = Desk(store, lambda: datetime.now(UTC), "", benches, tables=tables())
    where = listen(0)
    app = create_app(Hunts(desk, Board())) if built is None else create_app(Hunts(desk, Board()), built=built)
    with in_thread(app, where):
        yield Served(address_of(where, "http"), desk)
    store.close()


@pytest.fixture
def page(browser: Browser) -> Iterator[Page]:
    """A phone's page; anything the browser complains of on its console fails the test."""
    context = browser.new_context(viewport=PHONE, has_touch=True, reduced_motion="reduce", locale="en-GB")
    found = context.new_page()
    found.set_default_timeout(PATIENCE)
    complaints: list[str] = []
    found.on("pageerror", lambda error: complaints.append(str(error)))
    found.on("console", lambda said: complaints.append(said.text) if said.type == "error" else None)
    yield found
    context.close()
    # A refused or lost request is reported there too; the tests that make one look at it themselves.
    assert not [one for one in complaints if "Failed to load resource" not in one], complaints


@pytest.fixture
def phone(page: Page) -> Phone:
    """The taps on that page."""
    return Phone(page)


class Phone:
    """What a technician does on the phone, as taps."""

    def __init__(self, page: Page) -> None:
        self.page = page

    def open_job(self, address: str, machine: str, fails: str, state: str, level: str, *conditions: str) -> None:
        """Opens a job from the first screen and waits for its first step."""
        self.fill_opening(address, machine, fails, state, level, *conditions)
        self.page.get_by_role("button", name="Start the job").click()
        expect(self.page.get_by_role("heading", name="What did you find?")).to_be_visible()

    def fill_opening(
        self, address: str, machine: str, fails: str, state: str, level: str, *conditions: str
    ) -> None:
        """Goes to the first screen and on to a job that is ready to be started."""
        self.page.goto(address)
        self.page.get_by_role("button", name="Open a job").click()
        self.page.get_by_role("radio", name=machine).click()
        self.page.get_by_role("button", name="Add what fails").click()
        self.page.get_by_label("Find a function").fill(fails)
        self.page.get_by_role("dialog").get_by_role("button", name=fails).click()
        self.page.get_by_label("How is the machine set then?").select_option(label=state)
        self.page.get_by_role("dialog").get_by_role("button", name=level, exact=True).click()
        for one in conditions:
            self.page.get_by_label(one, exact=True).check()

    def looked_over(self, name: str) -> None:
        """Fails when something on the screen cannot be read, reached or named."""
        page = self.page
        assert page.evaluate(SMALL_TARGETS) == [], name
        assert page.evaluate(SMALL_TEXT) == [], name
        assert page.evaluate("() => document.documentElement.scrollWidth <= innerWidth"), f"{name} scrolls sideways"
        found = AXE.run(page, options=RULES).response["violations"]
        assert [(one["id"], [node["html"][:100] for node in one["nodes"]]) for one in found] == [], name

    def carried(self) -> None:
        """Waits until the phone can go on without the server."""
        expect(self.page.locator(".carried")).to_be_visible()

    def waits(self, count: int) -> None:
        """Expects so many entries to wait on the phone."""
        if count == 0:
            expect(self.page.get_by_text("on this phone.")).to_have_count(0)
            return
        said = "1 entry waits" if count == 1 else f"{count} entries wait"
        expect(self.page.get_by_text(f"{said} on this phone.")).to_be_visible()

    def note(self, words: str) -> None:
        """Adds a note."""
        self.page.get_by_role("button", name="Something else").click()
        self.page.get_by_role("button", name="A note").click()
        self.page.get_by_role("dialog").get_by_label("A note").fill(words)
        self.page.get_by_role("button", name="Write the note down").click()

    def answer(self, machine: Machine, check: Check, seen: Sequence[Observation]) -> None:
        """Taps what was seen as the answer to the check that is asked."""
        one = seen[-1]
        if check.kind == "round":
            amiss = [each for each in seen if isinstance(each, Symptom) and wrong(machine, each)]
            if not amiss:
                self.page.get_by_role("button", name="all right").tap()
                return
            self.page.get_by_role("button", name="Something amiss").tap()
            for each in amiss:
                name = machine.functions[each.function].name
                self.page.get_by_role("dialog").get_by_role("button", name=name).tap()
                line = self.page.get_by_role("group", name=name, exact=True)
                line.get_by_role("button", name=level(machine, each), exact=True).tap()
            self.page.get_by_role("dialog").get_by_role("button", name="Write down").tap()
        elif isinstance(one, Reading) and one.quantity != "lamp":
            self.page.get_by_role("button", name="Type the reading").tap()
            self.read(one)
        else:
            self.page.locator(".answers").get_by_role("button", name=words(machine, one)).first.tap()

    def volts(self, shown: str) -> None:
        """Types what the meter shows, in V, as the answer to the step."""
        self.page.get_by_role("button", name="Type the reading").click()
        self.type_in(shown, "V")

    def read(self, one: Reading) -> None:
        """Types a reading on the pad, digit by digit, and taps its unit."""
        sheet = self.page.get_by_role("dialog")
        if one.value == float("inf"):
            sheet.get_by_role("button", name="OL", exact=True).tap()
            return
        unit, factor = {"volts": ("V", 1.0), "amps": ("A", 1.0), "ohms": ("ohm", 1.0)}[one.quantity]
        if one.quantity == "ohms" and one.value >= 9999.0:
            unit, factor = "kohm", 1e3
        self.type_in(f"{one.value / factor:.3f}", unit)

    def type_in(self, shown: str, unit: str) -> None:
        """Types what the meter shows on the pad, digit by digit, and taps its unit."""
        sheet = self.page.get_by_role("dialog")
        for sign in shown.removeprefix("-"):
            sheet.locator(".keys").get_by_role("button", name=sign, exact=True).click()
        if shown.startswith("-"):
            sheet.get_by_role("button", name="Change the sign").click()
        sheet.get_by_role("button", name=f"Write down in {unit}", exact=True).click()


def wrong(machine: Machine, one: Symptom) -> bool:
    """Whether a function was seen other than expected."""
    return one.level != machine.functions[one.function].expected.get(one.state, one.level)


def level(machine: Machine, one: Symptom) -> str:
    """A level in the function's own words."""
    at = {"off": 0, "weak": 1, "on": 2}.get(one.level)
    return "comes and goes" if at is None else machine.functions[one.function].words[at]


def words(machine: Machine, one: Observation) -> str:
    """The button for what was seen."""
    match one:
        case Symptom():
            return level(machine, one)
        case Reading():
            return ("dark", "dim", "lit")[int(one.value)]
        case CodeSeen():
            return "code is active" if one.active else "no code"
        case Move():
            return "it reacts" if one.changed else "nothing changes"
        case Look() if not one.found:
            return "ok" if one.look in ("along", "by-eye") else "dry, clean"
        case Look():
            return "broken"
        case _:
            raise AssertionError(f"no button for {one}")
