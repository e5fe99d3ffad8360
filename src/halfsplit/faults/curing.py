"""What work on a place does to the faults it touches: cures them, hides them, or leaves them.

``REACH`` gives for each kind of work the chance that a touched fault is gone afterwards, by mode. The
correction meant for a mode has its own success from ``corrections.csv``. All other numbers are from memory:
pulling and pushing a connector can cure a fault for a day (trade_practice.md part 1).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from halfsplit.faults.catalogue import Fault
from halfsplit.machine.model import Machine

REFIT = {"contact-open": 0.12, "contact-resistance": 0.20, "wet-pair": 0.05, "wet-all": 0.05}
DRY_CLEAN = {"contact-open": 0.15, "contact-resistance": 0.45}


def cure_chances(machine: Machine, faults: Sequence[Fault], action: str, place: str) -> NDArray[np.float64]:
    """Chance for each fault to be gone after ``action`` at ``place``; shape ``[faults]``."""
    return np.array([_chance(machine, fault, action, place) for fault in faults])


def _chance(machine: Machine, fault: Fault, action: str, place: str) -> float:
    correction = fault.mode.correction
    owner = place.partition(".")[0].partition("@")[0]
    at_place = fault.group == f"{correction}:{place}"
    if action == correction and at_place:
        return fault.success
    if action == "unplug-refit":
        return REFIT.get(fault.mode.id, 0.0) if fault.owner == place else 0.0
    if action == "dry-clean":
        return DRY_CLEAN.get(fault.mode.id, 0.0) if fault.owner == place else 0.0
    if action == "renew-contact":
        return REFIT.get(fault.mode.id, 0.0) if fault.owner == owner else 0.0
    if action == "replace-part":
        return _replacing(machine, fault, place)
    if action == "tighten-stud":
        # Every lug on the stud comes off, is cleaned and goes back with it.
        return 0.85 if fault.mode.applies == "terminal" and fault.owner == place else 0.0
    if action == "repair-wire":
        return fault.success if fault.mode.applies == "bundle" and place in fault.place.split("+") else 0.0
    if action == "replace-fuse":
        return 0.3 if fault.mode.applies == "terminal" and fault.owner == place else 0.0
    if action == "charge-or-replace-battery":
        return 0.7 if fault.owner == place and fault.mode.applies in ("terminal", "post") else 0.0
    return 0.0


def _replacing(machine: Machine, fault: Fault, part_id: str) -> float:
    """Replacing a part refits its terminals and plugs; its own faults are cured by the correction itself."""
    if fault.owner == part_id:
        return fault.success if fault.mode.correction == "replace-part" else 0.5
    part = machine.parts.get(part_id)
    if part is None:
        return 0.0
    plugs = {connector for connector, _ in part.plugs.values()}
    return REFIT.get(fault.mode.id, 0.0) if fault.owner in plugs else 0.0
