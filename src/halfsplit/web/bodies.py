"""What is sent to the server and what it answers, beyond the results of the use cases."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Annotated, Any, Literal

from fastapi.responses import JSONResponse
from pydantic import BaseModel, ConfigDict, Field

from halfsplit.service.asking import Asked
from halfsplit.service.contradicting import Contradiction
from halfsplit.service.results import NextStep, to_data
from halfsplit.web.languages import told

#: An id made by the client, the same each time it sends the same thing again.
Sending = Annotated[
    str,
    Field(
        pattern=r"^[A-Za-z0-9-]{8,64}$",
        description="Made by the client for each thing it wants written down, and kept when it sends it again: "
        "nothing is ever written down twice under one of them.",
    ),
]
Name = Annotated[str, Field(max_length=200)]
Words = Annotated[str, Field(max_length=4000)]


class Message(BaseModel):
    """What every request that writes carries."""

    model_config = ConfigDict(extra="forbid")

    sending: Sending
    by: Name = ""
    late_s: Annotated[
        float,
        Field(ge=0, le=90 * 86400, allow_inf_nan=False, description="How many seconds ago this was written down."),
    ] = 0.0


class ToldFunction(BaseModel):
    """A function complained of; ``level`` is one of its words, or off, weak, on, comes-and-goes."""

    model_config = ConfigDict(extra="forbid")

    function: Name
    state: Name
    level: Name


class Opening(Message):
    """A job to be opened."""

    machine: Name
    unit: Name = ""
    told: Annotated[list[ToldFunction], Field(min_length=1, max_length=50)]
    conditions: Annotated[list[Name], Field(max_length=20)] = []
    worked_on: Annotated[list[Name], Field(max_length=50)] = []
    comes_and_goes: bool = False
    words: Words = ""


class Finding(Message):
    """What was found: the answer to a check or a repair, or to a function nobody asked for.

    ``answer`` is what would be typed at the bench: "9.8 V", "dry", "all right", "can't reach". Exactly one of
    ``check``, ``repair`` and ``function`` is given; ``state`` goes with ``function``. ``minutes`` are those of the
    plan when left out.
    """

    answer: Annotated[str, Field(min_length=1, max_length=2000)]
    check: Name = ""
    repair: Name = ""
    function: Name = ""
    state: Name = ""
    minutes: Annotated[float, Field(ge=0, le=6000, allow_inf_nan=False)] | None = None


class TakenBack(Message):
    """An entry to take back, or what came in the message ``of``; the latest recording when neither is given."""

    entry: Annotated[int, Field(ge=1, le=10**9)] | None = None
    of: Annotated[str, Field(pattern=r"^([A-Za-z0-9-]{8,64})?$")] = ""


class NoteSent(Message):
    """Words for the record."""

    text: Annotated[str, Field(min_length=1, max_length=4000)]
    minutes: Annotated[float, Field(ge=0, le=6000, allow_inf_nan=False)] = 0.0


class AccessSent(Message):
    """An access step opened or closed outside of a check; closing without a name closes everything."""

    step: Name = ""
    now: Literal["open", "closed"]


class Closing(Message):
    """A job to be closed; ``cause`` is a suspect, "not found", or "" for the one found."""

    cause: Name = ""
    note: Words = ""


class Reopening(Message):
    """A closed job to be opened again: what it was about came back, unless it was closed ``by_mistake``."""

    reason: Words = ""
    by_mistake: bool = False


class HalfDone(Message):
    """A correction that was done in part or could not be done; ``went`` is "partly" or "failed"."""

    suspect: Name
    went: Literal["partly", "failed"]
    why: Words = ""


class HistorySent(Message):
    """How often the fault showed before the repair: ``events`` times over an ``amount`` like "40 h" or "25 starts"."""

    events: Annotated[int, Field(ge=0, le=100_000)]
    amount: Name
    from_good: bool = False
    condition: Name = ""


class RunSent(Message):
    """Running after the repair, like "8 h"; ``came_back`` says that the fault showed again."""

    amount: Name
    came_back: bool = False
    in_condition: bool = True
    reported: bool = False
    minutes: Annotated[float, Field(ge=0, le=6000, allow_inf_nan=False)] = 0.0
    note: Words = ""


class UsedSent(Message):
    """Material used; ``price`` is that of one, with its currency, like "4.80 EUR"."""

    text: Annotated[str, Field(min_length=1, max_length=500)]
    number: Name = ""
    quantity: Name = "1"
    price: Name = ""


class TravelSent(Message):
    """A drive: "35 min" or "1.5 h", and "42 km" if wanted."""

    minutes: Name
    distance: Name = ""
    note: Words = ""


class AdviceSent(Message):
    """Advice for the owner, and by when the machine should be looked at again."""

    text: Annotated[str, Field(min_length=1, max_length=4000)]
    next_inspection: Name = ""


@dataclass(frozen=True, slots=True)
class Working:
    """Where a job stands: the next step, how it is answered, and what was just written down.

    ``open_now`` names the access steps that are open, by the words of the machine file; ``repeated`` tells that this
    message was written down before and not again; ``contradictions`` are findings of which at most one can be so.
    """

    next: NextStep
    asked: Asked | None
    open_now: tuple[str, ...]
    recorded: tuple[str, ...]
    repeated: bool
    contradictions: tuple[Contradiction, ...] = ()


@dataclass(frozen=True, slots=True)
class Kept:
    """That a finding is written down: in words, with the number of the job's last entry."""

    recorded: tuple[str, ...]
    number: int
    repeated: bool


@dataclass(frozen=True, slots=True)
class About:
    """Which program answers."""

    name: str
    version: str


def body(value: object, status: int = 200) -> JSONResponse:
    """A result as JSON, in the language that was asked for.

    A bound without end, such as "above 10 Mohm", is null: JSON has no infinity.
    """
    return JSONResponse(_finite(to_data(told(value))), status)


def _finite(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _finite(item) for key, item in value.items()}
    if isinstance(value, list):
        return [_finite(item) for item in value]
    if value in ("Infinity", "-Infinity") or (isinstance(value, float) and not math.isfinite(value)):
        return None
    return value
