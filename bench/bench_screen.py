"""How long until the working screen of a job can be used: the app served on the loopback, in a real headless Chromium.

    python bench/bench_screen.py [--repeats 9]

The demo's job on the sweeper is open on the server and its next check has been asked for once, as it has when a second
phone joins or the first one comes back. Timed on the page's own clock, from the beginning of the navigation until the
next check is shown and its answers can be tapped:

* never seen before: a browser that has nothing of the app, no file and no table;
* seen before: the same browser again, with the app's files and its service worker kept.

The screen is 390 x 844. Packed sizes are what crossed the connection up to then, as the browser counts it.
"""

from __future__ import annotations

import shutil
import sys
from statistics import median

from playwright.sync_api import BrowserContext, ViewportSize, sync_playwright
from rows import Row, finish, parser, say
from serving import served

USABLE_S = 1.0
FIRST_LOAD_KB = 150.0
PHONE = ViewportSize(width=390, height=844)
ARGUMENTS = ["--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking"]
#: Longest wait for a screen before the bench gives up, ms.
PATIENCE_MS = 60_000
#: Resolves, on the page's clock, once answers can be tapped; looked at whenever something on the page changes.
USABLE = """() => new Promise((found) => {
  const look = () => document.querySelector(".dock[aria-busy=false] button:not([disabled])");
  const end = () => found(performance.now() / 1000);
  if (look()) return end();
  const watch = new MutationObserver(() => { if (look()) { watch.disconnect(); end(); } });
  watch.observe(document, { childList: true, subtree: true, attributes: true });
})"""
#: Bytes of the page, its files and answers so far, as they came over the connection.
PACKED = """() => [...performance.getEntriesByType("navigation"), ...performance.getEntriesByType("resource")]
  .filter((one) => !one.name.includes("/api/")).reduce((sum, one) => sum + one.transferSize, 0)"""


def usable(context: BrowserContext, address: str, job: str) -> tuple[float, float]:
    """Seconds until the job's screen can be used, and kB of the app that came over the connection."""
    page = context.new_page()
    page.set_default_timeout(PATIENCE_MS)
    page.goto(f"{address}#/job/{job}", wait_until="commit")
    took_s = float(page.evaluate(USABLE))
    packed_kb = float(page.evaluate(PACKED)) / 1000
    page.evaluate("() => navigator.serviceWorker.ready.then(() => null)")  # or the next visit would not find its files
    page.close()
    return took_s, packed_kb


def main() -> int:
    arguments = parser(__doc__)
    arguments.add_argument("--repeats", type=int, default=9, help="goes of each (%(default)s)")
    given = arguments.parse_args()
    new, again, packed = [], [], []
    with served("--demo") as (ready, _), sync_playwright() as driver:
        address = ready["address"]
        browser = driver.chromium.launch(executable_path=shutil.which("chromium"), args=ARGUMENTS)
        for go in range(given.repeats + 1):
            context = browser.new_context(viewport=PHONE, has_touch=True, reduced_motion="reduce")
            job = context.request.get(f"{address}api/jobs").json()["jobs"][0]["job"]
            context.request.get(f"{address}api/jobs/{job}/next", timeout=PATIENCE_MS)
            first, came = usable(context, address, job)
            then, _ = usable(context, address, job)
            context.close()
            say(f"{first:.2f} s, then {then:.2f} s")
            if go:  # the first go warms the browser
                new.append(first)
                again.append(then)
                packed.append(came)
        browser.close()
    rows = [
        Row("working screen usable, app never seen before, median", median(new), "s", USABLE_S,
            note=f"{len(new)} goes, {min(new):.2f} to {max(new):.2f} s"),
        Row("working screen usable, app seen before, median", median(again), "s", USABLE_S,
            note=f"{len(again)} goes, {min(again):.2f} to {max(again):.2f} s"),
        Row("page and files of the app, packed", max(packed), "kB", FIRST_LOAD_KB),
    ]  # fmt: skip
    return finish("screen", given, rows, packages=("playwright", "fastapi", "uvicorn"))


if __name__ == "__main__":
    sys.exit(main())
