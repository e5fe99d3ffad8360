"""What a test lamp shows between two points: dark, dim or lit, the lamp's own load included.

A lamp draws a hundred thousand times what a meter draws, so a feed that hangs by a strand shows its full voltage
on a meter and leaves the lamp dark. ``V_lamp = V_open R / (R + Z)``, with Z the resistance of everything that
feeds the points, each hypothesis its own. Most hypotheses lie nowhere near the lamp's own path: for those Z is
the healthy one. Only the others are solved again with the lamp in place, things that switch included.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr

from halfsplit.circuit.batch import settle_batch, volts_row
from halfsplit.circuit.changes import Shunt
from halfsplit.diagnosis.held import Held
from halfsplit.diagnosis.likelihood import anywhere, chances_at_places
from halfsplit.diagnosis.space import Beside, Floats, Ints
from halfsplit.faults.applying import changes
from halfsplit.faults.catalogue import Effect
from halfsplit.faults.signatures import Signatures, StateTable
from halfsplit.machine.model import Machine

#: A test lamp of the machine's voltage; 6 W makes about 24 ohm at 12 V (design part 6) and 96 ohm at 24 V (power
#: law). The cold filament is lower; it is taken as constant, because a dark lamp tells the same either way.
LAMP_W = 6.0
#: Shares of the machine's voltage from which a lamp glows and from which it is called lit. Light goes with the
#: power 3.4 of the voltage (handbook value, from memory): 2 % and 47 % of full light.
GLOWS_AT = 0.3
LIT_AT = 0.8
#: Where the edges lie for this person in this light, one deviation as a share of the edge; from memory.
LIT_EDGE = 0.08
GLOW_EDGE = 0.25
#: A lamp is read wrongly, or held to the wrong point, this often (wrong pin 1 to 3 %: methods.md part 4).
LAMP_MISREAD = 0.03
#: Below this share of the machine's voltage a lamp is dark whatever feeds it.
NO_LIGHT = 0.1
#: A hypothesis is solved with the lamp when it may add this share of the lamp's resistance to what feeds it, or
#: when it moves the open voltage by that share of the machine's: then something else may feed the point. Smaller
#: changes of voltage come from a sagging supply, which feeds a lamp as well as before.
NOTICED = 0.02
FED_ANEW = 0.15
#: Pairs of points held for a machine, a number for each row; no source.
PAIRS_HELD = 96


def lamp_ohm(machine: Machine) -> float:
    """Resistance in ohm of the test lamp for a machine."""
    return machine.system_v**2 / LAMP_W


def lamp_chances(volts: Floats, system_v: float) -> Floats:
    """Chances of dark, dim and lit for lamp voltages ``[n]``; shape ``[n, 3]``."""
    share = np.abs(volts) / system_v
    lit = ndtr((share - LIT_AT) / (LIT_EDGE * LIT_AT))
    glows = ndtr((share - GLOWS_AT) / (GLOW_EDGE * GLOWS_AT))
    lit = np.minimum(lit, glows)
    return np.stack([1.0 - glows, glows - lit, lit], axis=1)


def row_chances(volts: Floats, system_v: float, near: Beside) -> Floats:
    """The same for every row and the healthy machine; the true severity lies anywhere between two of the grid."""
    return anywhere(lamp_places(volts, system_v, near))


def lamp_places(volts: Floats, system_v: float, near: Beside) -> Floats:
    """The same wherever the severity lies, ``[3, rows + 1, 3]``."""
    return chances_at_places(volts, near, lambda some: lamp_chances(some, system_v))


def lamp_likelihood(value: float, chances: Floats) -> Floats:
    """Likelihood of a lamp seen dark (0), dim (1) or lit (2) for chances ``[..., 3]``; never below a floor."""
    at = min(2, max(0, round(value)))
    result: Floats = (1.0 - LAMP_MISREAD) * chances[..., at] + LAMP_MISREAD / 3.0
    return result


@dataclass(frozen=True, eq=False)
class _Places:
    """Where every row's effects act: series (row, element, ohm) and shunts (row, node, node, siemens)."""

    series_row: Ints
    element: Ints
    ohm: Floats
    shunt_row: Ints
    a: Ints
    b: Ints
    siemens: Floats


def _places(table: StateTable, effects: Sequence[tuple[Effect, ...]]) -> _Places:
    elements, nodes = table.netlist.branch_index, table.nodes
    series = [
        (row, elements[one.a], one.value)
        for row, several in enumerate(effects)
        for one in several
        if one.kind == "series" and one.a in elements
    ]
    shunts = [
        (row, nodes[one.a], nodes[one.b], 1.0 / one.value)
        for row, several in enumerate(effects)
        for one in several
        if one.kind == "shunt" and one.a in nodes and one.b in nodes
    ]
    one, two = np.array(series).reshape(-1, 3), np.array(shunts).reshape(-1, 4)
    return _Places(
        one[:, 0].astype(np.int64), one[:, 1].astype(np.int64), one[:, 2],
        two[:, 0].astype(np.int64), two[:, 1].astype(np.int64), two[:, 2].astype(np.int64), two[:, 3],
    )  # fmt: skip


class LampTables:
    """Predicted lamp voltages by state and pair of points, kept once computed."""

    def __init__(self, signatures: Signatures) -> None:
        self._signatures = signatures
        self._ohm = lamp_ohm(signatures.machine)
        self.system_v = signatures.machine.system_v
        self._places: dict[str, _Places] = {}
        self._volts: Held[tuple[str, str, str], Floats] = Held(PAIRS_HELD)

    def volts(self, state: str, plus: str, minus: str) -> Floats:
        """V across the lamp for every row and the healthy machine, ``[rows + 1]``."""
        return self._volts.get(
            (state, plus, minus), lambda: self._predicted(self._signatures.state(state), plus, minus)
        )

    def of_sets(
        self, state: str, plus: str, minus: str, effects: Sequence[tuple[Effect, ...]]
    ) -> Floats:
        """V across the lamp for sets of effects, each solved with the lamp in place, ``[sets]``."""
        table = self._signatures.state(state)
        lamp = Shunt(plus, minus, 1.0 / self._ohm)
        sets = [(*changes(table.netlist, one), lamp) for one in effects]
        row = volts_row(table.netlist, plus, minus)
        return settle_batch(table.system, sets, [row], second_start=False).readings[:, 0]

    def _predicted(self, table: StateTable, plus: str, minus: str) -> Floats:
        effects, system_v = self._signatures.effects, self._signatures.machine.system_v
        a, b = table.nodes[plus], table.nodes[minus]
        open_v = table.lines.volts[:, a].astype(np.float64) - table.lines.volts[:, b]
        # What one ampere through the lamp does to the healthy circuit: which elements and pairs it reaches.
        system = table.system
        side = np.zeros(system.c.size)
        side[a] += a != system.c.reference
        side[b] -= b != system.c.reference
        reach = system.factor.solve(side)
        healthy_ohm = float(reach[a] - reach[b])
        healthy_v = float(self.of_sets(table.state, plus, minus, [()])[0])
        if abs(open_v[-1]) > NO_LIGHT * system_v and abs(healthy_v) > 1e-6:
            # Behind a diode the tangent misjudges the resistance; what the lamp itself finds counts.
            healthy_ohm = self._ohm * max(float(open_v[-1]) / healthy_v - 1.0, 0.0)
        lamp_v = open_v * self._ohm / (self._ohm + healthy_ohm)
        lamp_v[-1] = healthy_v
        solve = self._near(table, reach, healthy_ohm)
        solve |= np.abs(open_v[:-1] - open_v[-1]) > FED_ANEW * system_v
        rows = np.flatnonzero(solve & (np.abs(open_v[:-1]) > NO_LIGHT * system_v))
        if len(rows):
            lamp_v[rows] = self.of_sets(table.state, plus, minus, [effects[row] for row in rows.tolist()])
        return lamp_v

    def _near(self, table: StateTable, reach: Floats, healthy_ohm: float) -> np.typing.NDArray[np.bool_]:
        """Rows whose fault may change what feeds the lamp, ``[rows]``.

        A series resistance r in an element that takes the share c of the lamp's current adds at most ``c^2 r``
        to Z. A conductance only takes from Z, so it counts only where Z does.
        """
        if table.state not in self._places:
            self._places[table.state] = _places(table, self._signatures.effects)
        at = self._places[table.state]
        near = np.zeros(len(self._signatures.effects), dtype=np.bool_)
        share = reach[len(table.nodes) + at.element]
        with np.errstate(invalid="ignore"):
            added = np.where(np.abs(share) < 1e-4, 0.0, share**2 * at.ohm)
        near[at.series_row[added > NOTICED * self._ohm]] = True
        if healthy_ohm > NOTICED * self._ohm:
            less = (reach[at.a] - reach[at.b]) ** 2 * at.siemens
            near[at.shunt_row[less > NOTICED * self._ohm]] = True
        return near
