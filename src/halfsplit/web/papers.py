"""The addresses after the cause is known: correcting, proving, material, attachments."""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import Annotated

from fastapi import APIRouter, Depends, Query, Request, Response
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import JSONResponse

from halfsplit.jobs.attachments import KINDS
from halfsplit.service import correcting, paperwork, proving, working
from halfsplit.service.correcting import CorrectionSheet
from halfsplit.service.proving import Proof
from halfsplit.service.results import Papers
from halfsplit.web.addresses import At, AtLength, at_work, stands
from halfsplit.web.bodies import (
    AdviceSent,
    HalfDone,
    HistorySent,
    Name,
    RunSent,
    Sending,
    TravelSent,
    UsedSent,
    Words,
    Working,
    body,
)
from halfsplit.web.failures import RESPONSES

router = APIRouter(prefix="/api", responses=RESPONSES)

#: Pictures that a page may show; everything else is handed out as a file to keep.
SHOWN = ("jpeg", "png", "webp")


@router.get("/jobs/{job}/correction", operation_id="correction", response_model=CorrectionSheet)
def correction(hunts: AtLength, job: str, suspect: Annotated[str, Query(max_length=200)] = "") -> JSONResponse:
    """What correcting a suspect needs, cautions first; the job's cause or the likeliest suspect by default."""
    with hunts.at(job) as desk:
        return body(correcting.sheet(desk, suspect, job))


@router.post("/jobs/{job}/corrections", operation_id="halfDone", response_model=Working)
def half_done(hunts: AtLength, job: str, sent: HalfDone) -> JSONResponse:
    """Writes down a correction that was done in part or could not be done."""
    with hunts.at(job, sent.by, sent.sending, sent.late_s) as desk:
        if desk.arrived(job):
            return stands(desk, working.next_step(desk, job), repeated=True)
        found = correcting.record_half(desk, sent.suspect, sent.went, job, why=sent.why)
        return stands(desk, found.next, found.words)


@router.get("/jobs/{job}/proof", operation_id="proof", response_model=Proof)
def proof(hunts: AtLength, job: str) -> JSONResponse:
    """How the proof of the repair stands, and what would make it surer."""
    with hunts.at(job) as desk:
        return body(proving.proof(desk, job))


@router.post("/jobs/{job}/history", operation_id="stateHistory", response_model=Proof)
def state_history(hunts: AtLength, job: str, sent: HistorySent) -> JSONResponse:
    """Writes down how often the fault showed before the repair."""
    with hunts.at(job, sent.by, sent.sending, sent.late_s) as desk:
        if desk.arrived(job):
            return body(proving.proof(desk, job))
        found = proving.state_history(
            desk, sent.events, sent.amount, job, from_good=sent.from_good, condition=sent.condition
        )
        return body(found)


@router.post("/jobs/{job}/runs", operation_id="recordRun", response_model=Proof)
def record_run(hunts: AtLength, job: str, sent: RunSent) -> JSONResponse:
    """Writes down running after the repair; a fault that came back opens the hunt again."""
    with hunts.at(job, sent.by, sent.sending, sent.late_s) as desk:
        if desk.arrived(job):
            return body(proving.proof(desk, job))
        found = proving.record_run(
            desk, sent.amount, job, came_back=sent.came_back, in_condition=sent.in_condition,
            reported=sent.reported, minutes=sent.minutes, note=sent.note,
        )  # fmt: skip
        return body(found)


@router.get("/jobs/{job}/papers", operation_id="papers", response_model=Papers)
def papers(hunts: AtLength, job: str) -> JSONResponse:
    """Attachments, material, drives and advice."""
    with hunts.at(job) as desk:
        return body(paperwork.papers(desk, job))


@router.post("/jobs/{job}/used", operation_id="partUsed", response_model=Papers)
def part_used(hunts: AtLength, job: str, sent: UsedSent) -> JSONResponse:
    """Writes down material that went into the machine."""
    with hunts.at(job, sent.by, sent.sending, sent.late_s) as desk:
        if not desk.arrived(job):
            paperwork.part_used(desk, sent.text, job, number=sent.number, quantity=sent.quantity, price=sent.price)
        return body(paperwork.papers(desk, job))


@router.post("/jobs/{job}/travel", operation_id="travel", response_model=Papers)
def travel(hunts: AtLength, job: str, sent: TravelSent) -> JSONResponse:
    """Writes down a drive."""
    with hunts.at(job, sent.by, sent.sending, sent.late_s) as desk:
        if not desk.arrived(job):
            paperwork.travel(desk, sent.minutes, job, distance=sent.distance, note=sent.note)
        return body(paperwork.papers(desk, job))


@router.post("/jobs/{job}/advice", operation_id="advise", response_model=Papers)
def advise(hunts: AtLength, job: str, sent: AdviceSent) -> JSONResponse:
    """Writes down advice for the owner."""
    with hunts.at(job, sent.by, sent.sending, sent.late_s) as desk:
        if not desk.arrived(job):
            paperwork.advise(desk, sent.text, job, sent.next_inspection)
        return body(paperwork.papers(desk, job))


async def _content(request: Request) -> bytes:
    return await request.body()


@router.post(
    "/jobs/{job}/attachments", operation_id="attach", response_model=Papers, status_code=201,
    openapi_extra={
        "requestBody": {
            "required": True,
            "content": {"application/octet-stream": {"schema": {"type": "string", "format": "binary"}}},
        }
    },
)  # fmt: skip
async def attach(
    hunts: At,
    job: str,
    sending: Annotated[Sending, Query()],
    content: Annotated[bytes, Depends(_content)],
    name: Annotated[Name, Query(min_length=1)],
    caption: Annotated[Words, Query()] = "",
    role: Annotated[Name, Query()] = "",
    by: Annotated[Name, Query()] = "",
) -> JSONResponse:
    """Keeps a file with the job: the body is its content, and that says what it is."""

    def keep() -> JSONResponse:
        with hunts.at(job, by, sending) as desk, tempfile.TemporaryDirectory(prefix="halfsplit-") as folder:
            if not desk.arrived(job):
                # The name comes from elsewhere: the file is written under another, in a folder of its own.
                file = Path(folder) / "content"
                file.write_bytes(content)
                paperwork.attach(desk, file, job, caption, role, name=name)
            return body(paperwork.papers(desk, job), 201)

    return await run_in_threadpool(keep)


@router.get(
    "/jobs/{job}/attachments/{sha256}", operation_id="attachment", response_class=Response,
    responses={200: {"content": {"application/octet-stream": {}}, "description": "The file."}},
)  # fmt: skip
def attachment(hunts: At, job: str, sha256: str) -> Response:
    """A file of the job, as it was attached."""
    found, content = paperwork.attachment(at_work(hunts, job), sha256, job)
    media = KINDS[found.media] if found.media in SHOWN else "application/octet-stream"
    kept = "inline" if found.media in SHOWN else "attachment"
    return Response(
        content, media_type=media, headers={"content-disposition": f'{kept}; filename="{sha256[:12]}.{found.media}"'}
    )
