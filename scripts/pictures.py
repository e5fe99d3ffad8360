"""Takes the README's two pictures of the app, with the demo's job worked up to its fourth check.

    scripts/pictures.py [FOLDER]     docs/pictures when left out
"""

from __future__ import annotations

import json
import shutil
import signal
import subprocess
import sys
import uuid
from pathlib import Path
from typing import Any

from playwright.sync_api import Page, ViewportSize, sync_playwright

ROOT = Path(__file__).resolve().parent.parent
HALFSPLIT = [sys.executable, "-c", "import sys; from halfsplit.cli import main; sys.exit(main())"]
#: A small phone held upright, in CSS pixels, drawn twice as fine.
PHONE = ViewportSize(width=390, height=844)
ARGUMENTS = ["--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking"]
#: What is found on the way, as in `halfsplit demo`: the walk round, then volts that are missing and at last there.
FOUND = ("Left dust spray dead", "150 mV", "140 mV")


def answer(page: Page, address: str, job: str, text: str) -> None:
    """Writes down what was found at the step asked."""
    asked = page.request.get(f"{address}api/jobs/{job}/next").json()["next"]["step"]
    sent = {"check": asked["id"], "answer": text, "sending": str(uuid.uuid4())}
    got = page.request.post(f"{address}api/jobs/{job}/findings", data=sent)
    if not got.ok:
        raise SystemExit(f"{asked['title']}: {text} was refused: {got.text()}")


def take(page: Page, address: str, folder: Path) -> None:
    """Both pictures."""
    job = page.request.get(f"{address}api/jobs").json()["jobs"][0]["job"]
    for text in FOUND:
        answer(page, address, job, text)
    page.goto(f"{address}#/job/{job}")
    leads = page.get_by_role("heading", name="Where the leads go")
    leads.wait_for()
    page.locator(".dock[aria-busy=false]").wait_for()  # while something is worked out, nothing can be answered
    page.locator(".carried").wait_for()
    leads.evaluate("one => one.scrollIntoView()")
    page.screenshot(path=folder / "next-check.png")
    page.goto(f"{address}#/job/{job}/where")
    page.locator(".zone").first.wait_for()
    page.locator(".zone.likeliest").evaluate("one => one.scrollIntoView({ block: 'center' })")
    page.screenshot(path=folder / "where.png")


def served(command: list[str]) -> tuple[subprocess.Popen[str], str]:
    """A server, and the address it says it is at."""
    server = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
    assert server.stdout is not None  # a pipe was asked for
    said: Any = json.loads("".join(server.stdout.readline() for _ in range(3)))
    return server, said["address"]


def main() -> int:
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else ROOT / "docs" / "pictures"
    folder.mkdir(parents=True, exist_ok=True)
    server, address = served([*HALFSPLIT, "serve", "--demo", "--port", "0", "--json"])
    try:
        with sync_playwright() as driver:
            browser = driver.chromium.launch(executable_path=shutil.which("chromium"), args=ARGUMENTS)
            context = browser.new_context(
                viewport=PHONE, device_scale_factor=2, has_touch=True, reduced_motion="reduce", locale="en-GB"
            )
            page = context.new_page()
            page.set_default_timeout(60_000)
            take(page, address, folder)
            browser.close()
    finally:
        server.send_signal(signal.SIGINT)
        server.wait(30)
    for one in sorted(folder.glob("*.png")):
        print(f"{one.name}: {one.stat().st_size / 1000:.0f} kB")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
