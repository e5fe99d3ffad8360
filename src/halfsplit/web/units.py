"""The earlier jobs of a unit: while a job is opened on it, and in the job itself."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated

from fastapi import APIRouter, Query
from fastapi.responses import JSONResponse

from halfsplit.jobs.units import check_serial, hours_on
from halfsplit.service.unit_history import (
    EarlierLine,
    earlier_lines,
    history,
    possible_return,
    spelled_nearly,
    still_open,
)
from halfsplit.service.unit_past import jobs_of, today, unit_of
from halfsplit.web.addresses import At, at_work
from halfsplit.web.bodies import body
from halfsplit.web.failures import RESPONSES

router = APIRouter(prefix="/api", responses=RESPONSES)


@dataclass(frozen=True, slots=True)
class UnitSeen:
    """A unit with its earlier jobs, latest first; ``hours`` on its meter when it was read last.

    ``recent`` names what was worked on so lately that it counts in the odds, ``still_open`` the job with the same
    complaint that is open, ``may_be`` says that a mended fault may be back, that of the job ``back_from``. ``near`` is
    how a known unit is spelled when this one is not known. All of them are "" or empty where there is nothing to say.
    """

    unit: str
    hours: float | None
    read_on: str
    earlier: tuple[EarlierLine, ...]
    recent: tuple[str, ...] = ()
    still_open: str = ""
    may_be: str = ""
    back_from: str = ""
    near: str = ""


@router.get("/earlier", operation_id="earlierJobs", response_model=UnitSeen)
def earlier(
    hunts: At,
    machine: Annotated[str, Query(max_length=200)],
    unit: Annotated[str, Query(min_length=1, max_length=200)],
) -> JSONResponse:
    """The jobs there were on a unit, for whoever opens another."""
    desk = hunts.desk()
    serial = check_serial(unit)
    known = unit_of(desk, serial)
    meter = hours_on(known.readings, today(desk))
    lines = earlier_lines(desk, known, jobs_of(desk, serial, hunts.board.machine(machine).id))
    near = "" if lines or known.entries else spelled_nearly(desk, serial) or ""
    return body(
        UnitSeen(serial, meter.hours if meter else None, meter.on.isoformat() if meter else "", lines, near=near)
    )


@router.get("/jobs/{job}/unit", operation_id="unitOfJob", response_model=UnitSeen)
def unit_of_job(hunts: At, job: str) -> JSONResponse:
    """The unit of a job as its opening used it, with its earlier jobs; with an empty name where none was given."""
    desk = at_work(hunts, job)
    own = desk.job(job)
    found = history(desk, own)
    if found is None:
        return body(UnitSeen("", None, "", ()))
    still = still_open(desk, own)
    may_be = own.past.may_be if own.past is not None else None
    return body(
        UnitSeen(
            found.unit, found.hours, found.read_on, found.earlier, found.recent,
            still_open=still.id if still is not None else "",
            may_be=possible_return(may_be) if may_be is not None else "",
            back_from=may_be.job if may_be is not None else "",
        )
    )  # fmt: skip
