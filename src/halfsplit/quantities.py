"""What people write with a unit, turned into SI floats and back.

A bare number is refused everywhere (a share such as 0.3 excepted): the same "5" has meant milliohms on one
sheet and ohms on the next. Prefixes keep their case, because ``5 mohm`` and ``5 Mohm`` are nine decades
apart. A decimal comma is read as a decimal point; ``1,250 ohm`` is refused, because it is 1.25 ohm to one
reader and 1250 ohm to another.

Inside halfsplit every quantity is a float in SI units with the unit in its name (``resistance_ohm``,
``area_m2``). Temperatures are degrees Celsius and shares are fractions of 1, the two exceptions.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from halfsplit.errors import InternalError, UserError, nearest

#: Codes of QuantityError, each with one sentence; docs/problems.md lists them.
CODES: dict[str, str] = {
    "quantity-no-unit": "A number stands without its unit.",
    "quantity-unit": "The unit is not one of this quantity.",
    "quantity-number": "What stands there does not begin with a number.",
    "quantity-ambiguous": "A comma before three digits may be a decimal comma or a thousands mark.",
    "quantity-range": "The value cannot be: negative, beyond 100 %, or too large for a number.",
}

#: SI prefixes (BIPM SI brochure); K for kilo and u for micro are how keyboards write them.
_PREFIXES: dict[str, float] = {
    "n": 1e-9, "u": 1e-6, "µ": 1e-6, "μ": 1e-6, "m": 1e-3, "": 1.0, "k": 1e3, "K": 1e3, "M": 1e6, "G": 1e9,
}  # fmt: skip
_PREFIX_WORDS: dict[str, str] = {"micro": "u", "milli": "m", "kilo": "k", "mega": "M"}

_NUMBER = re.compile(r"[+-]?(?:[0-9]+(?:[.,][0-9]*)?|[.,][0-9]+)(?:[eE][+-]?[0-9]+(?![0-9.]))?")
_MAYBE_THOUSANDS = re.compile(r"[+-]?[1-9][0-9]{0,2},[0-9]{3}(?![0-9])")
_LETTER_AS_POINT = re.compile(r"([0-9]+)([RrkKM])([0-9]*)(?:\s*(?:ohms?|Ω))?|([0-9]+[.,][0-9]+)([kKM])")
_AWG = re.compile(r"(?:awg\s*([0-9]{1,2}|[1-4]/0)|([0-9]{1,2}|[1-4]/0)\s*awg)", re.IGNORECASE)
_ALIKE = str.maketrans({
    "\u2126": "Ω",  # the ohm sign, which is not the Greek letter
    "\u2212": "-", "\u00a0": " ", "\u202f": " ", "²": "2", "\u00ba": "°",
})  # fmt: skip


class QuantityError(UserError):
    """A value that cannot be read as the quantity asked for.

    ``accepted`` holds spellings that would have been, ``suggestion`` the nearest good spelling or None.
    """

    def __init__(
        self, code: str, message: str, accepted: tuple[str, ...], suggestion: str | None = None
    ) -> None:
        self.accepted = accepted
        self.suggestion = suggestion
        meant = f"Did you mean {suggestion}? " if suggestion else ""
        super().__init__(code, message, f"{meant}Write it like {', '.join(accepted)}.")


@dataclass(frozen=True, slots=True)
class Quantity:
    """One kind of quantity: how people spell it and how it is written back.

    ``units`` maps each accepted unit spelling to the factor that makes SI of it; ``offsets`` is added after
    the factor (temperatures only). ``shown`` is the unit and its prefixes for writing, smallest first.
    ``si_unit`` is the unit of the parsed value, empty for a share. ``least`` and ``most`` bound the value, in
    SI; with ``zero`` false it cannot be 0 either.
    """

    name: str
    si_unit: str
    accepted: tuple[str, ...]
    units: Mapping[str, float]
    shown: tuple[tuple[str, float], ...]
    offsets: Mapping[str, float] = field(default_factory=dict)
    least: float = 0.0
    most: float = math.inf
    zero: bool = True

    def error(self, code: str, message: str, suggestion: str | None = None) -> QuantityError:
        """A QuantityError about this quantity."""
        return QuantityError(code, message, self.accepted, suggestion)

    def parse(self, text: str) -> float:
        """``text`` as an SI float. Raises QuantityError."""
        special = _SPECIAL.get(self.name)
        plain = text.translate(_ALIKE).strip()
        if special is not None:
            value = special(plain)
            if value is not None:
                return self._within(value, text)
        number, unit = self._split(plain, text)
        if not unit:
            raise self.error("quantity-no-unit", f"{_quoted(text)} has no unit.")
        if unit not in self.units:
            raise self.error(
                "quantity-unit",
                f"{_quoted(unit)} is not a unit of {self.name}.",
                self._respelled(number, unit),
            )
        return self._within(_to_float(number) * self.units[unit] + self.offsets.get(unit, 0.0), text)

    def _split(self, plain: str, text: str) -> tuple[str, str]:
        """Number and unit as written; the unit may be empty."""
        match = _NUMBER.match(plain)
        if match is None:
            raise self.error("quantity-number", f"{_quoted(text)} does not begin with a number.")
        if _MAYBE_THOUSANDS.match(plain):
            both = f"{plain.replace(',', '', 1)} or {plain.replace(',', '.', 1)}"
            raise self.error(
                "quantity-ambiguous",
                f"The comma in {_quoted(text)} may be a decimal comma or a thousands mark; write {both}.",
            )
        return match.group(), plain[match.end() :].strip()

    def _respelled(self, number: str, unit: str) -> str | None:
        if unit[0] in "0123456789.,":
            return None  # a second number, not a misspelt unit
        close = nearest(unit, [shown for shown, _ in self.shown]) or nearest(unit, self.units)
        return f"{number} {close}" if close else None

    def _within(self, value: float, text: str) -> float:
        if not math.isfinite(value):
            raise self.error("quantity-range", f"{_quoted(text)} is too large a number.")
        if value < self.least:
            below = "negative" if self.least == 0 else f"below {self.format(self.least, 5)}"
            raise self.error("quantity-range", f"{_quoted(text)}: a {self.name} cannot be {below}.")
        if value > self.most:
            beyond = f"above {self.format(self.most)}"
            raise self.error("quantity-range", f"{_quoted(text)}: a {self.name} cannot be {beyond}.")
        if value == 0 and not self.zero:
            raise self.error("quantity-range", f"{_quoted(text)}: a {self.name} cannot be zero.")
        return value

    def format(self, value: float, digits: int = 3) -> str:
        """``value`` (SI) with a fitting prefix, to ``digits`` significant digits."""
        unit, factor = self.shown[0]
        for candidate, candidate_factor in self.shown:
            # Rounded first, so that 999.9 mV is written 1 V and not 1000 mV.
            if abs(float(f"{value:.{digits - 1}e}")) >= candidate_factor * (1 - 1e-12):
                unit, factor = candidate, candidate_factor
        if value == 0:
            unit, factor = next((pair for pair in self.shown if pair[1] == 1.0), self.shown[0])
        return f"{_plain_number(value / factor, digits)} {unit}"


def _quoted(text: str) -> str:
    """What was written, cut short and with control characters made visible, for a message."""
    shown = text if len(text) <= 40 else text[:37] + "..."
    return '"' + "".join(c if c.isprintable() else "?" for c in shown) + '"'


def _to_float(number: str) -> float:
    return float(number.replace(",", "."))


def _plain_number(value: float, digits: int) -> str:
    """``value`` to ``digits`` significant digits, without exponent and without trailing zeros."""
    if value == 0 or not math.isfinite(value):
        return "0" if value == 0 else str(value)
    places = max(0, digits - 1 - math.floor(math.log10(abs(float(f"{value:.{digits - 1}e}")))))
    text = f"{float(f'{value:.{digits - 1}e}'):.{places}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def _spellings(short: tuple[str, ...], words: tuple[str, ...], prefixes: str) -> dict[str, float]:
    """All spellings of a unit: short forms with prefix letters, words with prefix words."""
    table: dict[str, float] = {}
    letters = [
        p for p, factor in _PREFIXES.items() if p == "" or any(factor == _PREFIXES[q] for q in prefixes)
    ]
    for unit in short:
        table.update({prefix + unit: _PREFIXES[prefix] for prefix in letters})
    for word in words:
        table[word] = table[word.capitalize()] = table[word.upper()] = 1.0
        for prefix_word, letter in _PREFIX_WORDS.items():
            if letter in prefixes:
                table[prefix_word + word] = _PREFIXES[letter]
    return table


def _shown(unit: str, prefixes: str) -> tuple[tuple[str, float], ...]:
    return tuple(sorted(((p + unit, _PREFIXES[p]) for p in ("", *prefixes)), key=lambda pair: pair[1]))


def _resistance_by_letter(plain: str) -> float | None:
    """A letter where the decimal point stands, as on drawings (IEC 60062): 4k7, 4R7, 120R, 10M; also 4.7k."""
    match = _LETTER_AS_POINT.fullmatch(plain)
    if match is None:
        return None
    whole, letter, rest, pointed, after = match.groups()
    number = pointed or f"{whole}.{rest or 0}"
    return _to_float(number) * {"r": 1.0, "k": 1e3, "m": 1e6}[(letter or after).lower()]


def _area_by_gauge(plain: str) -> float | None:
    """16 AWG, AWG 16, 2/0 AWG. Sizes 4/0 to 40, the range of ASTM B258."""
    match = _AWG.fullmatch(plain)
    if match is None:
        return None
    size = match.group(1) or match.group(2)
    number = 1 - int(size[0]) if "/" in size else int(size)
    if number > 40:
        raise AREA.error("quantity-range", f"{_quoted(plain)}: wire gauges run from 4/0 to 40.")
    return awg_area_m2(number)


_DURATION_PART = re.compile(r"([0-9]+(?:[.,][0-9]+)?)\s*([a-z]+)", re.IGNORECASE)


def _duration_in_parts(plain: str) -> float | None:
    """Two or three parts from large to small, each smaller than one of the part before: 1 h 30 min."""
    parts = _DURATION_PART.findall(plain)
    if len(parts) < 2 or _DURATION_PART.sub("", plain).strip():
        return None
    total, last = 0.0, math.inf
    for number, unit in parts:
        if unit not in DURATION.units:
            raise DURATION.error("quantity-unit", f"{_quoted(unit)} is not a unit of duration.")
        value, factor = _to_float(number), DURATION.units[unit]
        if factor >= last or (last != math.inf and value * factor >= last):
            raise DURATION.error("quantity-number", f"{_quoted(plain)}: parts go from large to small.")
        total, last = total + value * factor, factor
    return total


def _share_as_fraction(plain: str) -> float | None:
    """A share without a unit is a fraction of 1; anything beyond 1 without a percent sign is refused."""
    if _NUMBER.fullmatch(plain) is None:
        return None
    value = _to_float(plain)
    if value > 1:
        # 30 was surely meant as 30 %, but 1.2 is as likely a slip as 1.2 %.
        meant = f"{plain} %" if 2 <= value <= 100 else None
        raise SHARE.error("quantity-range", f"{_quoted(plain)} is more than the whole.", meant)
    return value


RESISTANCE = Quantity(
    "resistance", "ohm", ("120 ohm", "4.7 kohm", "10 Mohm", "5 mohm", "4k7"),
    {**_spellings(("Ω", "R"), ("ohm", "ohms"), "umkMG"),
     **{p + w: f for p, f in _PREFIXES.items() if p and p != "n"
        for w in ("ohm", "Ohm", "OHM", "ohms", "Ohms", "OHMS")},
     "kilohm": 1e3, "kilohms": 1e3, "megohm": 1e6, "megohms": 1e6},
    _shown("ohm", "umkMG"),
)  # fmt: skip
VOLTAGE = Quantity(
    "voltage", "V", ("9.8 V", "850 mV"),
    _spellings(("V", "v"), ("volt", "volts"), "umk"), _shown("V", "umk"), least=-math.inf,
)  # fmt: skip
CURRENT = Quantity(
    "current", "A", ("0.5 A", "20 mA"),
    _spellings(("A", "a"), ("amp", "amps", "ampere", "amperes"), "num"), _shown("A", "num"), least=-math.inf,
)  # fmt: skip
POWER = Quantity(
    "power", "W", ("55 W", "1.2 kW"), _spellings(("W", "w"), ("watt", "watts"), "mk"), _shown("W", "mk")
)
AREA = Quantity(
    "wire size", "m2", ("1.5 mm2", "16 AWG", "2/0 AWG"),
    {"mm2": 1e-6, "sqmm": 1e-6, "mm^2": 1e-6, "cm2": 1e-4, "m2": 1.0}, (("mm2", 1e-6), ("m2", 1.0)),
    zero=False,
)  # fmt: skip
LENGTH = Quantity(
    # Inch and foot: international yard and pound agreement of 1959, 25.4 mm exactly.
    "length", "m", ("1.5 m", "80 cm", "5 mm"),
    {"m": 1.0, "um": 1e-6, "µm": 1e-6, "μm": 1e-6, "mm": 1e-3, "cm": 1e-2, "km": 1e3, "metre": 1.0,
     "metres": 1.0, "meter": 1.0, "meters": 1.0, "in": 0.0254, "inch": 0.0254, "inches": 0.0254,
     "ft": 0.3048, "feet": 0.3048},
    (("um", 1e-6), ("mm", 1e-3), ("m", 1.0), ("km", 1e3)),
)  # fmt: skip
DURATION = Quantity(
    "duration", "s", ("90 s", "2 min", "1 h", "1 h 30 min"),
    {"ms": 1e-3, "s": 1.0, "sec": 1.0, "secs": 1.0, "second": 1.0, "seconds": 1.0, "min": 60.0, "mins": 60.0,
     "minute": 60.0, "minutes": 60.0, "h": 3600.0, "hr": 3600.0, "hrs": 3600.0, "hour": 3600.0,
     "hours": 3600.0, "d": 86400.0, "day": 86400.0, "days": 86400.0},
    (("ms", 1e-3), ("s", 1.0)),
)  # fmt: skip
CONDUCTIVITY = Quantity(
    "conductivity", "S/m", ("5 S/m", "50 mS/m", "500 uS/cm"),
    {"S/m": 1.0, "mS/m": 1e-3, "uS/m": 1e-6, "µS/m": 1e-6, "μS/m": 1e-6,
     "S/cm": 100.0, "mS/cm": 0.1, "uS/cm": 1e-4, "µS/cm": 1e-4, "μS/cm": 1e-4},
    _shown("S/m", "um"),
)  # fmt: skip
SHARE = Quantity(
    "share",
    "",
    ("30 %", "0.3"),
    {"%": 0.01, "percent": 0.01, "per cent": 0.01, "pct": 0.01},
    (("%", 0.01),),
    most=1.0,
)
TEMPERATURE = Quantity(
    "temperature", "C", ("20 C", "-5 C", "68 F"),
    {"C": 1.0, "°C": 1.0, "degC": 1.0, "c": 1.0, "K": 1.0, "F": 5 / 9, "°F": 5 / 9, "degF": 5 / 9},
    (("C", 1.0),), {"K": -273.15, "F": -160 / 9, "°F": -160 / 9, "degF": -160 / 9},
    least=-273.15,  # absolute zero, by the definition of the Celsius scale
)  # fmt: skip

#: Every quantity by the word the machine file's attribute tables use for it.
QUANTITIES: dict[str, Quantity] = {
    "resistance": RESISTANCE,
    "voltage": VOLTAGE,
    "current": CURRENT,
    "power": POWER,
    "area": AREA,
    "length": LENGTH,
    "duration": DURATION,
    "conductivity": CONDUCTIVITY,
    "share": SHARE,
    "temperature": TEMPERATURE,
}

_SPECIAL: dict[str, Callable[[str], float | None]] = {
    "resistance": _resistance_by_letter,
    "wire size": _area_by_gauge,
    "duration": _duration_in_parts,
    "share": _share_as_fraction,
}


def resistance_ohm(text: str) -> float:
    """Read "4.7 kohm", "120 ohm", "4k7", "5 mohm" in ohms. Raises QuantityError."""
    return RESISTANCE.parse(text)


def voltage_v(text: str) -> float:
    """Read "9.8 V", "850 mV", "24V", "-0.2 V" in volts. Raises QuantityError."""
    return VOLTAGE.parse(text)


def current_a(text: str) -> float:
    """Read "0.5 A", "20 mA" in amperes. Raises QuantityError."""
    return CURRENT.parse(text)


def power_w(text: str) -> float:
    """Read "55 W" in watts. Raises QuantityError."""
    return POWER.parse(text)


def area_m2(text: str) -> float:
    """Read "1.5 mm2", "16 AWG", "2/0 AWG" in square metres of copper. Raises QuantityError."""
    return AREA.parse(text)


def length_m(text: str) -> float:
    """Read "1.5 m", "80 cm", "5 mm" in metres. Raises QuantityError."""
    return LENGTH.parse(text)


def duration_s(text: str) -> float:
    """Read "90 s", "2 min", "1 h 30 min" in seconds. Raises QuantityError."""
    return DURATION.parse(text)


def duration_min(text: str) -> float:
    """The same as duration_s, in minutes, the unit of every plan and job."""
    return DURATION.parse(text) / 60.0


def conductivity_s_per_m(text: str) -> float:
    """Read "5 S/m", "500 uS/cm" in siemens per metre. Raises QuantityError."""
    return CONDUCTIVITY.parse(text)


def share(text: str) -> float:
    """Read "30 %" or "0.3" as a fraction of 1. Raises QuantityError below 0 and above 1."""
    return SHARE.parse(text)


def temperature_c(text: str) -> float:
    """Read "20 C", "68 F", "293.15 K" in degrees Celsius. Raises QuantityError below absolute zero."""
    return TEMPERATURE.parse(text)


def format_ohm(value: float) -> str:
    """4700.0 as "4.7 kohm"; infinity as "open"."""
    return "open" if math.isinf(value) else RESISTANCE.format(value)


def format_volts(value: float) -> str:
    """0.85 as "850 mV"."""
    return VOLTAGE.format(value)


def format_amps(value: float) -> str:
    """0.02 as "20 mA"."""
    return CURRENT.format(value)


def format_watts(value: float) -> str:
    """55.0 as "55 W"."""
    return POWER.format(value)


def format_area(value_m2: float) -> str:
    """1.5e-6 as "1.5 mm2"."""
    return f"{_plain_number(value_m2 * 1e6, 3)} mm2"


def format_length(value_m: float) -> str:
    """0.8 as "800 mm"."""
    return LENGTH.format(value_m)


def format_duration(seconds: float) -> str:
    """45 as "45 s", 720 as "12 min", 5700 as "1 h 35 min"; negative values as a minus sign and the same."""
    if seconds < 0:
        return "-" + format_duration(-seconds)
    if seconds < 90:
        return DURATION.format(seconds)
    if seconds < 90 * 60:
        return f"{_plain_number(seconds / 60, 3)} min"
    hours, minutes = divmod(round(seconds / 60), 60)
    return f"{hours} h {minutes} min" if minutes else f"{hours} h"


def format_minutes(minutes: float) -> str:
    """12.0 as "12 min": format_duration for the unit of plans and jobs."""
    return format_duration(minutes * 60.0)


def format_conductivity(value: float) -> str:
    """0.05 as "50 mS/m"."""
    return CONDUCTIVITY.format(value)


def format_share(value: float) -> str:
    """0.3 as "30 %"."""
    return f"{_plain_number(value * 100, 3)} %"


def format_temperature(value_c: float) -> str:
    """20.0 as "20 C"."""
    return f"{_plain_number(value_c, 3)} C"


#: Resistivity of annealed copper at 20 C, ohm metre: IEC 60028, 1/58 ohm mm2/m (electrical_limits cu-rho,
#: published).
COPPER_RESISTIVITY_OHM_M = 1.7241e-8
#: Change of resistance per kelvin referred to 20 C: IEC 60028 (electrical_limits cu-alpha, published).
COPPER_PER_KELVIN = 0.00393
#: Extra length of strands that lie in a helix: 2 %, the allowance of ASTM B8 (from memory).
STRAND_LAY = 1.02


def awg_area_m2(number: int) -> float:
    """Copper area in square metres of an American wire gauge size.

    ``number`` is 16 for 16 AWG, 0 for 1/0, -1 for 2/0 and -3 for 4/0; beyond 40 an InternalError is raised.
    ASTM B258: diameter 0.127 mm x 92 ** ((36 - n) / 39); a stranded wire of the size has the same copper
    area.
    """
    if not -3 <= number <= 40:
        raise InternalError(f"Wire gauge {number} is outside 4/0 to 40.")
    diameter_m = 0.127e-3 * math.pow(92.0, (36 - number) / 39)
    return math.pi / 4 * diameter_m * diameter_m


def wire_resistance_ohm_per_m(area_m2: float, temp_c: float = 20.0) -> float:
    """Resistance in ohm per metre of stranded plain copper wire of ``area_m2`` at ``temp_c``.

    Nominal, so it lies below the maxima of ISO 6722-1 and IEC 60228 class 5 (the tests hold it to them).
    Sources stand at the constants above. Raises InternalError for an area that is not above zero.
    """
    if not area_m2 > 0:
        raise InternalError(f"A wire of {area_m2} m2 was asked for its resistance.")
    warm = 1.0 + COPPER_PER_KELVIN * (temp_c - 20.0)
    if not warm > 0:
        raise InternalError(f"The copper formula does not hold at {temp_c} C.")
    return COPPER_RESISTIVITY_OHM_M * STRAND_LAY / area_m2 * warm


def in_100(share: float) -> str:
    """A share 0..1 as a person reads it: "73 in 100"; never quite all or none unless it is."""
    if 0.995 <= share < 1.0:
        return "over 99 in 100"
    if 0.0 < share < 0.005:
        return "under 1 in 100"
    return f"{round(100 * share)} in 100"
