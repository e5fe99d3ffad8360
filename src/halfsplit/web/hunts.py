"""Jobs at work in one process: a desk for each request, one at a time for each kind of machine.

The belief of a job takes seconds to build and a moment to go on with, so it is kept; the desk itself goes on from the
store's newer entries, or builds anew when an entry was taken back. Requests for different machines run side by side,
and what needs no belief waits for nobody.
"""

from __future__ import annotations

import copy
import threading
from collections import OrderedDict
from collections.abc import Iterator
from contextlib import contextmanager, nullcontext
from dataclasses import replace

from halfsplit.errors import Conflict
from halfsplit.jobs.events import utc_time
from halfsplit.jobs.model import Job, fold
from halfsplit.jobs.recording import load_job
from halfsplit.jobs.store import fingerprint_of
from halfsplit.service.board import Board
from halfsplit.service.desk import Desk, Standing, entries_of, machine_files
from halfsplit.service.people import may_end
from halfsplit.web.gate import Signed
from halfsplit.web.listeners import Listeners
from halfsplit.web.patience import Patience

#: Beliefs kept at most; the sweeper's take about 30 MB each, seen. The one longest not asked for goes first. Twenty
#: phones at twenty jobs fit, since what was let go is built anew at the next request, for seconds.
MOST_KEPT = 24
#: How often a request that waits for others looks whether somebody still waits for it, s. Invented.
LOOKED_EVERY_S = 0.5
#: The jobs opened last, among which a repeated opening is looked for.
LOOKED_BACK = 50


class Hunts:
    """The desks of one server process."""

    def __init__(self, desk: Desk, board: Board, most_kept: int = MOST_KEPT) -> None:
        self.board = board
        self._desk = desk
        self._most = most_kept
        self._locks: dict[str, threading.Lock] = {}
        self._used: OrderedDict[str, None] = OrderedDict()
        self._guard = threading.Lock()
        self._signed: Signed | None = None
        self.patience = Patience()
        self.listeners = Listeners()

    def of(self, signed: Signed) -> Hunts:
        """The same desks for somebody who signed in, whose name is written down whatever else is sent."""
        found = copy.copy(self)
        found._signed = signed  # noqa: SLF001 - it is one of our own
        return found

    def waited_for(self, patience: Patience) -> Hunts:
        """The same desks for a request; what it works on ends when nobody waits for it any more."""
        found = copy.copy(self)
        found.patience = patience
        return found

    def still(self, *, fresh: bool = True) -> bool:
        """Whether whoever asked may still be answered; by the store, or when not ``fresh`` by what was read last."""
        return self._signed is None or self._signed.still(fresh)

    def may_end(self, job: str) -> None:
        """Raises Forbidden when the job is not to be closed or opened again by whoever asked, or NotFound."""
        if self._signed is not None:
            may_end(self._desk.store.events(job), self._signed.name, self._signed.role)

    def desk(self, by: str = "", sending: str = "") -> Desk:
        """A desk for one request, for what needs no belief; it shares what was worked out with all others."""
        by = by or self._desk.by if self._signed is None else self._signed.writes_as(by)
        return replace(self._desk, by=by, sending=sending, go_on=self.patience.go_on)

    @contextmanager
    def at(self, job: str, by: str = "", sending: str = "", late_s: float = 0.0) -> Iterator[Desk]:
        """A desk for work on a job; others at the same kind of machine wait. Raises NotFound.

        ``late_s`` is how many seconds ago the message was made; it cannot be older than its job.
        """
        known = load_job(self._desk.store, job)
        with self._alone(known.fingerprint), self._alone(f"job {job}") if sending else nullcontext():
            try:
                yield self._late(self.desk(by, sending), known, late_s)
                if sending:
                    self.listeners.tell(job)
            except Conflict:
                # Another process wrote first: what is kept here is older than the store.
                self._desk.standings.pop(job, None)
                raise
            finally:
                self._keep(job)

    @contextmanager
    def writing(
        self, job: str, by: str, sending: str, late_s: float = 0.0
    ) -> Iterator[tuple[Desk, Job, Standing | None]]:
        """A desk for writing into a job, the job, and how it stands, which is not to be changed.

        It is None when the message was written down before.

        Waits for others that write into the same job alone; where it is not known how the job stands, for all at the
        same kind of machine. Raises NotFound.
        """
        if job in self._desk.standings:  # or there would be a lock for whatever somebody asks for
            with self._alone(f"job {job}"):
                events = self._desk.store.events(job)
                found, standing = fold(events), self._desk.standings.get(job)
                if standing is not None and standing.entries == entries_of(found):
                    arrived = any(one.sending == sending for one in events)
                    yield self._late(self.desk(by, sending), found, late_s), found, None if arrived else standing
                    self.listeners.tell(job)
                    return
        with self.at(job, by, sending, late_s) as desk:
            found = desk.job(job)
            yield desk, found, None if desk.arrived(job) else desk.standing(found)

    @contextmanager
    def opening(self, machine: str, by: str, sending: str) -> Iterator[Desk]:
        """A desk for opening a job; one at a time, so that two requests never take the same id. Raises NotFound."""
        fingerprint = fingerprint_of(machine_files(self.board.path(machine)))
        with self._alone("opening"), self._alone(fingerprint):
            try:
                yield self.desk(by, sending)
            finally:
                for job in list(self._desk.standings):
                    if job not in self._used:
                        self._keep(job)

    def _late(self, desk: Desk, job: Job, late_s: float) -> Desk:
        """The desk for a message that was made ``late_s`` ago."""
        age_s = (self._desk.now() - utc_time(job.opened)).total_seconds()
        return replace(desk, late_s=max(0.0, min(late_s, age_s)))

    def opened_before(self, desk: Desk) -> str:
        """The id of the job that the desk's message opened before; "" when it is new."""
        if not desk.sending:
            return ""
        lines = sorted(desk.store.jobs(), key=lambda line: line.opened, reverse=True)
        for line in lines[:LOOKED_BACK]:
            if desk.store.events(line.id)[0].sending == desk.sending:
                return line.id
        return ""

    @contextmanager
    def _alone(self, name: str) -> Iterator[None]:
        """Waits for others that work on the same, as long as somebody waits for this one."""
        with self._guard:
            lock = self._locks.setdefault(name, threading.Lock())
        while not lock.acquire(timeout=LOOKED_EVERY_S):
            self.patience.go_on()
        try:
            self.patience.go_on()
            yield
        finally:
            lock.release()

    def _keep(self, job: str) -> None:
        with self._guard:
            self._used[job] = None
            self._used.move_to_end(job)
            while len(self._used) > self._most:
                oldest, _ = self._used.popitem(last=False)
                self._desk.standings.pop(oldest, None)
