"""Many change sets seen from one state: the ports each brings along and those that devices and diodes add.

Changes on elements that devices move too (a relay's contact, a fuse, a diode) are folded into the law the
devices give the element, so that an element is never two ports.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cached_property

import numpy as np
from scipy.sparse import csr_matrix

from halfsplit.circuit import diodes
from halfsplit.circuit.changes import ChangeTable
from halfsplit.circuit.ports import Ports, groups, joined, packed, solve_forces
from halfsplit.circuit.stamps import Bools, ElementValues, Floats, Ints, Targets, diode_targets, targets_of
from halfsplit.circuit.system import Places, System


class ChangedSets:
    """Change sets of one table seen from one system: their own ports, and those the devices add."""

    def __init__(self, system: System, table: ChangeTable, sets: Ints, diode_tolerance_v: float) -> None:
        self.system, self.c, self.table = system, system.c, table
        self.sets = sets
        self.forced = table.forced[sets]
        self.diode_tolerance_v = diode_tolerance_v
        c = self.c
        self.reactive = c.reactive_elements()
        self.plain_reactive = self.reactive[self.reactive < c.first_diode]
        self.reactive_values = ElementValues(c, self.plain_reactive)
        at_reactive = np.full(c.m, -1, dtype=np.int64)
        at_reactive[self.reactive] = np.arange(len(self.reactive))
        local = np.full(table.count, -1, dtype=np.int64)
        local[sets] = np.arange(len(sets))
        mine = local[table.element_set] >= 0
        row, element = local[table.element_set[mine]], table.element[mine]
        ohm, volts = table.element_ohm[mine], table.element_v[mine]
        self.rows_of_changes = (row, element, ohm, volts)
        # Changes on reactive elements are folded into the law the devices give the element.
        self.added_ohm = np.zeros((len(sets), len(self.reactive)))
        self.added_v = np.zeros((len(sets), len(self.reactive)))
        folded = at_reactive[element] >= 0
        self.added_ohm[row[folded], at_reactive[element[folded]]] = ohm[folded]
        self.added_v[row[folded], at_reactive[element[folded]]] = volts[folded]
        self.touched = np.zeros((len(sets), len(self.reactive)), dtype=np.bool_)
        self.touched[row[folded], at_reactive[element[folded]]] = True
        keep = ~folded
        shunt = local[table.shunt_set] >= 0
        self.own = self._own_ports(
            row=row[keep],
            element=element[keep],
            ohm=ohm[keep],
            volts=volts[keep],
            shunt_row=local[table.shunt_set[shunt]],
            shunt_a=table.shunt_a[shunt],
            shunt_b=table.shunt_b[shunt],
            siemens=table.shunt_siemens[shunt],
        )
        sense = system.senses
        self.probe_sign = np.zeros((c.m, len(c.sender_high)))
        column = np.arange(len(c.sender_high))
        self.probe_sign[c.sender_high, column] += 1.0
        self.probe_sign[c.sender_low, column] -= 1.0
        self.probe_at = self.probe_sign * system.laws.rho[:, None]
        needed = [
            self.own.place.in_plus.ravel(),
            self.own.place.in_minus.ravel(),
            c.n + self.reactive,
            c.n + c.sender_high,
            c.n + c.sender_low,
        ]
        self.needed = np.unique(np.concatenate(needed))
        self.sense_0 = system.solution[sense.plus] - system.solution[sense.minus]
        self.reactive_places = system.element_places(self.reactive)

    @cached_property
    def columns(self) -> Floats:
        """The columns that changes and devices need, as :meth:`System.columns` gives them."""
        return self.system.columns(self.needed)

    @cached_property
    def acting(self) -> Ints:
        """Where forces act: pairs of unknowns as one number each, sorted; the last is the padding's."""
        c, own = self.c, self._keys(self.own.place)
        reactive = (c.n + self.reactive) * c.size + c.reference
        return np.unique(np.concatenate([own.ravel(), reactive, [c.reference * c.size + c.reference]]))

    @cached_property
    def sense_columns(self) -> Floats:
        """What a unit force at each place does to what the devices see, ``[places, senses]``."""
        return self.by_rows(self.system.senses.plus, self.system.senses.minus)

    @cached_property
    def link_columns(self) -> Floats:
        """The same for the lines of the bus links."""
        return np.ascontiguousarray(self.sense_columns[:, self.system.senses.link_v])

    @cached_property
    def probe_0(self) -> Floats:
        """Responses of the whole circuit to each sender before any change, ``[unknowns, senders]``."""
        sending = np.flatnonzero(np.abs(self.probe_sign).sum(axis=1) > 0.0)
        result: Floats = -(self.system.some_columns(self.c.n + sending).T @ self.probe_at[sending])
        return result

    def _keys(self, place: Places) -> Ints:
        keys: Ints = place.in_plus * self.c.size + place.in_minus
        return keys

    def acting_at(self, place: Places) -> Ints:
        """Which of the places where forces act each place is: the row of :meth:`by_rows`."""
        return np.searchsorted(self.acting, self._keys(place))

    def by_rows(self, plus: Ints, minus: Ints) -> Floats:
        """What a unit force at each place where one acts does to some pairs of unknowns, ``[places, pairs]``."""
        in_plus, in_minus = np.divmod(self.acting, self.c.size)
        whole = self.columns[in_plus]
        double = np.flatnonzero(in_minus != self.c.reference)
        whole[double] -= self.columns[in_minus[double]]
        result: Floats = whole.take(plus, axis=1)
        against = np.flatnonzero(minus != self.c.reference)
        result[:, against] -= whole.take(minus[against], axis=1)
        return result

    def _own_ports(
        self,
        *,
        row: Ints,
        element: Ints,
        ohm: Floats,
        volts: Floats,
        shunt_row: Ints,
        shunt_a: Ints,
        shunt_b: Ints,
        siemens: Floats,
    ) -> Ports:
        """Ports of changes on elements no device touches, and of shunts, packed to the left: ``[F, K]``."""
        system, c = self.system, self.c
        place = system.element_places(element)
        resistance, emf = c.resistances(system.booleans)
        wanted = targets_of(resistance[element] + ohm, emf[element] + volts)
        alpha, beta, gamma = system.element_coefficients(element, wanted)
        weight = np.maximum(siemens, 1.0)
        rows = np.concatenate([row, shunt_row])
        order = np.argsort(rows, kind="stable")
        rows = rows[order]
        count = np.bincount(rows, minlength=len(self.sets))
        width = int(count.max(initial=0))
        slot = np.arange(len(rows)) - np.repeat(np.cumsum(count) - count, count)

        def whole(values: Ints, more: Ints, fill: int) -> Ints:
            array = np.full((len(self.sets), width), fill, dtype=np.int64)
            array[rows, slot] = np.concatenate([values, more])[order]
            return array

        def real(values: Floats, more: Floats) -> Floats:
            array = np.zeros((len(self.sets), width))
            array[rows, slot] = np.concatenate([values, more])[order]
            return array

        used = np.arange(width) < count[:, None]
        ref = c.reference
        return Ports(
            Places(
                whole(place.in_plus, shunt_a, ref),
                whole(place.in_minus, shunt_b, ref),
                whole(place.out_plus, shunt_a, ref),
                whole(place.out_minus, shunt_b, ref),
            ),
            real(alpha, 1.0 / weight),
            real(beta, siemens / weight),
            real(gamma, np.zeros(len(siemens))),
            whole(element, np.full(len(siemens), -1), -1),
            used,
        )

    def reactive_ports(self, at: Ints, booleans: Bools, conductance: Floats, offset: Floats) -> Ports:
        """Ports of the elements moved by devices, diodes or the change set, ``[len(at), reactive]``."""
        system = self.system
        resistance, emf = self.reactive_values(booleans)
        ohm, volts = self.added_ohm[at], self.added_v[at]
        split = len(self.plain_reactive)
        laws = targets_of(resistance + ohm[:, :split], emf + volts[:, :split])
        junction = diode_targets(conductance, offset, ohm[:, split:])
        wanted = Targets(
            np.concatenate([laws.rho, junction.rho], axis=1),
            np.concatenate([laws.sigma, junction.sigma], axis=1),
            np.concatenate([laws.tau, junction.tau], axis=1),
        )
        alpha, beta, gamma = system.element_coefficients(self.reactive, wanted)
        used = (
            (wanted.rho != system.laws.rho[self.reactive])
            | (wanted.sigma != system.laws.sigma[self.reactive])
            | (wanted.tau != system.laws.tau[self.reactive])
        )
        shape = used.shape
        place = self.reactive_places

        def spread(values: Ints) -> Ints:
            return np.broadcast_to(values, shape)

        return Ports(
            Places(
                spread(place.in_plus), spread(place.in_minus), spread(place.out_plus), spread(place.out_minus)
            ),
            alpha,
            beta,
            gamma,
            spread(self.reactive),
            used,
        )

    def ports(self, at: Ints, booleans: Bools, conductance: Floats, offset: Floats) -> Ports:
        """All ports of some change sets with these device values and diode tangents."""
        own = self.own.take(at, self.own.used.shape[1])
        return packed(joined(own, self.reactive_ports(at, booleans, conductance, offset)))

    def forces(self, ports: Ports) -> tuple[Floats, Floats]:
        """Forces of all ports, and per sender; zeros on padding."""
        system = self.system
        force = np.zeros(ports.used.shape)
        per_sender = np.zeros((*ports.used.shape, len(self.c.sender_high)))
        for rows, width in groups(ports):
            group = ports.take(rows, width)
            place = group.place
            before = system.solution[place.out_plus] - system.solution[place.out_minus]
            probes = group.beta[:, :, None] * (self.probe_0[place.out_plus] - self.probe_0[place.out_minus])
            if probes.shape[2]:
                # A sender's branch that is open in this state and closes brings its step along.
                is_element = group.element >= 0
                voltage = is_element & ~system.answers_with_current[group.element]
                probes += np.where(voltage[:, :, None], self.probe_sign[group.element], 0.0)
            solved, solved_senders = solve_forces(group, self.columns, before, probes)
            cut = (rows[:, None], np.arange(width))
            force[cut] = solved
            per_sender[cut] = solved_senders
        return force, per_sender

    def moved(self, ports: Ports, forces: Sequence[Floats], by_rows: Sequence[Floats]) -> tuple[Floats, ...]:
        """How far pairs of unknowns move: sum of force_j times in_j of the pairs' ``by_rows``.

        One answer ``[F, pairs]`` for each of ``forces`` (``[F, K]``) with its ``by_rows`` (``[places, pairs]``).
        """
        used = ports.used
        where = self.acting_at(ports.place)[used]
        start = np.concatenate([[0], np.cumsum(used.sum(axis=1))])
        return tuple(
            csr_matrix((force[used], where, start), shape=(len(used), len(rows))) @ rows
            for force, rows in zip(forces, by_rows, strict=True)
        )

    def view(self, ports: Ports, force: Floats, per_sender: Floats) -> tuple[Floats, Floats]:
        """What the devices see, ``[F, senses]``, and the bus responses, ``[F, senders, links]``."""
        c = self.c
        senders = range(len(c.sender_high) if len(c.link_at) else 0)
        moved, *by_sender = self.moved(
            ports,
            [force, *(per_sender[:, :, s] for s in senders)],
            [self.sense_columns, *(self.link_columns for _ in senders)],
        )
        response = np.zeros((len(force), len(c.sender_high), len(c.link_at)))
        start = self.probe_0[c.link_high] - self.probe_0[c.link_low]
        for s, part in enumerate(by_sender):
            response[:, s, :] = start[:, s] - part
        return self.sense_0 - moved, response

    def junctions(self, at: Ints, sense: Floats) -> Floats:
        """Junction voltages of the diodes as the solution has them, ``[F, diodes]``."""
        spans = self.system.senses
        ohm = self.added_ohm[at][:, len(self.plain_reactive) :]
        return self.across_junction(sense[:, spans.diode_v], sense[:, spans.diode_a], ohm)

    @staticmethod
    def across_junction(volts: Floats, amps: Floats, added_ohm: Floats) -> Floats:
        """What of the voltage across diodes stands at their junctions; nothing where they are opened."""
        opened = np.isinf(added_ohm)
        return np.where(opened, 0.0, volts - np.where(opened, 0.0, added_ohm) * amps)

    def tangents(self, junction_v: Floats, active: Bools) -> tuple[Floats, Floats]:
        """Diode tangents: at ``junction_v`` where active, as in the state elsewhere."""
        c, system = self.c, self.system
        base = np.broadcast_to(system.junction_v, junction_v.shape)
        return diodes.tangent(np.where(active, junction_v, base), c.saturation_a, c.slope_v)

    def off_tangent(self, volts: Floats, active: Bools) -> Bools:
        """Which diodes not yet active have left their tangent by more than the tolerance, ``[F, diodes]``.

        The measure is the next Newton step: the current missing over what the junction and its surroundings
        conduct (the surroundings as in the state before any change).
        """
        c, system = self.c, self.system
        if not c.diode_count:
            return np.zeros(active.shape, dtype=np.bool_)
        conductance, offset = diodes.tangent(system.junction_v, c.saturation_a, c.slope_v)
        line = conductance * volts + offset
        curve = diodes.current_a(volts, c.saturation_a, c.slope_v)
        slope, _ = diodes.tangent(volts, c.saturation_a, c.slope_v)
        step = np.abs(curve - line) / (np.minimum(slope, conductance + 1e6) + self.outside_siemens)
        # Beyond the knee the curve may be far above any real current: the voltage it needs is what counts.
        safe = np.maximum(line, -0.5 * c.saturation_a)
        needed = np.abs(volts - c.slope_v * np.log1p(safe / c.saturation_a))
        measure = np.where(volts > 0.0, np.maximum(step, np.where(line > 1e-9, needed, 0.0)), step)
        return ~active & (measure > self.diode_tolerance_v)

    @cached_property
    def outside_siemens(self) -> Floats:
        """What each diode's surroundings conduct, before any change, ``[diodes]``."""
        c, system = self.c, self.system
        element = np.arange(c.first_diode, c.m)
        place = system.element_places(element)
        columns, row = system.some_columns(place.in_plus), np.arange(len(element))
        return outside_siemens(system, element, columns[row, place.out_plus] - columns[row, place.out_minus])


def outside_siemens(system: System, element: Ints, z: Floats) -> Floats:
    """What the surroundings of some elements conduct, which answer ``z`` to a unit force of their own; siemens."""
    # Current answer: -Z = 1 / (1/g + outside ohm). Voltage answer: Z = outside ohm beside the diode's own g.
    ohm = np.where(
        system.answers_with_current[element], 1.0 / np.maximum(-z, 1e-30) - system.laws.sigma[element], z
    )
    result: Floats = 1.0 / np.maximum(ohm, 1e-6)
    return result
