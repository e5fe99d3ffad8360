"""Telling every phone on a job what the others wrote, as server-sent events (HTML standard, 9.2)."""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator, Collection, Mapping
from contextlib import suppress
from typing import Annotated

from fastapi import APIRouter, Header, Query
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import StreamingResponse

from halfsplit.service import keeping
from halfsplit.service.results import News, to_data
from halfsplit.web.addresses import At, at_work
from halfsplit.web.failures import RESPONSES
from halfsplit.web.hunts import Hunts
from halfsplit.web.languages import told

router = APIRouter(prefix="/api", responses=RESPONSES)

#: What this process writes is told at once; for what another one wrote, such as the command line, the store is asked
#: this often, s, once for all who listen.
ASKED_EVERY_S = 1.0
#: Once something was written it is told after so long, s: whoever wrote it is answered first, and what comes together
#: is told together. Invented; others are to hear of it within 2 s.
GATHERED_S = 0.25
#: So many quiet rounds pass before a line is sent that says nothing, by which a lost phone is noticed.
QUIET_ROUNDS = 15


@router.get(
    "/jobs/{job}/news", operation_id="news", response_class=StreamingResponse,
    responses={200: {"content": {"text/event-stream": {}}, "description": "A News object for each change."}},
)  # fmt: skip
async def news(
    hunts: At,
    job: str,
    after: Annotated[int | None, Query(ge=0, le=10**9)] = None,
    last_event_id: Annotated[str, Header(max_length=20)] = "",
) -> StreamingResponse:
    """A stream of what is written into a job, from now on or after an event's number."""
    desk = await run_in_threadpool(at_work, hunts, job)
    known = int(last_event_id) if last_event_id.isdecimal() else after
    if known is None:
        known = (await run_in_threadpool(desk.job, job)).last_number
    return StreamingResponse(_stream(hunts, job, known), media_type="text/event-stream")


async def _stream(hunts: Hunts, job: str, known: int) -> AsyncIterator[str]:
    yield _event(News(known, ()))
    quiet, written = 0, True
    with hunts.listeners.on(job) as woken:
        while not hunts.listeners.ended:
            woken.clear()
            found = await _found(hunts, job, known, written=written)
            if found is None:
                return
            if found.lines:
                known, quiet = found.number, 0
                yield _event(found)
            elif quiet >= QUIET_ROUNDS:
                quiet = 0
                yield ":\n\n"
            quiet += 1
            written = False
            with suppress(TimeoutError):
                await asyncio.wait_for(woken.wait(), ASKED_EVERY_S)
                written = True
                await asyncio.sleep(GATHERED_S)


async def _found(hunts: Hunts, job: str, known: int, *, written: bool) -> News | None:
    """What is new; None when whoever listens is no longer signed in. ``written``: something was, in this process."""

    def look(jobs: Collection[str]) -> Mapping[str, int]:
        hunts.still()  # reads who is signed in, for all listeners
        return hunts.desk().store.last_numbers(jobs)

    if not written and await hunts.listeners.number(job, look, ASKED_EVERY_S / 2) <= known:
        return News(known, ()) if hunts.still(fresh=False) else None
    return await run_in_threadpool(_heard, hunts, job, known)


def _heard(hunts: Hunts, job: str, known: int) -> News | None:
    """What is new; None when whoever listens is no longer signed in."""
    return keeping.news(hunts.desk(), job, known) if hunts.still() else None


def _event(found: News) -> str:
    return f"id: {found.number}\ndata: {json.dumps(to_data(told(found)), ensure_ascii=False)}\n\n"
