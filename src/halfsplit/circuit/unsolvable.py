"""Why a circuit has no answer, or a senseless one, in an electrician's words; looked up before solving."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass

from halfsplit.circuit.netlist import EmfStep, Netlist
from halfsplit.errors import UnsolvableCircuit

_Say = Callable[[str], str]

#: Below this a path counts as having no resistance: a tenth of the best bolted joint (invented limit, no
#: source).
NO_RESISTANCE_OHM = 1e-6
#: Sources in a loop without resistance may differ by this much: rounding, not a short.
SAME_EMF_V = 1e-9


@dataclass(frozen=True, slots=True)
class Findings:
    """``reasons``: why the circuit cannot be solved. ``remarks``: what is odd but leaves an answer."""

    reasons: tuple[str, ...]
    remarks: tuple[str, ...]
    islands: tuple[tuple[str, ...], ...]


def require_solvable(netlist: Netlist, labels: Mapping[str, str] | None = None) -> Findings:
    """Findings of a circuit that can be solved; raises :class:`UnsolvableCircuit` with every reason if not.

    ``labels`` says what to call nodes and branches in sentences.
    """
    found = findings(netlist, labels)
    if found.reasons:
        raise UnsolvableCircuit(found.reasons)
    return found


def findings(netlist: Netlist, labels: Mapping[str, str] | None = None) -> Findings:
    """Everything odd about a circuit, looked up on its graph; switches count as able to close."""
    words = labels or {}

    def say(name: str) -> str:
        return words.get(name, name)

    reasons = [*_bad_values(netlist, say), *_source_loops(netlist, say)]
    islands = _islands(netlist)
    remarks = [
        f"{_listed(island, say)} {'has' if len(island) == 1 else 'have'} no path to "
        f"{say(netlist.reference)}: whatever is read there floats."
        for island in islands
    ]
    stepped = {effect.branch for effect in netlist.effects if isinstance(effect, EmfStep) and effect.added_v}
    sources = [branch for branch in netlist.branches if branch.emf_v != 0.0 or branch.name in stepped]
    if not sources:
        remarks.append("Nothing is powered: there is no source in the circuit.")
    for source in sources:
        joints = _Joints()
        for name, a, b in _paths(netlist):
            if name != source.name:
                joints.join(a, b)
        if not joints.together(source.a, source.b):
            remarks.append(f"{say(source.name)} drives nothing: its current has no way back.")
    return Findings(tuple(reasons), tuple(remarks), islands)


def _bad_values(netlist: Netlist, say: _Say) -> Iterable[str]:
    for branch in netlist.branches:
        if math.isnan(branch.resistance_ohm):
            yield f"The resistance of {say(branch.name)} is not a number."
        elif branch.resistance_ohm <= 0.0:
            yield (
                f"{say(branch.name)} has a resistance of {branch.resistance_ohm:g} ohm; "
                "every real wire or contact has some, write a small one."
            )
        if not math.isfinite(branch.emf_v):
            yield f"The voltage of the source {say(branch.name)} is not a number."
    for switch in netlist.switches:
        if not (switch.on_resistance_ohm > 0.0 and math.isfinite(switch.on_resistance_ohm)):
            yield (
                f"The contact {say(switch.name)} has a resistance of {switch.on_resistance_ohm:g} ohm "
                "when closed; it must be a number above zero."
            )
    for diode in netlist.diodes:
        if not (diode.saturation_a > 0.0 and diode.emission > 0.0):
            yield (
                f"The diode {say(diode.name)} needs a saturation current and an emission coefficient "
                "above zero."
            )


def _source_loops(netlist: Netlist, say: _Say) -> Iterable[str]:
    """Sources joined head to head by paths without resistance: the current would have no limit."""
    # Each node knows its parent along resistance-free paths and its voltage above it.
    parent: dict[str, tuple[str, float]] = {}
    members: dict[str, list[str]] = {}

    def top(node: str) -> tuple[str, float]:
        above = 0.0
        while node in parent:
            node, step = parent[node]
            above += step
        return node, above

    for branch in netlist.branches:
        if not 0.0 < branch.resistance_ohm < NO_RESISTANCE_OHM or not math.isfinite(branch.emf_v):
            continue
        (top_a, above_a), (top_b, above_b) = top(branch.a), top(branch.b)
        if top_a != top_b:
            # v_b = v_a + emf when nothing drops
            parent[top_b] = (top_a, above_a + branch.emf_v - above_b)
            members.setdefault(top_a, []).extend([branch.name, *members.pop(top_b, [])])
        else:
            difference = above_a + branch.emf_v - above_b
            if abs(difference) > SAME_EMF_V:
                others = [name for name in members.get(top_a, []) if name != branch.name]
                joined = f" together with {_listed(tuple(others), say)}" if others else ""
                yield (
                    f"{say(branch.name)}{joined} makes a loop without resistance in which "
                    f"{abs(difference):g} V are left over: two sources short each other, so the current "
                    "has no limit."
                )


def _islands(netlist: Netlist) -> tuple[tuple[str, ...], ...]:
    joints = _Joints()
    for _, a, b in _paths(netlist):
        joints.join(a, b)
    home = joints.top(netlist.reference)
    groups: dict[str, list[str]] = {}
    for node in netlist.nodes:
        groups.setdefault(joints.top(node), []).append(node)
    return tuple(tuple(group) for top, group in groups.items() if top != home)


def _paths(netlist: Netlist) -> Iterable[tuple[str, str, str]]:
    for branch in netlist.branches:
        if math.isfinite(branch.resistance_ohm):
            yield branch.name, branch.a, branch.b
    for switch in netlist.switches:
        yield switch.name, switch.a, switch.b
    for diode in netlist.diodes:
        yield diode.name, diode.anode, diode.cathode


class _Joints:
    """Which nodes hang together."""

    def __init__(self) -> None:
        self._parent: dict[str, str] = {}

    def top(self, node: str) -> str:
        path = []
        while node in self._parent:
            path.append(node)
            node = self._parent[node]
        for passed in path:
            self._parent[passed] = node
        return node

    def join(self, a: str, b: str) -> None:
        top_a, top_b = self.top(a), self.top(b)
        if top_a != top_b:
            self._parent[top_b] = top_a

    def together(self, a: str, b: str) -> bool:
        return self.top(a) == self.top(b)


def _listed(names: tuple[str, ...], say: _Say) -> str:
    shown = [say(name) for name in names[:6]]
    if len(names) > 6:
        shown.append(f"{len(names) - 6} more")
    return shown[0] if len(shown) == 1 else f"{', '.join(shown[:-1])} and {shown[-1]}"
