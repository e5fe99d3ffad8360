"""How likely each fault is before anything was measured.

Category shares (``categories.csv``) are spread over the places of the category by weight, exposure and
sealing; conditions of the complaint and recent work multiply. All factors here are from memory unless they
name a source; a shop's own closed jobs are meant to replace them.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from halfsplit.faults.catalogue import Fault
from halfsplit.faults.modes import categories
from halfsplit.machine.model import Machine

#: Multiplier for each exposure level; from memory.
LEVEL_FACTOR = {"none": 0.5, "low": 1.0, "medium": 1.8, "high": 3.2}
#: An unsealed housing lets water and salt in more often than a sealed one; from memory.
UNSEALED_FACTOR = 1.8
SEALED_FACTOR = 0.7
LOW_POINT_FACTOR = 1.8
FACES_FACTOR = {"up": 1.5, "side": 1.0, "down": 0.7}
#: A harness that flexes, and one in conduit; from memory.
FLEX_FACTOR = 3.0
PROTECTION_FACTOR = {"conduit": 0.5, "tape": 1.0, "none": 1.6}
#: Places worked on lately; from memory ("what else was done to the machine", trade_practice.md part 9).
RECENT_WORK_FACTOR = 5.0
#: Exposures that a reported condition brings out, and by how much where the exposure is not "none".
CONDITION_EXPOSURES = {
    "rain": (("splash", "pooling"), 2.0),
    "wash": (("splash", "pooling"), 2.5),
    "salt": (("salt",), 2.0),
    "frost": (("pooling",), 1.5),
    "heat": (("heat",), 2.0),
    "rough-ground": (("vibration",), 2.0),
    "transport": (("vibration",), 1.6),
    "standing": (("salt", "pooling"), 1.5),
    "dust": (("mud",), 1.5),
    "recent-work": ((), 1.0),
}


def fault_weights(
    machine: Machine,
    faults: Sequence[Fault],
    conditions: Sequence[str] = (),
    worked_on: Sequence[str] = (),
) -> NDArray[np.float64]:
    """Prior probability of each fault given that exactly one is there; shape ``[faults]``, sum one."""
    raw = np.array([_weight(machine, fault) for fault in faults])
    names = [fault.mode.category for fault in faults]
    weights = np.zeros(len(faults))
    for category, share in categories().items():
        chosen = np.array([name == category for name in names], dtype=bool)
        total = raw[chosen].sum() if chosen.any() else 0.0
        if total > 0:
            weights[chosen] = share * raw[chosen] / total
    weights *= np.array([_condition(machine, fault, conditions, worked_on) for fault in faults])
    result: NDArray[np.float64] = weights / weights.sum()
    return result


def _weight(machine: Machine, fault: Fault) -> float:
    mode = fault.mode
    weight = mode.weight * mode.share
    exposure = machine.zones[fault.zone].exposure
    for name in mode.exposures:
        weight *= LEVEL_FACTOR[exposure.get(name, "low")] ** (1.0 / len(mode.exposures))
    connector = machine.connectors.get(fault.owner)
    if connector is not None:
        weight *= SEALED_FACTOR if connector.family.sealed else UNSEALED_FACTOR
        if mode.id.startswith("wet"):
            weight *= FACES_FACTOR[connector.faces] * (LOW_POINT_FACTOR if connector.low_point else 1.0)
    run = machine.runs.get(fault.owner)
    if run is not None:
        weight *= PROTECTION_FACTOR[run.protection] * (FLEX_FACTOR if run.flexes else 1.0)
    if mode.applies == "wire" and fault.place in machine.wires:
        # Longer wires pass more edges; the power of a half keeps short ones in the race (from memory).
        weight *= max(machine.wires[fault.place].length_m, 0.1) ** 0.5
    return weight


def _condition(machine: Machine, fault: Fault, conditions: Sequence[str], worked_on: Sequence[str]) -> float:
    factor = 1.0
    exposure = machine.zones[fault.zone].exposure
    for condition in conditions:
        exposures, gain = CONDITION_EXPOSURES.get(condition, ((), 1.0))
        if any(name in fault.mode.exposures and exposure.get(name, "low") != "none" for name in exposures):
            factor *= gain
    if {fault.place, fault.owner, fault.zone} & set(worked_on):
        factor *= RECENT_WORK_FACTOR
    return factor
