"""What a sound machine shows where something was observed, and whether what was found agrees with it."""

from __future__ import annotations

from typing import Literal

import numpy as np

from halfsplit.diagnosis import clamps, lamps, likelihood
from halfsplit.diagnosis.hunt import Hunt
from halfsplit.diagnosis.naming import code_words, level_word, volts_words
from halfsplit.diagnosis.ohms import LOW_OHM, ohm_at, scale_of
from halfsplit.observations import CodeSeen, Look, Move, Observation, Reading, Symptom
from halfsplit.quantities import format_ohm

Verdict = Literal["pass", "fail", ""]

#: A reading within this many deviations (meter and tolerances of the parts) of a sound machine's is as it should
#: be; common practice.
WITHIN = 3.0
#: Beyond this an ohmmeter shows over-range and nothing can be told apart; as the prediction is cut.
OPEN_OHM = 10e6
LAMP_WORDS = ("dark", "dim", "lit")
#: A lamp's light that fewer sound machines than this share show is not as it should be; as three deviations.
LEAST_CHANCE = 0.003


def expectation(hunt: Hunt, observation: Observation) -> tuple[str, Verdict]:
    """In words what a sound machine shows, "" when nothing can be said, and the verdict on what was found."""
    machine = hunt.bench.machine
    match observation:
        case Symptom():
            level = machine.functions[observation.function].expected.get(observation.state)
            if level is None or observation.unplugged:
                return "", ""
            return level_word(machine, observation.function, level), _said(observation.level == level)
        case Reading():
            return _reading(hunt, observation)
        case Look():
            return "nothing bad seen", _said(not observation.found)
        case Move():
            return "nothing changes", _said(not observation.changed)
        case CodeSeen():
            table = hunt.bench.signatures.state(observation.state)
            active = bool(table.lines.codes[-1, table.codes[(observation.controller, observation.code)]])
            return code_words(observation.code, active=active), _said(observation.active == active)
        case _:
            return "", ""


def _said(good: bool) -> Verdict:
    return "pass" if good else "fail"


def sound_volts(hunt: Hunt, reading: Reading) -> tuple[float, float]:
    """Volts of a sound machine between the points of a reading, and their standard deviation in V."""
    table = hunt.bench.signatures.state(reading.state)
    minus = reading.minus or table.netlist.reference
    volts = float(likelihood.volts_of(table, table.lines, reading.plus, minus)[-1])
    meter = likelihood.meter_v(volts)
    return volts, float(np.hypot(meter, table.spread_v(reading.plus, minus)))


def sound_ohm(hunt: Hunt, reading: Reading, deviations: float) -> tuple[float, float, float]:
    """Ohms of a sound machine between the points of a reading, and the range that so many deviations make."""
    minus = reading.minus or hunt.bench.signatures.state(reading.state).netlist.reference
    none = np.zeros(0, dtype=np.int64)
    shown = hunt.evidence.ohms.predicted(reading.state, reading.plus, minus, reading.unplugged, none)
    sound = shown[-1:]
    place = float(scale_of(sound)[0])
    away = deviations * float(hunt.evidence.ohms.sigma(reading.plus, minus, sound)[0])
    return float(sound[0]), ohm_at(place - away), ohm_at(place + away)


def _reading(hunt: Hunt, seen: Reading) -> tuple[str, Verdict]:
    minus = seen.minus or hunt.bench.signatures.state(seen.state).netlist.reference
    if seen.quantity == "volts" and not seen.unplugged:
        middle, sigma = sound_volts(hunt, seen)
        low, high = middle - WITHIN * sigma, middle + WITHIN * sigma
        return _volts(middle, low, high), _said(low <= seen.value <= high)
    if seen.quantity == "ohms":
        middle, low, high = sound_ohm(hunt, seen, WITHIN)
        if middle >= OPEN_OHM:
            return "over range (open)", _said(seen.value >= OPEN_OHM)
        # A hand meter shows no less than its leads; where they decide only "low" can be told; common practice.
        if middle < LOW_OHM:
            return "below 1 ohm", _said(seen.value < 1.0)
        return f"about {_ohms(middle)} ({_ohms(low)} to {_ohms(high)})", _said(low <= seen.value <= high)
    if seen.unplugged:
        return "", ""
    if seen.quantity == "lamp":
        volts = hunt.evidence.lamps.of_sets(seen.state, seen.plus, minus, [()])
        chances = lamps.lamp_chances(volts, hunt.bench.machine.system_v)[0]
        best = int(np.argmax(chances))
        return LAMP_WORDS[best], _said(bool(chances[round(seen.value)] >= LEAST_CHANCE))
    amps = hunt.evidence.clamps.currents(seen.state).of(seen.plus)
    middle = abs(float(amps.value[-1]))
    sigma = float(np.hypot(clamps.CLAMP_A + clamps.CLAMP_SHARE * middle, amps.spread_a))
    low, high = max(0.0, middle - WITHIN * sigma), middle + WITHIN * sigma
    words = f"about {middle:.2g} A ({low:.2g} A to {high:.2g} A)" if low > 0.0 else f"below {high:.2g} A"
    return words, _said(low <= abs(seen.value) <= high)


def _ohms(value: float) -> str:
    return format_ohm(float(f"{value:.2g}"))


def _volts(middle: float, low: float, high: float) -> str:
    """A range of volts for a person; around 0 it is what may be lost or left over at most."""
    if low <= 0.0 <= high:
        return f"below {volts_words(float(f'{max(-low, high):.2g}'))}"
    digits = 1 if max(abs(low), abs(high)) >= 1.0 else 2
    about, least, most = (volts_words(round(value, digits)) for value in (middle, low, high))
    return f"about {about} ({least} to {most})"
