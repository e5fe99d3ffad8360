"""What every fault does in every state: node voltages, function levels and codes, computed when first asked.

A table has one line per row (fault at a severity) and a last line for the healthy machine. Voltages are those
before the meter is connected: every leak of the catalogue is far below a meter's 10 Mohm, so its loading stays
under one percent; points that float even on the healthy machine are flagged by their source impedance.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, fields
from functools import cached_property, partial
from operator import attrgetter
from threading import Lock
from typing import Protocol, TypeVar, cast

import numpy as np
from numpy.typing import NDArray

from halfsplit.circuit.batch import CHATTERS, amps_row, settle_batch, volts_row
from halfsplit.circuit.expansion import expand
from halfsplit.circuit.meters import unplugged as apart
from halfsplit.circuit.netlist import Netlist, OverCurrent
from halfsplit.circuit.observing import Readout, readout
from halfsplit.circuit.resting import switched_on
from halfsplit.circuit.spread import pair_spread, spread_rows
from halfsplit.circuit.system import System
from halfsplit.faults.applying import table_of_effects
from halfsplit.faults.catalogue import Effect
from halfsplit.faults.parted import KeptParted, Parted, parted_from_battery
from halfsplit.machine.model import Machine

Floats = NDArray[np.float64]
Shared = TypeVar("Shared")
#: Pairs of points whose spreads are held, one to two megabytes each; no source.
PAIRS_HELD = 96
#: Rows worked out together, so that beside the table little memory is needed; no source.
SETTLED_TOGETHER = 4096
#: Share of the system's voltage beyond which a spread is no straight line any more; no source.
STRAIGHT_SHARE = 0.1

Singles = NDArray[np.float32]

#: Relative standard deviation of part values between two machines of a kind; from memory.
TOLERANCE = {
    "wire:": 0.10, "contact:": 0.5, "terminal:": 0.5, "joint:": 0.5, "stud:": 0.5, "post:": 0.5,
    "pull:": 0.02, "top:": 0.02, "bottom:": 0.02, "ref:": 0.02,
}  # fmt: skip
LOAD_TOLERANCE = 0.08
SWITCH_TOLERANCE = 0.3
#: Standard deviation of a battery's rested voltage between good batteries, for a 12 V system; from
#: electrical_limits.csv ocv12-50 to ocv12-100 (published): 12.24 to 12.65 V, taken as four deviations.
EMF_SPREAD_12V = 0.12


@dataclass(frozen=True, eq=False)
class Lines:
    """Predictions for some sets of effects in one state, one line each.

    ``volts`` ``[lines, nodes]`` in V, ``levels`` ``[lines, functions]``, ``codes`` ``[lines, codes]``,
    ``chatters`` ``[lines]``, ``blown`` ``[lines, fuses]`` (fuses, breakers and tripped outputs). ``effects`` are
    the sets the lines were made from, one each, None when that is not known any more.
    """

    volts: Singles
    levels: Singles
    codes: NDArray[np.bool_]
    chatters: NDArray[np.bool_]
    blown: NDArray[np.bool_]
    effects: tuple[tuple[Effect, ...], ...] | None = None

    def take(self, chosen: NDArray[np.int64]) -> Lines:
        """Some of the lines, in the given order."""
        effects = None if self.effects is None else tuple(self.effects[at] for at in chosen.tolist())
        return Lines(
            self.volts[chosen], self.levels[chosen], self.codes[chosen], self.chatters[chosen],
            self.blown[chosen], effects,
        )  # fmt: skip

    def joined(self, other: Lines) -> Lines:
        """These lines and then those of ``other``."""
        known = self.effects is not None and other.effects is not None
        return Lines(
            np.concatenate([self.volts, other.volts]),
            np.concatenate([self.levels, other.levels]),
            np.concatenate([self.codes, other.codes]),
            np.concatenate([self.chatters, other.chatters]),
            np.concatenate([self.blown, other.blown]),
            (*(self.effects or ()), *(other.effects or ())) if known else None,
        )


def scatter(machine: Machine, netlist: Netlist) -> tuple[Floats, Floats]:
    """How good machines differ: one standard deviation of every element's ohms, as a share, and of its EMF in V.

    ``[elements]`` each.
    """
    share = np.zeros(netlist.current_count)
    emf = np.zeros(netlist.current_count)
    for at, branch in enumerate(netlist.branches):
        share[at] = next(
            (value for kind, value in TOLERANCE.items() if branch.name.startswith(kind)), LOAD_TOLERANCE
        )
        if branch.name.startswith("cell:"):
            emf[at] = EMF_SPREAD_12V * machine.system_v / 12.0
    share[len(netlist.branches) : len(netlist.branches) + len(netlist.switches)] = SWITCH_TOLERANCE
    return share, emf


def tolerances(machine: Machine, system: System) -> tuple[Floats, Floats]:
    """Standard deviations of every element between good machines in one state: ohm and V, ``[elements]`` each.

    An element that its controller moves from one resistance to another has the tolerance of what it has now.
    """
    share, emf = scatter(machine, system.netlist)
    ohm, _ = system.c.resistances(system.booleans)
    finite = np.zeros(len(share))
    finite[: len(ohm)] = np.where(np.isfinite(ohm), ohm, 0.0)[: len(share)]
    return share * finite, emf


@dataclass(frozen=True, eq=False)
class Kept:
    """What a state table took long to work out, to be kept between runs.

    The arrays of :class:`Lines` without their effects, ``spread_v`` ``[nodes, elements]`` in V as
    :func:`halfsplit.circuit.spread.spread_rows` gives it, and how the healthy machine rests: ``resting``
    ``[devices]`` and ``start_v`` ``[diodes]`` in V, see :class:`halfsplit.circuit.system.System`. They may be
    read-only.
    """

    volts: Singles
    levels: Singles
    codes: NDArray[np.bool_]
    chatters: NDArray[np.bool_]
    blown: NDArray[np.bool_]
    spread_v: Floats
    resting: NDArray[np.bool_]
    start_v: Floats


Begin = Callable[[Callable[[], Kept]], Callable[[], Kept | None] | None]
"""Begins a piece of work elsewhere and gives what waits for its result (None: it failed, and must be done here).

None where there is no room for it.
"""


class TableStore(Protocol):
    """A place where tables are kept between runs, by key; what it gives back it gives back unchanged, or not."""

    def get(self, key: str) -> Kept | None:
        """The table kept under ``key``, None when there is none that is whole."""
        ...

    def put(self, key: str, kept: Kept) -> None:
        """Keeps a table; one that cannot be kept is let go."""
        ...

    def get_parted(self, key: str) -> KeptParted | None:
        """The rows of that table that part a battery or a body, None when there are none that are whole."""
        ...

    def put_parted(self, key: str, kept: KeptParted) -> None:
        """Keeps these; what cannot be kept is let go."""
        ...


@dataclass(frozen=True, slots=True)
class Shelf:
    """The place in a store that belongs to one table."""

    store: TableStore
    key: str

    def get_parted(self) -> KeptParted | None:
        """See :class:`TableStore`."""
        return self.store.get_parted(self.key)

    def put_parted(self, kept: KeptParted) -> None:
        """See :class:`TableStore`."""
        self.store.put_parted(self.key, kept)


_FIELDS = attrgetter(*(field.name for field in fields(Effect)))


def content_key(machine: Machine, effects: Sequence[tuple[Effect, ...]]) -> str:
    """A text of 64 digits that is another one when anything in the machine or the effects is.

    SHA-256 (FIPS 180-4) of both written out; the same in every run of one version of the program.
    """
    # Where in which file something stands changes nothing; sets are written in an order that differs from run to run.
    placed = re.sub(r"Place\(file=(?:'[^']*'|\"[^\"]*\"), line=\d+\)", "", repr(machine))
    written = re.sub(r"frozenset\(\{([^}]*)\}\)", lambda found: str(sorted(found[1].split(", "))), placed)
    # The fields of each effect in a tuple: written out in a tenth of the time that the effects take.
    plain = [[_FIELDS(effect) for effect in one] for one in effects]
    return hashlib.sha256(f"{written}\n{plain!r}".encode()).hexdigest()


class StateTable:
    """All predictions of one state. ``lines`` holds every row of the catalogue, the healthy machine last.

    With ``kept`` of the same machine, state and effects nothing is worked out again; one whose shapes do not fit
    is left aside (``made_anew`` tells).
    """

    def __init__(
        self, machine: Machine, state: str, effects: Sequence[tuple[Effect, ...]], kept: Kept | None = None
    ) -> None:
        self.machine = machine
        self.state = state
        self.netlist: Netlist = expand(machine, machine.states[state])
        self.readout: Readout = readout(machine, self.netlist)
        self.nodes = self.netlist.node_index
        #: Where what is worked out of the table at the first reading is kept between runs.
        self.shelf: Shelf | None = None
        self._parted_pairs: dict[tuple[str, str], tuple[NDArray[np.int64], Floats, Floats]] = {}
        self.functions = {name: at for at, name in enumerate(machine.functions)}
        self.codes = {
            name: at for at, name in enumerate((*self.readout.code_names, *self.readout.silence_names))
        }
        #: How many of them are codes; silences on the bus come after, and no service tool shows those.
        self.read_out = len(self.readout.code_names)
        fuses = [
            (at, device.name.partition(":")[2])
            for at, device in enumerate(self.netlist.devices)
            if isinstance(device, OverCurrent)
        ]
        self._fuse_at = np.array([at for at, _ in fuses], dtype=np.int64)
        self.fuses = tuple(name for _, name in fuses)
        self._rows = np.array(
            [volts_row(self.netlist, node) for node in self.netlist.nodes]
            + [amps_row(self.netlist, name) for name in self.readout.carriers],
            dtype=np.int64,
        )
        sets = (*effects, ())
        self.made_anew = kept is None or not self._fits(kept, len(sets))
        if kept is None or self.made_anew:
            self.lines = self.predict(sets)
        else:
            self.lines = Lines(kept.volts, kept.levels, kept.codes, kept.chatters, kept.blown, sets)
            # What the cached properties would work out.
            self.__dict__["_spread"] = kept.spread_v
            self.__dict__["_rest"] = kept.resting, kept.start_v

    def _fits(self, kept: Kept, lines: int) -> bool:
        nodes = len(self.netlist.nodes)
        shapes = {
            "volts": (lines, nodes), "levels": (lines, len(self.functions)), "codes": (lines, len(self.codes)),
            "chatters": (lines,), "blown": (lines, len(self.fuses)), "spread_v": (nodes, self.netlist.current_count),
            "resting": (len(self.netlist.devices),), "start_v": (len(self.netlist.diodes),),
        }  # fmt: skip
        return all(getattr(kept, name).shape == shape for name, shape in shapes.items())

    def keep(self) -> Kept:
        """What is worth keeping of this table."""
        lines = self.lines
        return Kept(lines.volts, lines.levels, lines.codes, lines.chatters, lines.blown, self._spread, *self._rest)

    @cached_property
    def system(self) -> System:
        """The healthy circuit of this state, solved and factorised when first needed."""
        if "_rest" not in self.__dict__:
            return switched_on(self.netlist)
        resting, start_v = self._rest
        return System(self.netlist, resting, start_v=start_v)

    @cached_property
    def _rest(self) -> tuple[NDArray[np.bool_], Floats]:
        return self.system.booleans, self.system.start_v

    def predict(self, effects: Sequence[tuple[Effect, ...]]) -> Lines:
        """Predictions for each set of effects, in order; exact for several faults at once."""
        return self.predict_in(self.system, effects, effects)

    def predict_in(
        self, system: System, whole: Sequence[tuple[Effect, ...]], effects: Sequence[tuple[Effect, ...]]
    ) -> Lines:
        """The same in a circuit with the names of this one; ``whole`` are the changes, ``effects`` go on the lines."""
        table = table_of_effects(system.netlist, whole)
        count = len(self.netlist.nodes)
        lines = Lines(
            volts=np.empty((table.count, count), dtype=np.float32),
            levels=np.empty((table.count, len(self.functions)), dtype=np.float32),
            codes=np.empty((table.count, len(self.codes)), dtype=np.bool_),
            chatters=np.empty(table.count, dtype=np.bool_),
            blown=np.empty((table.count, len(self.fuses)), dtype=np.bool_),
            effects=tuple(effects),
        )
        for start in range(0, table.count, SETTLED_TOGETHER):
            at = slice(start, min(start + SETTLED_TOGETHER, table.count))
            part = table.part(np.arange(at.start, at.stop))
            outcome = settle_batch(system, part, self._rows, second_start=False)
            amps = outcome.readings[:, count:]
            lines.volts[at] = outcome.readings[:, :count]
            lines.levels[at] = self.readout.levels(amps, outcome.booleans)
            lines.codes[at, : self.read_out] = self.readout.active(amps, outcome.booleans)
            lines.codes[at, self.read_out :] = self.readout.silent(amps, outcome.booleans)
            lines.chatters[at] = outcome.kind == CHATTERS
            lines.blown[at] = outcome.booleans[:, self._fuse_at]
        return lines

    @cached_property
    def _spread(self) -> Floats:
        return spread_rows(self.system, *tolerances(self.machine, self.system))

    def spread_row(self, plus: str, minus: str) -> Floats:
        """What one deviation of each element does to the healthy voltage between two nodes, ``[elements]``."""
        row: Floats = self._spread[self.nodes[plus]] - self._spread[self.nodes[minus]]
        return row

    def spread_v(self, plus: str, minus: str) -> float:
        """Standard deviation in V of the healthy voltage between two nodes over machines of this kind."""
        column = self._spread[self.nodes[plus]] - self._spread[self.nodes[minus]]
        return float(np.sqrt(column @ column))

    def spreads_v(self, plus: NDArray[np.int64], minus: NDArray[np.int64]) -> Floats:
        """The same for many pairs at once, by node index."""
        column = self._spread[plus] - self._spread[minus]
        result: Floats = np.sqrt(np.einsum("ij,ij->i", column, column))
        return result


    @cached_property
    def parted(self) -> Parted:
        """The rows that part a battery or a body from the rest, with how readings scatter then."""
        effects = (self.lines.effects or ())[:-1]
        kept = None if self.shelf is None else self.shelf.get_parted()
        found = None if kept is None else kept.taken_up(self.system, len(effects))
        if found is None:
            sigma = tolerances(self.machine, self.system)
            found = parted_from_battery(self.machine, self.system, effects, self.lines.volts, *sigma)
            if self.shelf is not None:
                self.shelf.put_parted(found.keep())
        return found

    def parted_spread(self, plus: str, minus: str) -> tuple[NDArray[np.int64], Floats, Floats]:
        """Rows whose fault makes readings scatter anew, what each element does then, and how far the voltage goes.

        In V, ``[rows, elements]`` for one deviation of each element, and ``[rows]`` for one of the voltage. No longer
        than the straight line from one deviation can hold.
        """
        key = (plus, minus)
        found = self._parted_pairs.get(key)
        if found is None:
            spread = self.parted.spread.pair(self.nodes[plus], self.nodes[minus])
            length = np.sqrt(np.einsum("ij,ij->i", spread, spread))
            most = STRAIGHT_SHARE * self.machine.system_v
            spread *= np.minimum(1.0, most / np.maximum(length, most))[:, None]
            deviation = np.minimum(length, most)
            known = self.parted.spread.known
            while len(self._parted_pairs) >= PAIRS_HELD:
                self._parted_pairs.pop(next(iter(self._parted_pairs)), None)
            found = self._parted_pairs[key] = self.parted.rows[known], spread[known], deviation[known]
        return found


class ApartTable:
    """Predictions of one state with connectors held apart and fuses pulled, a new circuit of its own.

    Lines are made for the rows asked for and kept. Fuses that a fault blows while everything is plugged stay
    blown: the connectors come apart afterwards, and nobody has fitted new ones.
    """

    def __init__(
        self, plugged: StateTable, effects: Sequence[tuple[Effect, ...]], unplugged: tuple[str, ...]
    ) -> None:
        self.plugged = plugged
        self._effects = effects
        machine = plugged.machine
        contacts = tuple(f"contact:{name}." for name in unplugged if name in machine.connectors)
        names = [branch.name for branch in plugged.netlist.branches if contacts and branch.name.startswith(contacts)]
        self._pulled = tuple(opened(name) for name in unplugged if name in machine.parts)
        self.system = switched_on(apart(plugged.netlist, names))
        self._at = np.full(len(effects) + 1, -1, dtype=np.int64)
        self._lines: Lines | None = None
        self._lock = Lock()

    def lines(self, rows: NDArray[np.int64]) -> Lines:
        """Lines for ``rows`` of the catalogue, in their order; the row after the last is the healthy machine."""
        with self._lock:
            missing = np.unique(rows[self._at[rows] < 0])
            if len(missing) or self._lines is None:
                sets = [self._effects[row] if row < len(self._effects) else () for row in missing.tolist()]
                made = self.predict(sets, self.plugged.lines.blown[missing])
                self._at[missing] = np.arange(len(missing)) + (0 if self._lines is None else len(self._lines.chatters))
                self._lines = made if self._lines is None else self._lines.joined(made)
            return self._lines.take(self._at[rows])

    def predict(self, effects: Sequence[tuple[Effect, ...]], blown: NDArray[np.bool_]) -> Lines:
        """Predictions for sets of effects whose fuses ``blown`` ``[sets, fuses]`` blew before."""
        fuses = [name if name in self.plugged.machine.parts else "" for name in self.plugged.fuses]
        whole = [
            (*one, *self._pulled, *(opened(fuses[at]) for at in np.flatnonzero(gone) if fuses[at]))
            for one, gone in zip(effects, blown, strict=True)
        ]
        return self.plugged.predict_in(self.system, whole, effects)

    def spread_v(self, plus: str, minus: str) -> float:
        """Standard deviation in V of the healthy voltage between two nodes over machines of this kind."""
        nodes = self.plugged.nodes
        sigma = tolerances(self.plugged.machine, self.system)
        pair = np.array([nodes[plus]]), np.array([nodes[minus]])
        return float(pair_spread(self.system, *pair, *sigma)[0])


def opened(fuse: str) -> Effect:
    """What a fuse that is out or blown does."""
    return Effect("series", f"fuse:{fuse}", "", float("inf"))


def worked_out(machine: Machine, effects: Sequence[tuple[Effect, ...]], state: str) -> Kept:
    """The table of a state as it is kept; a function that another process can be sent."""
    return StateTable(machine, state, effects).keep()


class Signatures:
    """The state tables of one machine, made on demand and held; safe to share between threads.

    With ``store`` they are kept between runs too.
    """

    def __init__(
        self, machine: Machine, effects: Sequence[tuple[Effect, ...]], store: TableStore | None = None
    ) -> None:
        self.machine = machine
        self.effects = tuple(effects)
        self._store = store
        self._tables: dict[str, StateTable] = {}
        self._apart: dict[tuple[str, tuple[str, ...]], ApartTable] = {}
        self._shared: dict[object, object] = {}
        self._lock = Lock()

    def shared(self, kind: Callable[[Signatures], Shared]) -> Shared:
        """What ``kind`` makes of the signatures of this machine, made once and shared by all who ask."""
        with self._lock:
            if kind not in self._shared:
                self._shared[kind] = kind(self)
            return cast("Shared", self._shared[kind])

    def state(self, name: str) -> StateTable:
        """The table of a state."""
        with self._lock:
            if name not in self._tables:
                self._tables[name] = self._made(name, self._kept(name))
            return self._tables[name]

    def prepare(self, names: Sequence[str], begin: Begin | None = None) -> None:
        """Makes the tables of some states; with ``begin`` those after the first are worked out elsewhere meanwhile."""
        with self._lock:
            kept = {name: self._kept(name) for name in dict.fromkeys(names) if name not in self._tables}
            missing = [name for name, found in kept.items() if found is None]
            away: dict[str, Callable[[], Kept | None]] = {}
            for name in missing[1:]:
                begun = None if begin is None else begin(partial(worked_out, self.machine, self.effects, name))
                if begun is not None:
                    away[name] = begun
            for name, found in kept.items():
                if name not in away:
                    self._tables[name] = self._made(name, found)
            for name, one in away.items():
                self._tables[name] = self._made(name, one(), put=True)

    @cached_property
    def _content(self) -> str:
        return content_key(self.machine, self.effects)

    def _key(self, name: str) -> str:
        return hashlib.sha256(f"{self._content} {name}".encode()).hexdigest()

    def _kept(self, name: str) -> Kept | None:
        return None if self._store is None else self._store.get(self._key(name))

    def _made(self, name: str, kept: Kept | None, *, put: bool = False) -> StateTable:
        """A table from what is ``kept`` of it; ``put``: although there is something kept, the store has it not."""
        table = StateTable(self.machine, name, self.effects, kept)
        if self._store is not None:
            table.shelf = Shelf(self._store, self._key(name))
            if put or table.made_anew:
                self._store.put(self._key(name), table.keep())
        return table

    def apart(self, name: str, unplugged: Sequence[str]) -> ApartTable:
        """The table of a state with connectors held apart and fuses pulled; their order does not matter."""
        key = (name, tuple(sorted(set(unplugged))))
        plugged = self.state(name)
        with self._lock:
            if key not in self._apart:
                self._apart[key] = ApartTable(plugged, self.effects, key[1])
            return self._apart[key]
