"""Twenty phones recording at once: how long until a finding is acknowledged, and until the next check is there.

    python bench/bench_phones.py

A server of its own serves to the network (TLS, everybody signed in) on this computer's loopback, with the sweeper. Each
phone is a person with a job of her own, a connection that stays open, and a stream of news that she listens to.

* at once: all phones send their finding in the same moment, and ask for the next check as soon as theirs is
  acknowledged, as the app does; that is the worst that can happen, and rounds of it follow each other;
* at work: each phone sends at a moment of its own in every ``--pace`` seconds, drawn from a seed.

The figures are seconds on the clock of the phones, which run on the same computer and take their share of it. A row's
note says how much of the processors was free for both: where other programs ran, the figures say nothing of the server.
"""

from __future__ import annotations

import argparse
import http.client
import json
import os
import random
import resource
import ssl
import statistics
import sys
import tempfile
import threading
import time
import uuid
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import Any
from urllib.parse import quote, urlsplit

from rows import ROOT, Row, finish, parser, say
from serving import served

from halfsplit.diagnosis.outcomes import ANYTHING_ELSE
from halfsplit.jobs.opening import open_store
from halfsplit.service.desk import Desk
from halfsplit.service.people import add_person
from halfsplit.settings import store_path

MACHINE = "saltmarsh-sweeper"
PASSWORD = "four brown boots"  # noqa: S105 # of people who are made up
ACKNOWLEDGED_S, NEXT_S = 0.150, 1.0
#: Longest wait for the slowest phone, before the bench gives up, s.
PATIENCE_S = 120.0


@dataclass
class Phone:
    """One person's phone: its connections, its job, and what it waited for, s."""

    name: str
    address: str
    trust: ssl.SSLContext
    cookie: str = ""
    job: str = ""
    standing: dict[str, Any] = field(default_factory=dict)
    acknowledged: list[float] = field(default_factory=list)
    next: list[float] = field(default_factory=list)
    chance: random.Random = field(default_factory=random.Random)

    def __post_init__(self) -> None:
        self.connection = self._connect()

    def _connect(self) -> http.client.HTTPSConnection:
        parts = urlsplit(self.address)
        return http.client.HTTPSConnection(parts.hostname or "", parts.port, context=self.trust)

    def ask(self, method: str, path: str, content: dict[str, Any] | None = None) -> dict[str, Any]:
        headers = {"content-type": "application/json", "cookie": self.cookie}
        body = json.dumps(content) if content is not None else None
        try:
            self.connection.request(method, f"/api/{path}", body, headers)
            answer = self.connection.getresponse()
        except (OSError, http.client.HTTPException):  # closed while nothing was asked: what is sent again counts once
            self.connection = self._connect()
            self.connection.request(method, f"/api/{path}", body, headers)
            answer = self.connection.getresponse()
        found: dict[str, Any] = json.loads(answer.read())
        if answer.status >= 400:
            raise RuntimeError(f"{method} {path} {content}: {answer.status} {found}")
        self.cookie = (answer.headers.get("set-cookie") or self.cookie).partition(";")[0]
        return found

    def begin(self, function: str, state: str, level: str) -> None:
        self.ask("POST", "session", {"name": self.name, "password": PASSWORD})
        told = [{"function": function, "state": state, "level": level}]
        sent = {"sending": str(uuid.uuid4()), "machine": MACHINE, "told": told}
        self.standing = self.ask("POST", "jobs", sent)
        self.job = quote(self.standing["next"]["head"]["job"])

    def listen(self) -> None:
        """Hears news of the job until the server ends."""
        stream = self._connect()
        stream.request("GET", f"/api/jobs/{self.job}/news", headers={"cookie": self.cookie})
        threading.Thread(target=_drain, args=(stream, stream.getresponse()), daemon=True).start()

    def record(self) -> None:
        """One finding, and the next check after it."""
        content = {"sending": str(uuid.uuid4()), **finding(self.standing, self.chance)}
        start = time.perf_counter()
        self.ask("POST", f"jobs/{self.job}/written", content)
        self.acknowledged.append(time.perf_counter() - start)
        start = time.perf_counter()
        self.standing = self.ask("GET", f"jobs/{self.job}/next")
        self.next.append(time.perf_counter() - start)


def _drain(_stream: http.client.HTTPSConnection, answer: http.client.HTTPResponse) -> None:
    try:
        while answer.readline():
            pass
    except (OSError, ValueError, AttributeError, http.client.HTTPException):
        return  # the server ended


def finding(standing: dict[str, Any], chance: random.Random) -> dict[str, str]:
    """What might be found at the step: a result drawn as likely as the server says, as a hunt goes that is no surprise.

    A repair does not mend; when nothing more is asked, a function is looked at again.
    """
    step, asked = standing["next"]["step"], standing["asked"]
    if step is None or asked is None:
        return {"function": "horn", "answer": "sounds"}
    if step["kind"] == "repair":
        return {"repair": step["id"], "answer": "not mended"}
    results = [one for one in step["outcomes"] if one["label"] != ANYTHING_ELSE]
    (drawn,) = chance.choices(results, [max(one["chance"], 1e-6) for one in results])
    return {"check": step["id"], "answer": said(drawn, asked)}


def said(drawn: dict[str, Any], asked: dict[str, Any]) -> str:
    """A result as it would be typed: its word, or a reading in the middle of its range."""
    if asked["kind"] == "round":
        return ", ".join(part for part in drawn["label"].split(", ") if not part.endswith(" more"))
    if not asked["units"]:
        words = [one["text"] for one in asked["choices"]]
        return str(drawn["label"] if drawn["label"] in words or not words else words[-1])
    low, high = drawn["low"], drawn["high"]
    if high is None and low is not None and asked["units"][0]["text"] == "ohm":
        return "OL"
    middle = (low + high) / 2 if low is not None and high is not None else low if high is None else high
    return f"{middle or 0.0:.3f} {asked['units'][0]['text']}"


def at_once(phones: list[Phone], rounds: int) -> None:
    """Lets all phones record in the same moment, round after round."""
    gate = threading.Barrier(len(phones))

    def one(phone: Phone) -> None:
        try:
            for _ in range(rounds):
                gate.wait(PATIENCE_S)
                phone.record()
        except BaseException:
            gate.abort()  # or the others would wait for this one
            raise

    _run([partial(one, phone) for phone in phones])


def at_work(phones: list[Phone], pace_s: float, rounds: int, seed: int) -> None:
    """Lets every phone record once in each stretch of ``pace_s``, at a moment of its own."""
    start = time.perf_counter()
    chance = random.Random(seed)
    moments = [[(turn + chance.random()) * pace_s for turn in range(rounds)] for _ in phones]

    def one(phone: Phone, mine: list[float]) -> None:
        for moment in mine:
            time.sleep(max(0.0, start + moment - time.perf_counter()))
            phone.record()

    _run([partial(one, *each) for each in zip(phones, moments, strict=True)])


def _run(works: Sequence[Callable[[], None]]) -> None:
    """Does all of it side by side; what goes wrong in one of them ends the bench."""
    with ThreadPoolExecutor(len(works)) as pool:
        failed = [one.exception() for one in [pool.submit(work) for work in works]]
    # Those that waited for the one that failed say nothing of why.
    for error in sorted(filter(None, failed), key=lambda one: isinstance(one, threading.BrokenBarrierError)):
        raise error


def processor_s(pid: int) -> float:
    """Processor seconds that a process and this one have used."""
    parts = Path(f"/proc/{pid}/stat").read_text("utf-8").rpartition(")")[2].split()
    mine = resource.getrusage(resource.RUSAGE_SELF)
    return (int(parts[11]) + int(parts[12])) / os.sysconf("SC_CLK_TCK") + mine.ru_utime + mine.ru_stime


def busy_s() -> float:
    """Seconds that all processors together have worked."""
    total = Path("/proc/stat").read_text("utf-8").split("\n")[0].split()[1:8]
    user, nice, system, _idle, _wait, *rest = map(int, total)
    return (user + nice + system + sum(rest)) / os.sysconf("SC_CLK_TCK")


def measured(what: str, phones: list[Phone], pid: int, doing: Callable[[], None]) -> list[Row]:
    """Runs it, and gives the rows of what the phones waited for."""
    for phone in phones:
        phone.acknowledged, phone.next = [], []
    start, ours, busy = time.perf_counter(), processor_s(pid), busy_s()
    doing()
    took, ours, busy = time.perf_counter() - start, processor_s(pid) - ours, busy_s() - busy
    others = max(0.0, busy - ours) / (took * (os.cpu_count() or 1))
    note = f"{took:.0f} s, server and phones took {ours:.1f} s of the processors; others {others:.0%} of all there was"
    more = {"seconds": round(took, 2), "processor": round(ours, 2), "others": round(others, 3)}
    rows = []
    for kind, goal, waits in (
        ("a finding acknowledged", ACKNOWLEDGED_S, sorted(wait for one in phones for wait in one.acknowledged)),
        ("next check", NEXT_S, sorted(wait for one in phones for wait in one.next)),
    ):
        late = waits[int(0.95 * (len(waits) - 1))]
        rows += [
            Row(f"{what}: {kind}, median of {len(waits)}", statistics.median(waits), "s", goal, note=note, more=more),
            Row(f"{what}: {kind}, 95 of 100 sooner", late, "s"),
        ]
    return rows


def main() -> int:
    wanted = parser(__doc__)
    wanted.add_argument("--phones", type=int, default=20, metavar="N", help="how many (%(default)s)")
    wanted.add_argument("--rounds", type=int, default=5, metavar="N", help="findings of each phone (%(default)s)")
    wanted.add_argument("--pace", type=float, default=20.0, metavar="SECONDS", help="at work (%(default)s)")
    wanted.add_argument("--seed", type=int, default=1, help="of moments and results (%(default)s)")
    given = wanted.parse_args()
    with tempfile.TemporaryDirectory() as home:
        rows = _rows(given, home)
    return finish("phones", given, rows, packages=("fastapi", "uvicorn", "cryptography"))


def _rows(given: argparse.Namespace, home: str) -> list[Row]:
    names = [f"Person {number}" for number in range(given.phones)]
    say(f"Adding {given.phones} people")
    with open_store(store_path({"HALFSPLIT_HOME": home})) as store:
        desk = Desk(store, lambda: datetime.now(UTC))
        for name in names:
            add_person(desk, name, "technician", PASSWORD)
    with served("--lan", "--address", "127.0.0.1", "--home", home) as (ready, pid):
        authority = Path(home, "certificates", "authority.pem").read_text("utf-8")
        trust = ssl.create_default_context(cadata=authority[authority.index("-----BEGIN CERTIFICATE") :])
        phones = [Phone(name, ready["address"], trust) for name in names]
        for number, phone in enumerate(phones):
            phone.chance.seed(1000 * given.seed + number)
        say("Signing in and opening a job on each phone")
        begin_jobs(phones)
        for phone in phones:
            phone.listen()
        say("At once")
        rows = measured(f"{given.phones} phones at once", phones, pid, lambda: at_once(phones, given.rounds))
        say("At work")
        rows += measured(
            f"{given.phones} phones, each every {given.pace:g} s", phones, pid,
            lambda: at_work(phones, given.pace, given.rounds, given.seed),
        )  # fmt: skip
    return rows


def begin_jobs(phones: list[Phone]) -> None:
    """A job on each phone, with complaints of functions that differ."""
    from halfsplit.machine.reading import load_machine

    machine = load_machine(ROOT / "examples" / MACHINE)
    dead = [
        (one.id, state, one.words[0])
        for one in machine.functions.values()
        for state, level in one.expected.items()
        if level == "on" and state == "sweep"
    ]
    for number, phone in enumerate(phones):
        phone.begin(*dead[number % len(dead)])


if __name__ == "__main__":
    sys.exit(main())
