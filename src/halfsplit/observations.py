"""What a person saw, measured or did: the only evidence the diagnosis ever gets.

Every observation is frozen, names its points by the machine file's ids and carries its own doubt.
``to_data`` and ``from_data`` turn them into plain JSON values and back without loss.

``showing`` says whether the fault was seen to be there at that moment ("yes", "no" or "unknown");
a good reading while the fault sleeps is weak evidence, and only the person on the spot can tell.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import MISSING, dataclass, fields
from typing import Any, ClassVar, Literal, get_args

from halfsplit.errors import UserError

Showing = Literal["yes", "no", "unknown"]
Level = Literal["off", "weak", "on", "comes-and-goes"]
Quantity = Literal["volts", "lamp", "ohms", "amps"]
LookKind = Literal["closed", "thorough", "by-eye", "along"]
ActionKind = Literal[
    "unplug-refit",
    "dry-clean",
    "renew-contact",
    "renew-terminal",
    "renew-splice",
    "repair-wire",
    "tighten-stud",
    "clean-post",
    "replace-fuse",
    "replace-part",
    "charge-or-replace-battery",
    "other",
]
Condition = Literal[
    "rain", "wash", "salt", "frost", "heat", "rough-ground", "transport", "standing", "recent-work", "dust"
]

#: What a proving run is counted in.
Measure = Literal["hours", "starts", "cycles", "wet-downs"]

#: Codes raised from this module, each with one sentence.
CODES: dict[str, str] = {
    "observation-kind": "A stored observation is of a kind this version does not know.",
    "observation-shape": "A stored observation lacks a field or has one too many.",
    "complaint-shape": "A stored complaint holds something other than symptoms.",
}

#: How often a report of each kind is right when nothing is known of the reporter; from memory.
RELIABILITY_TECHNICIAN = 0.99
RELIABILITY_OPERATOR = 0.96

#: The smallest value an outlier-proof likelihood may take; from engine-notes part 2 (1 to 2 %).
OUTLIER_FLOOR = 0.02


@dataclass(frozen=True, slots=True)
class Symptom:
    """A function seen (or reported) at a level in a state.

    ``reliability`` is the chance that the report is right, 0.5..1. ``unplugged`` names connectors held apart and
    fuses pulled while it was watched.
    """

    KIND: ClassVar[str] = "symptom"
    function: str
    state: str
    level: Level
    reliability: float = RELIABILITY_TECHNICIAN
    showing: Showing = "unknown"
    unplugged: tuple[str, ...] = ()

    @property
    def reported(self) -> bool:
        """Whether somebody else saw it and told: it counts with less than the technician's own reliability."""
        return self.reliability < RELIABILITY_TECHNICIAN


@dataclass(frozen=True, slots=True)
class Reading:
    """A meter or test-lamp reading between two points.

    ``quantity`` "volts" in V, "ohms" in ohm with the battery disconnected, "amps" in A through the
    wire, fuse, load or battery named by ``plus`` (its size counts, since few people note which way a clamp
    points; ``minus`` is empty); "lamp" is a test lamp between the points, value 0 dark, 1 dim, 2 lit. ``minus``
    empty means the battery's negative post. ``unplugged`` names connectors held apart and fuses pulled.
    """

    KIND: ClassVar[str] = "reading"
    quantity: Quantity
    plus: str
    minus: str
    state: str
    value: float
    unplugged: tuple[str, ...] = ()
    showing: Showing = "unknown"


@dataclass(frozen=True, slots=True)
class Reread(Reading):
    """A voltage taken ``times`` at one point with the leads put on anew, each time about the same: their mean."""

    times: int = 2


def wrong_pin_chance(reading: Reading) -> float:
    """Chance that a reading, or each of those that agree, was taken on the wrong pin."""
    return float(OUTLIER_FLOOR ** (reading.times if isinstance(reading, Reread) else 1))


@dataclass(frozen=True, slots=True)
class Look:
    """An inspection of one place; ``found`` says whether anything bad was seen.

    Where it was seen in one cavity of a connector, ``place`` is that cavity ("X12.3").
    """

    KIND: ClassVar[str] = "look"
    look: LookKind
    place: str
    found: bool
    what: str = ""
    showing: Showing = "unknown"


@dataclass(frozen=True, slots=True)
class Move:
    """One place moved, tapped or flexed while a function was watched; ``changed`` if it reacted."""

    KIND: ClassVar[str] = "move"
    place: str
    function: str
    state: str
    changed: bool
    showing: Showing = "unknown"


@dataclass(frozen=True, slots=True)
class CodeSeen:
    """A trouble code read out as active or not active in a state."""

    KIND: ClassVar[str] = "code"
    controller: str
    code: str
    state: str
    active: bool
    showing: Showing = "unknown"


@dataclass(frozen=True, slots=True)
class Action:
    """Work done on a place. It opens a new epoch: what was touched may be cured or hidden."""

    KIND: ClassVar[str] = "action"
    action: ActionKind
    place: str
    note: str = ""


@dataclass(frozen=True, slots=True)
class OutOfReach:
    """A check that could not be done; it is not offered again while this stands."""

    KIND: ClassVar[str] = "out-of-reach"
    check: str
    reason: str = ""


Observation = Symptom | Reading | Look | Move | CodeSeen | Action | OutOfReach
KINDS: Mapping[str, type[Any]] = {kind.KIND: kind for kind in get_args(Observation)}


@dataclass(frozen=True, slots=True)
class Complaint:
    """What was reported when the job was opened."""

    symptoms: tuple[Symptom, ...]
    conditions: tuple[Condition, ...] = ()
    worked_on: tuple[str, ...] = ()
    comes_and_goes: bool = False
    words: str = ""


def to_data(observation: Observation) -> dict[str, Any]:
    """Plain JSON values of an observation, with its kind under "kind"."""
    data: dict[str, Any] = {"kind": observation.KIND}
    for item in fields(observation):
        value = getattr(observation, item.name)
        if isinstance(observation, Symptom) and item.name == "unplugged" and not value:
            continue  # as files were written before functions could be watched with a connector apart
        data[item.name] = list(value) if isinstance(value, tuple) else value
    return data


def from_data(data: Mapping[str, Any]) -> Observation:
    """The observation that ``to_data`` wrote; UserError when the data is not one of ours."""
    kind = KINDS.get(str(data.get("kind")))
    if kind is None:
        raise UserError("observation-kind", f"no observation is called {data.get('kind')!r}")
    return _build(kind, {key: value for key, value in data.items() if key != "kind"})  # type: ignore[no-any-return] # KINDS holds just the kinds of the union


def complaint_to_data(complaint: Complaint) -> dict[str, Any]:
    """Plain JSON values of a complaint."""
    return {
        "symptoms": [to_data(symptom) for symptom in complaint.symptoms],
        "conditions": list(complaint.conditions),
        "worked_on": list(complaint.worked_on),
        "comes_and_goes": complaint.comes_and_goes,
        "words": complaint.words,
    }


def complaint_from_data(data: Mapping[str, Any]) -> Complaint:
    """The complaint that ``complaint_to_data`` wrote."""
    values = dict(data)
    symptoms = []
    for item in values.pop("symptoms", ()):
        symptom = from_data(item)
        if not isinstance(symptom, Symptom):
            raise UserError("complaint-shape", "a complaint is made of symptoms")
        symptoms.append(symptom)
    built = _build(Complaint, {**values, "symptoms": tuple(symptoms)})
    if not isinstance(built, Complaint):
        raise UserError("complaint-shape", "this is not a complaint")
    return built


def _build(kind: type[Any], values: Mapping[str, Any]) -> Any:
    known = {item.name: item for item in fields(kind)}
    unknown = sorted(set(values) - set(known))
    missing = sorted(
        name
        for name, item in known.items()
        if name not in values and item.default is MISSING and item.default_factory is MISSING
    )
    if unknown or missing:
        raise UserError(
            "observation-shape",
            f"{kind.__name__}: unknown {', '.join(unknown) or 'none'}; missing {', '.join(missing) or 'none'}",
        )
    return kind(**{key: tuple(v) if isinstance(v, list) else v for key, v in values.items()})
