"""The addresses of the HTTP interface; each calls one use case and answers with its result."""

from __future__ import annotations

import tempfile
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Annotated, Literal
from urllib.parse import quote

from fastapi import APIRouter, Depends, Query, Request, Response
from fastapi.responses import JSONResponse

from halfsplit import __version__
from halfsplit.errors import UserError
from halfsplit.service import keeping, reporting, working
from halfsplit.service.asking import asked
from halfsplit.service.board import ComplaintForm, JobCards, MachineLines, Told, complaint_told
from halfsplit.service.contradicting import contradictions
from halfsplit.service.desk import Desk
from halfsplit.service.found import record, write_down
from halfsplit.service.phone_table import packed, phone_found, phone_table
from halfsplit.service.results import MOST_SIGNS, Log, NextStep, Suspects, WhyLines
from halfsplit.service.tracing import CircuitPath, circuit_path
from halfsplit.service.zone_map import ZoneMap, zone_map
from halfsplit.web.bodies import (
    About,
    AccessSent,
    Closing,
    Finding,
    Kept,
    Message,
    NoteSent,
    Opening,
    Reopening,
    TakenBack,
    Working,
    body,
)
from halfsplit.web.failures import RESPONSES
from halfsplit.web.hunts import Hunts
from halfsplit.web.languages import spoken, told
from halfsplit.web.patience import patience_of

CODES: dict[str, str] = {
    "finding-subject": "A finding must belong to one check, one repair or one function, and to no other.",
}

#: The header of a report that names the signs in it for which no font at hand has a shape.
UNPRINTED = "halfsplit-unprinted"

router = APIRouter(prefix="/api", responses=RESPONSES)


def _hunts(request: Request) -> Hunts:
    hunts = request.app.state.hunts
    assert isinstance(hunts, Hunts)  # create_app puts it there
    signed = getattr(request.state, "signed", None)  # the gate puts it there, where there is one
    return hunts if signed is None else hunts.of(signed)


At = Annotated[Hunts, Depends(_hunts)]


async def _waited_for(request: Request, hunts: At) -> AsyncIterator[Hunts]:
    async with patience_of(request) as patience:
        yield hunts.waited_for(patience)


#: For what may take long: it ends when nobody waits for it any more.
AtLength = Annotated[Hunts, Depends(_waited_for)]


@router.get("/about", operation_id="about")
def about() -> About:
    """Which program answers, and its version."""
    return About("halfsplit", __version__)


@router.get("/machines", operation_id="machines", response_model=MachineLines)
def machines(hunts: At) -> JSONResponse:
    """The machines a job can be opened on."""
    return body(hunts.board.lines())


@router.get("/machines/{machine}", operation_id="complaintForm", response_model=ComplaintForm)
def complaint_form(hunts: At, machine: str) -> JSONResponse:
    """What a complaint on a machine is chosen from."""
    return body(hunts.board.form(hunts.desk(), machine))


@router.get("/jobs", operation_id="jobs", response_model=JobCards)
def jobs(hunts: At, state: Literal["open", "all"] = "all") -> JSONResponse:
    """The jobs, the one touched last first."""
    return body(hunts.board.cards(hunts.desk(), everything=state == "all"))


@router.post("/jobs", operation_id="openJob", status_code=201, response_model=Working)
def open_job(hunts: AtLength, sent: Opening) -> JSONResponse:
    """Opens a job and gives its first step."""
    machine = hunts.board.machine(sent.machine)
    told = tuple(Told(one.function, one.state, one.level) for one in sent.told)
    complaint = complaint_told(
        machine, told, tuple(sent.conditions), tuple(sent.worked_on),
        comes_and_goes=sent.comes_and_goes, words=sent.words,
    )  # fmt: skip
    with hunts.opening(sent.machine, sent.by, sent.sending) as desk:
        before = hunts.opened_before(desk)
        if before:
            return stands(desk, working.next_step(desk, before), repeated=True)
        found = working.open_job(desk, hunts.board.path(sent.machine), complaint, unit=sent.unit)
        return stands(desk, found, status=201)


@router.get("/jobs/{job}/next", operation_id="nextStep", response_model=Working)
def next_step(hunts: AtLength, job: str, other: Annotated[int, Query(ge=0, le=1000)] = 0) -> JSONResponse:
    """The next step of a job, or its runner-up of the number ``other``."""
    with hunts.at(job) as desk:
        return stands(desk, working.next_step(desk, job, other))


@router.get("/jobs/{job}/suspects", operation_id="suspects", response_model=Suspects)
def suspects(hunts: AtLength, job: str) -> JSONResponse:
    """All suspects worth naming, likeliest first."""
    with hunts.at(job) as desk:
        return body(working.suspects(desk, job))


@router.get("/jobs/{job}/why", operation_id="why", response_model=WhyLines)
def why(hunts: AtLength, job: str, suspect: Annotated[str, Query(max_length=200)] = "") -> JSONResponse:
    """What speaks for and against a suspect: its repair, place or number in the list."""
    with hunts.at(job) as desk:
        return body(working.why(desk, suspect, job))


@router.get("/jobs/{job}/where", operation_id="where", response_model=ZoneMap)
def where(hunts: AtLength, job: str) -> JSONResponse:
    """The machine's zones with the odds in each, what is open, and where water stays."""
    with hunts.at(job) as desk:
        return body(zone_map(desk, job))


@router.get("/jobs/{job}/path", operation_id="path", response_model=CircuitPath)
def path(hunts: AtLength, job: str, suspect: Annotated[str, Query(max_length=200)] = "") -> JSONResponse:
    """The way of the current through a suspect, with the volts of the sound machine, of the suspect, and found."""
    with hunts.at(job) as desk:
        return body(circuit_path(desk, suspect, job))


@router.get(
    "/jobs/{job}/table", operation_id="phoneTable", response_class=Response,
    responses={200: {"content": {"application/gzip": {}}, "description": "The table as JSON, packed with gzip."}},
)  # fmt: skip
def table(hunts: AtLength, job: str) -> Response:
    """All that a phone needs to go on with the hunt by itself: predictions of every suspect, odds, checks, access."""
    with hunts.at(job) as desk:
        found = phone_table(desk, job, told) | {"language": spoken()}
        desk.go_on()
    # Packing takes seconds for a large machine; the job's desk is free meanwhile.
    # It stays packed on its way and on the phone's disk; "identity" keeps it from being packed twice.
    return Response(packed(found), media_type="application/gzip", headers={"content-encoding": "identity"})


@router.get(
    "/jobs/{job}/found", operation_id="phoneFound", response_class=Response,
    responses={200: {"content": {"application/json": {}}, "description": "What was found, and what is open."}},
)  # fmt: skip
def found(hunts: AtLength, job: str) -> Response:
    """What was found so far, in the form of the phone's table, for a phone that has the table."""
    with hunts.at(job) as desk:
        return JSONResponse(phone_found(desk, job))


@router.get("/jobs/{job}/log", operation_id="log", response_model=Log)
def log(hunts: AtLength, job: str) -> JSONResponse:
    """All entries of a job, those taken back included."""
    with hunts.at(job) as desk:
        return body(keeping.log(desk, job))


@router.post("/jobs/{job}/findings", operation_id="recordFinding", response_model=Working)
def record_finding(hunts: AtLength, job: str, sent: Finding) -> JSONResponse:
    """Writes down what was found, once for each ``sending``, and gives the next step."""
    text = _said(sent)
    with hunts.at(job, sent.by, sent.sending, sent.late_s) as desk:
        if desk.arrived(job):
            return _again(desk, job)
        found = record(desk, text, job, check_id=sent.check, repair=sent.repair, minutes=sent.minutes)
        return stands(desk, found.next, found.words)


@router.post("/jobs/{job}/written", operation_id="writeFinding", response_model=Kept)
def write_finding(hunts: AtLength, job: str, sent: Finding) -> JSONResponse:
    """Writes down what was found, once for each ``sending``, and says so before the next step is worked out."""
    text = _said(sent)
    with hunts.writing(job, sent.by, sent.sending, sent.late_s) as (desk, now, standing):
        if standing is None:
            return body(Kept((), now.last_number, repeated=True))
        found = write_down(desk, standing, text, now, check_id=sent.check, repair=sent.repair, minutes=sent.minutes)
        return body(Kept(found.words, found.number, repeated=False))


def _said(sent: Finding) -> str:
    """A finding as it would be typed. Raises UserError("finding-subject")."""
    if sum(bool(one) for one in (sent.check, sent.repair, sent.function)) != 1:
        raise UserError(
            "finding-subject", "A finding belongs to one check, one repair or one function.", "Name one of them."
        )
    if not sent.function:
        return sent.answer
    return f"{sent.function} in {sent.state}: {sent.answer}" if sent.state else f"{sent.function}: {sent.answer}"


@router.post("/jobs/{job}/undo", operation_id="takeBack", response_model=Working)
def take_back(hunts: AtLength, job: str, sent: TakenBack) -> JSONResponse:
    """Takes back the latest recording, the entry of a number, or what came in one message."""
    with hunts.at(job, sent.by, sent.sending, sent.late_s) as desk:
        if desk.arrived(job):
            return _again(desk, job)
        found = keeping.undo_message(desk, job, sent.of) if sent.of else keeping.undo(desk, job, sent.entry)
        return stands(desk, found.next, found.words)


@router.post("/jobs/{job}/restore", operation_id="letStand", response_model=Working)
def let_stand(hunts: AtLength, job: str, sent: Message) -> JSONResponse:
    """Lets what was taken back last stand again."""
    with hunts.at(job, sent.by, sent.sending, sent.late_s) as desk:
        if desk.arrived(job):
            return _again(desk, job)
        found = keeping.restore(desk, job)
        return stands(desk, found.next, found.words)


@router.post("/jobs/{job}/notes", operation_id="addNote", response_model=Working)
def add_note(hunts: AtLength, job: str, sent: NoteSent) -> JSONResponse:
    """Adds words for the record."""
    with hunts.at(job, sent.by, sent.sending, sent.late_s) as desk:
        if desk.arrived(job):
            return _again(desk, job)
        found = keeping.note(desk, sent.text, job, sent.minutes)
        return stands(desk, found.next, found.words)


@router.post("/jobs/{job}/access", operation_id="setAccess", response_model=Working)
def set_access(hunts: AtLength, job: str, sent: AccessSent) -> JSONResponse:
    """Notes an access step as opened or closed outside of a check."""
    with hunts.at(job, sent.by, sent.sending, sent.late_s) as desk:
        if desk.arrived(job):
            return _again(desk, job)
        found = (keeping.open_access if sent.now == "open" else keeping.close_access)(desk, sent.step, job)
        return stands(desk, found.next, found.words)


@router.post("/jobs/{job}/close", operation_id="closeJob", response_model=Log)
def close_job(hunts: AtLength, job: str, sent: Closing) -> JSONResponse:
    """Closes up and closes the job; who is no lead, one worked on."""
    hunts.may_end(job)
    with hunts.at(job, sent.by, sent.sending, sent.late_s) as desk:
        if desk.arrived(job):
            return body(keeping.log(desk, job))
        return body(keeping.close_job(desk, sent.cause, job, sent.note))


@router.post("/jobs/{job}/reopen", operation_id="reopenJob", response_model=Working)
def reopen_job(hunts: AtLength, job: str, sent: Reopening) -> JSONResponse:
    """Opens a closed job again; who is no lead, one worked on."""
    hunts.may_end(job)
    with hunts.at(job, sent.by, sent.sending, sent.late_s) as desk:
        if desk.arrived(job):
            return _again(desk, job)
        return stands(desk, keeping.reopen(desk, job, sent.reason, by_mistake=sent.by_mistake))


@router.get(
    "/jobs/{job}/report.{ending}", operation_id="report", response_class=Response,
    responses={
        200: {
            "content": {"application/pdf": {}, "text/html": {}},
            "description": "The report.",
            "headers": {
                UNPRINTED: {
                    "description": "The signs of a PDF that no font at hand prints, percent-encoded UTF-8 (RFC 3986), "
                    f"the first {MOST_SIGNS} with blanks between and dots for more; left out where every sign prints.",
                    "schema": {"type": "string"},
                }
            },
        }
    },
)  # fmt: skip
def report(
    hunts: AtLength, job: str, ending: Literal["pdf", "html"], face: Literal["customer", "technician"] = "technician"
) -> Response:
    """The service report as it stands, for the customer or for the next technician."""
    with hunts.at(job) as desk, tempfile.TemporaryDirectory(prefix="halfsplit-") as folder:
        file = Path(folder) / f"{job}-{face}.{ending}"
        found = reporting.write_report(desk, face, file, job)
        media = "application/pdf" if ending == "pdf" else "text/html; charset=utf-8"
        shown = {"content-disposition": f'attachment; filename="{file.name}"'}
        if found.unprinted:
            shown[UNPRINTED] = quote(found.named_signs)
        return Response(file.read_bytes(), media_type=media, headers=shown)


def at_work(hunts: Hunts, job: str) -> Desk:
    """A desk for what needs no belief of a job. Raises NotFound."""
    desk = hunts.desk()
    desk.job(job)
    return desk


def stands(
    desk: Desk, found: NextStep, recorded: tuple[str, ...] = (), *, repeated: bool = False, status: int = 200
) -> JSONResponse:
    """Where a job stands, as every address answers that writes into it."""
    job = desk.job(found.head.job)
    standing = desk.standing(job)
    access = standing.machine.access
    names = tuple(access[step].name or step for step in found.open_access)
    against = contradictions(standing, job)
    return body(Working(found, asked(standing, found), names, recorded, repeated, against), status)


def _again(desk: Desk, job: str) -> JSONResponse:
    """The answer to a message that came before: where the job stands now."""
    return stands(desk, working.next_step(desk, job), repeated=True)
