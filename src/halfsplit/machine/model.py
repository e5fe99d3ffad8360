"""The machine: frozen data that describes one kind of machine, and nothing that computes.

Units are SI throughout, with the unit in the attribute's name.
Identifiers are the ones that stand on the drawing; a point on the machine is spelled

* ``X12.3``     cavity 3 of connector X12, harness side (a connector on a part),
* ``X5.3:p``    pin half of inline connector X5, ``X5.3:s`` its socket half,
* ``K1.30``     pin 30 of part K1, reached without a connector (screw, ring, socket, solder),
* ``G3``        a part with one pin only (ground stud, splice).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

EXPOSURES = ("splash", "pooling", "mud", "salt", "heat", "vibration")
LEVELS = ("none", "low", "medium", "high")
#: The danger every machine file knows without writing it: a state in which an alternator runs has it.
ENGINE = "engine"
ENGINE_OFF = "Engine off, key out."
FACES = ("up", "side", "down")

Value = float | str | bool


@dataclass(frozen=True, slots=True)
class Place:
    """Where in the files something was written; line counts from 1."""

    file: str
    line: int


@dataclass(frozen=True, slots=True, order=True)
class Endpoint:
    """A point a wire can end on.

    ``half`` is "p" or "s" for an inline connector and "" otherwise; ``pin`` is "" for one-pin parts.
    """

    owner: str
    pin: str = ""
    half: str = ""

    def __str__(self) -> str:
        text = f"{self.owner}.{self.pin}" if self.pin else self.owner
        return f"{text}:{self.half}" if self.half else text


@dataclass(frozen=True, slots=True)
class Caution:
    """A warning with its text written once and named by id everywhere else."""

    id: str
    text: str


@dataclass(frozen=True, slots=True)
class AccessStep:
    """Something to open, tip, remove or climb before a zone can be reached.

    ``after`` names steps that must be open first; minutes are for one person. ``keep_out`` names the dangers
    while which nobody is behind it, as in a zone.
    """

    id: str
    name: str
    open_min: float
    close_min: float
    after: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    keep_out: tuple[str, ...] = ()
    place: Place | None = None


@dataclass(frozen=True, slots=True)
class Zone:
    """A place on the machine; ``exposure`` gives one of LEVELS for each of EXPOSURES.

    ``keep_out`` names the dangers: in a state that has one of them nobody is sent into this zone.
    """

    id: str
    name: str
    exposure: Mapping[str, str]
    reach: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    keep_out: tuple[str, ...] = ()
    assumed: frozenset[str] = frozenset()
    place: Place | None = None


@dataclass(frozen=True, slots=True)
class Family:
    """A generic connector family: contact size, pitch and sealing class, no maker's name.

    ``sealing`` is an IEC 60529 code such as "IP67", or "open" for an unsealed housing.
    """

    id: str
    contact_diameter_m: float
    pitch_m: float
    engaged_length_m: float
    sealing: str
    contact_resistance_ohm: float
    current_a: float
    source: str

    @property
    def sealed(self) -> bool:
        """Whether the second digit promises immersion or jets (7, 8 or 9)."""
        return (self.sealing.startswith("IP") and self.sealing[-1:] in "6789") or self.sealing.endswith("K")


@dataclass(frozen=True, slots=True)
class Connector:
    """A mated pair of housings.

    ``cavities`` maps cavity name to (row, column), so that neighbours are known.
    ``inline`` connectors join two harnesses; the others sit on a part.
    """

    id: str
    name: str
    family: Family
    cavities: Mapping[str, tuple[int, int]]
    zone: str
    inline: bool = False
    faces: str = "side"
    low_point: bool = False
    access: tuple[str, ...] = ()
    assumed: frozenset[str] = frozenset()
    place: Place | None = None

    def neighbours(self) -> tuple[tuple[str, str], ...]:
        """Pairs of cavities that touch along a row or a column of the grid, each pair once."""
        at = {position: name for name, position in self.cavities.items()}
        return tuple(
            (name, at[other])
            for (row, column), name in at.items()
            for other in ((row, column + 1), (row + 1, column))
            if other in at
        )


@dataclass(frozen=True, slots=True)
class Run:
    """A stretch of harness: wires that lie in one bundle and can rub on each other or on metal."""

    id: str
    name: str
    zones: tuple[str, ...]
    flexes: bool = False
    protection: str = "tape"
    place: Place | None = None


@dataclass(frozen=True, slots=True)
class Wire:
    """One conductor between two points; area in m2, length in m."""

    id: str
    circuit: str
    a: Endpoint
    b: Endpoint
    area_m2: float
    length_m: float
    colour: str = ""
    run: str | None = None
    assumed: frozenset[str] = frozenset()
    place: Place | None = None


@dataclass(frozen=True, slots=True)
class Supply:
    """Feed of a controller: it draws ``current_a`` and stops below ``stops_below_v``."""

    pin: str
    ground: str
    current_a: float
    stops_below_v: float


@dataclass(frozen=True, slots=True)
class Input:
    """A controller input; ``pull`` is "up", "down" or "none".

    ``pull_to_v`` is the pull-up voltage; 0 means the controller's own supply.
    The input reads high above ``high_above_v`` and low again below ``low_below_v``.
    ``range_low_v``/``range_high_v`` bound a believable analogue signal (None: not watched).
    """

    pin: str
    pull: str
    pull_ohm: float
    pull_to_v: float
    high_above_v: float
    low_below_v: float
    range_low_v: float | None = None
    range_high_v: float | None = None


@dataclass(frozen=True, slots=True)
class Output:
    """A controller output; ``side`` "high" switches supply to the pin, "low" the pin to ground."""

    pin: str
    side: str
    on_resistance_ohm: float
    limit_a: float
    when: str


@dataclass(frozen=True, slots=True)
class Reference:
    """A regulated feed a controller gives to its sensors."""

    pin: str
    volts: float
    resistance_ohm: float


@dataclass(frozen=True, slots=True)
class BusMember:
    """Which pins of a controller sit on which bus, and how it is known there.

    ``address`` is its source address (SAE J1939-81) and ``period_s`` the time between its most frequent messages; None
    where the file does not say.
    """

    bus: str
    high: str
    low: str
    address: int | None = None
    period_s: float | None = None


@dataclass(frozen=True, slots=True)
class Code:
    """A trouble code a controller raises: SPN and FMI per SAE J1939-73, and the condition for it."""

    id: str
    spn: int
    fmi: int
    when: str
    text: str = ""


@dataclass(frozen=True, slots=True)
class Controller:
    """What a controller does, in terms of its own pins.

    Conditions are text in the small language of ``machine.conditions``; names in it are
    ``in.PIN`` (reads high), ``msg.NAME`` (received and true), ``heard.PART``, ``open.OUT``,
    ``trip.OUT``, ``above.PIN``, ``below.PIN`` and ``alive``.
    """

    supply: Supply
    inputs: Mapping[str, Input] = field(default_factory=dict)
    outputs: Mapping[str, Output] = field(default_factory=dict)
    references: Mapping[str, Reference] = field(default_factory=dict)
    buses: tuple[BusMember, ...] = ()
    sends: Mapping[str, str] = field(default_factory=dict)
    codes: Mapping[str, Code] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Part:
    """A part of some kind; ``values`` holds its attributes in SI, named as in the kind's table.

    ``plugs`` maps the part's pin to the (connector, cavity) it is reached through; a pin that is
    missing there is reached bare. ``assumed`` names attributes that came from defaults.
    """

    id: str
    kind: str
    name: str
    zone: str
    values: Mapping[str, Value]
    plugs: Mapping[str, tuple[str, str]] = field(default_factory=dict)
    access: tuple[str, ...] = ()
    controller: Controller | None = None
    assumed: frozenset[str] = frozenset()
    place: Place | None = None

    def number(self, name: str) -> float:
        """Attribute ``name`` as a float; KeyError or TypeError mean the kind table was bypassed."""
        value = self.values[name]
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise TypeError(f"{self.id}.{name} is not a number")
        return float(value)

    def text(self, name: str) -> str:
        """Attribute ``name`` as text."""
        return str(self.values[name])


@dataclass(frozen=True, slots=True)
class State:
    """How the machine is set.

    ``settings`` maps a part to a switch position ("on"), a closed/open sensor, a value in SI
    (ohm for a sender, share 0..1 for a three-wire sensor) or "running"/"stopped" for an alternator.
    Parts that are not named rest in their first position. ``dangers`` says what runs, moves or is raised in
    it, those of the states it is like included.
    """

    id: str
    name: str
    settings: Mapping[str, Value]
    minutes: float = 0.5
    cautions: tuple[str, ...] = ()
    dangers: tuple[str, ...] = ()
    place: Place | None = None


@dataclass(frozen=True, slots=True)
class Function:
    """What a person can observe the machine doing.

    ``watch`` is a part, or ``message@controller`` for an arriving message.
    ``measure`` is "volts" (share of the part's rated voltage), "amps" (share of rated current),
    "alive", "pulled" or "message". Level 2 (works) from ``full`` upward, 1 (weak) from ``weak``.
    ``expected`` gives "on" or "off" for the states in which a person would look.
    """

    id: str
    name: str
    watch: str
    measure: str
    full: float
    weak: float
    expected: Mapping[str, str]
    words: tuple[str, str, str] = ("off", "weak", "on")
    minutes: float = 0.5
    assumed: frozenset[str] = frozenset()
    place: Place | None = None


@dataclass(frozen=True, slots=True)
class Machine:
    """One kind of machine, whole and checked: every reference in it resolves.

    ``dangers`` maps the file's own dangers to what ends them, the first step before anyone goes in.
    """

    id: str
    name: str
    maker: str
    invented: bool
    system_v: float
    about: str
    bodies: tuple[str, ...]
    cautions: Mapping[str, Caution]
    access: Mapping[str, AccessStep]
    zones: Mapping[str, Zone]
    runs: Mapping[str, Run]
    connectors: Mapping[str, Connector]
    parts: Mapping[str, Part]
    wires: Mapping[str, Wire]
    states: Mapping[str, State]
    functions: Mapping[str, Function]
    buses: tuple[str, ...] = ()
    dangers: Mapping[str, str] = field(default_factory=dict)
    fingerprint: str = ""
    assumed: frozenset[str] = frozenset()

    def steps_for_zone(self, zone: str, extra: tuple[str, ...] = ()) -> tuple[str, ...]:
        """All access steps needed to reach ``zone`` (and ``extra``), prerequisites first."""
        order: list[str] = []

        def visit(step: str) -> None:
            if step in order:
                return
            for before in self.access[step].after:
                visit(before)
            order.append(step)

        for step in (*self.zones[zone].reach, *extra):
            visit(step)
        return tuple(order)

    def kept_out_by(self, zones: Iterable[str], steps: Iterable[str]) -> tuple[str, ...]:
        """The dangers that keep people out of ``zones`` and from behind access ``steps``, each once."""
        marks = [self.zones[zone].keep_out for zone in zones if zone]
        marks += [self.access[step].keep_out for step in steps]
        return tuple(dict.fromkeys(danger for mark in marks for danger in mark))

    def ends(self, danger: str) -> str:
        """What ends a danger, in words: the first step before anyone goes where it keeps people out."""
        return self.dangers.get(danger, ENGINE_OFF if danger == ENGINE else "")
