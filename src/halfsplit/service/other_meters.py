"""What a clamp and an ohmmeter show of faults that move no voltage within reach.

A test lamp is not asked: on the shipped machines it shows nothing that is left then (measured), and solving its load
into every point takes as long as all the rest.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from halfsplit.diagnosis.checks import Check, all_checks
from halfsplit.diagnosis.clamps import CLAMP_A, CLAMP_SHARE, ClampTables
from halfsplit.diagnosis.ohms import OhmsTables, scale_of
from halfsplit.faults.catalogue import Effect
from halfsplit.faults.signatures import Signatures
from halfsplit.machine.model import Machine

Flags = NDArray[np.bool_]


def shown_otherwise(
    machine: Machine, effects: Sequence[tuple[Effect, ...]], shown_at: float, told: Callable[[int], None] | None = None
) -> Flags:
    """Which sets of effects a clamp or an ohmmeter within reach shows in some state, ``[sets]``.

    A reading shows a set when it moves by ``shown_at`` standard deviations of what sound machines and the meter
    scatter. ``told`` hears how many states are done.
    """
    shown = np.zeros(len(effects), dtype=np.bool_)
    for number, state in enumerate(machine.states):
        left = np.flatnonzero(~shown)
        if len(left):
            # Tables of one state for what is left alone; those of other states are not needed together with it.
            signatures = Signatures(machine, [effects[row] for row in left.tolist()])
            checks = all_checks(machine, (state,))
            found = _clamped(signatures, state, checks, shown_at) | _ohms(signatures, checks, shown_at)
            shown[left[found]] = True
        if told is not None:
            told(number + 1)
    return shown


def _clamped(signatures: Signatures, state: str, checks: Sequence[Check], shown_at: float) -> Flags:
    things = list(dict.fromkeys(check.plus for check in checks if check.kind == "amps"))
    if not things:
        return np.zeros(len(signatures.effects), dtype=np.bool_)
    amps = ClampTables(signatures).currents(state).through(things)
    sound = amps.value[-1].astype(np.float64)
    limit = shown_at * np.hypot(CLAMP_A + CLAMP_SHARE * sound, amps.spread_a)
    result: Flags = (np.abs(amps.value[:-1] - sound) > limit).any(axis=1)
    return result


def _ohms(signatures: Signatures, checks: Sequence[Check], shown_at: float) -> Flags:
    shown, ohms = np.zeros(len(signatures.effects), dtype=np.bool_), OhmsTables(signatures)
    for check in checks:
        if check.kind == "ohms":
            found = ohms.predicted(check.state, check.plus, check.minus, check.unplugged)
            limit = shown_at * ohms.sigma(check.plus, check.minus, found[-1:])[0]
            shown |= np.abs(scale_of(found[:-1]) - scale_of(found[-1:])) > limit
    return shown
