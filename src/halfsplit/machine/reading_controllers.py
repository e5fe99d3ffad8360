"""Reading what a controller does: supply, inputs, outputs, references, buses, messages and codes."""

from __future__ import annotations

import csv
from collections.abc import Mapping
from functools import cache
from importlib import resources

from halfsplit.machine.conditions import ConditionError, parse
from halfsplit.machine.fields import Fields, Report, read_quantity, short
from halfsplit.machine.model import BusMember, Code, Controller, Input, Output, Place, Reference, Supply
from halfsplit.machine.points import IDENTIFIER, PIN
from halfsplit.machine.source import Text
from halfsplit.quantities import QUANTITIES

MAX_SPN = 524287  # 19 bits, SAE J1939-73
MAX_FMI = 31  # 5 bits, SAE J1939-73
MAX_ADDRESS = 253  # 254 is nobody and 255 everybody, SAE J1939-81


@cache
def controller_table() -> Mapping[tuple[str, str], Mapping[str, str]]:
    """Rows of controller.csv by (block, attribute): what the blocks may hold, with defaults and ranges."""
    text = resources.files("halfsplit.machine").joinpath("controller.csv").read_text(encoding="utf-8")
    return {(row["block"], row["attribute"]): row for row in csv.DictReader(text.splitlines())}


def _default(block: str, attribute: str, system_v: float, level_v: float = 0.0) -> float:
    row = controller_table()[block, attribute]
    text = row["default"]
    if text.startswith("system*"):
        return system_v * float(text.removeprefix("system*"))
    if text.startswith("level*"):
        return level_v * float(text.removeprefix("level*"))
    return QUANTITIES[row["type"]].parse(text)


def _quantity(
    fields: Fields, key: str, block: str, attribute: str, system_v: float, *, level_v: float = 0.0
) -> float:
    row = controller_table()[block, attribute]
    low, _, high = row["range"].partition("..")
    parse_limit = QUANTITIES[row["type"]].parse

    def limit(text: str) -> float:
        return parse_limit(text) if any(c.isalpha() for c in text) else float(text)

    default = _default(block, attribute, system_v, level_v)
    return fields.quantity(key, row["type"], default, limit(low), limit(high))


def _optional(fields: Fields, key: str, block: str, attribute: str) -> float | None:
    """A quantity that has no default; None when it is left out or wrong (wrong is noted)."""
    row = controller_table()[block, attribute]
    quantity = QUANTITIES[row["type"]]
    low, _, high = row["range"].partition("..")
    found = fields.quantity(key, row["type"], -1.0, quantity.parse(low), quantity.parse(high))
    return found if found > 0.0 else None


class _Assumed:
    """Collects the dotted names of what was left out of a controller's blocks."""

    def __init__(self) -> None:
        self.names: set[str] = set()

    def note(self, fields: Fields, path: str, *keys: str) -> None:
        self.names |= {f"{path}.{key}" for key in keys if not fields.has(key)}


def read_controller(part: Fields, part_id: str, system_v: float) -> tuple[Controller, set[str]]:
    """The controller described in ``part``, and the dotted names of what was assumed ("supply.current")."""
    assumed = _Assumed()
    supply = _supply(part, assumed, system_v)
    inputs = {name: _input(f, name, assumed, system_v) for name, f in _pin_blocks(part, "inputs", "input")}
    outputs = {
        name: _output(f, part_id, name, assumed, system_v)
        for name, f in _pin_blocks(part, "outputs", "output")
    }
    references = {}
    for name, block in _pin_blocks(part, "references", "reference"):
        references[name] = Reference(
            name,
            _quantity(block, "volts", "reference", "volts_v", system_v),
            _quantity(block, "resistance", "reference", "resistance_ohm", system_v),
        )
        assumed.note(block, f"references.{name}", "volts", "resistance")
        block.done()
    controller = Controller(
        supply=supply,
        inputs=inputs,
        outputs=outputs,
        references=references,
        buses=_buses(part, part_id, assumed),
        sends=_sends(part, part_id),
        codes=_codes(part, part_id),
    )
    _pins_once(part, controller)
    return controller, assumed.names


def _supply(part: Fields, assumed: _Assumed, system_v: float) -> Supply:
    block = part.block("supply")
    assumed.note(block, "supply", "pin", "ground", "current", "stops_below")
    made = Supply(
        pin=_pin(block, "pin", "B+"),
        ground=_pin(block, "ground", "GND"),
        current_a=_quantity(block, "current", "supply", "current_a", system_v),
        stops_below_v=_quantity(block, "stops_below", "supply", "stops_below_v", system_v),
    )
    if made.stops_below_v >= system_v:
        said = f"{block.what}: stops_below must be less than the system's {system_v:g} V."
        part.report.add("out-of-range", block.place_of("stops_below"), said, key="stops_below")
    block.done()
    return made


def _pin(block: Fields, key: str, default: str) -> str:
    pin = block.text(key, default)
    if PIN.fullmatch(pin):
        return pin
    block.report.add(
        "bad-id", block.place_of(key), f'{block.name(key)}: "{short(pin)}" cannot name a pin.', key=key
    )
    return default


def _pin_blocks(part: Fields, key: str, word: str) -> list[tuple[str, Fields]]:
    """The blocks under ``key``, each named by a pin."""
    found = []
    for name, value, place in part.mapping(key):
        block = Fields(part.report, value, f"{part.what}, {word} {short(name)}", place)
        if PIN.fullmatch(name):
            found.append((name, block))
        else:
            part.report.add("bad-id", place, f'{part.what}: "{short(name)}" cannot name a pin.', key=key)
    return found


def _input(block: Fields, pin: str, assumed: _Assumed, system_v: float) -> Input:
    pull = block.choice("pull", ("up", "down", "none"), "down")
    to_v = 0.0
    if block.has("to") and block.text("to") != "supply":
        to_v = block.quantity("to", "voltage", 0.0, 1.0, 32.0)
    level_v = to_v if pull == "up" and to_v else system_v
    high = _quantity(block, "high_above", "input", "high_above_v", system_v, level_v=level_v)
    low = _quantity(block, "low_below", "input", "low_below_v", system_v, level_v=level_v)
    if high < low:
        key = "high_above" if block.has("high_above") else "low_below"
        said = f"{block.what}: high_above ({high:g} V) must not be less than low_below ({low:g} V)."
        block.report.add("thresholds-reversed", block.place_of(key), said, key=key)
    range_v = _range(block)
    assumed.note(block, f"inputs.{pin}", "pull", "resistance", "high_above", "low_below")
    made = Input(
        pin=pin,
        pull=pull,
        pull_ohm=_quantity(block, "resistance", "input", "resistance_ohm", system_v),
        pull_to_v=to_v,
        high_above_v=high,
        low_below_v=low,
        range_low_v=range_v[0] if range_v else None,
        range_high_v=range_v[1] if range_v else None,
    )
    block.done()
    return made


def _range(block: Fields) -> tuple[float, float] | None:
    """``range: [0.3 V, 4.7 V]``."""
    words = block.words("range")
    if not words:
        return None
    if len(words) != 2:
        said = f"{block.name('range')} must be two voltages like [0.3 V, 4.7 V]."
        block.report.add("wrong-type", block.place_of("range"), said, key="range")
        return None
    volts = [read_quantity(block.report, word, "voltage", block.name("range"), "range") for word in words]
    if volts[0] is None or volts[1] is None:
        return None
    if volts[0] >= volts[1]:
        said = f"{block.name('range')}: the lower voltage comes first."
        block.report.add(
            "thresholds-reversed",
            block.place_of("range"),
            said,
            f"[{words[1].text}, {words[0].text}]",
            "range",
        )
        return None
    return volts[0], volts[1]


def _output(block: Fields, part_id: str, pin: str, assumed: _Assumed, system_v: float) -> Output:
    assumed.note(block, f"outputs.{pin}", "side", "on_resistance", "limit", "when")
    made = Output(
        pin=pin,
        side=block.choice("side", ("high", "low"), "high"),
        on_resistance_ohm=_quantity(block, "on_resistance", "output", "on_resistance_ohm", system_v),
        limit_a=_quantity(block, "limit", "output", "limit_a", system_v),
        when=_condition(block, "when", (part_id, "output", pin)) or "alive",
    )
    block.done()
    return made


def _condition(block: Fields, key: str, where: tuple[str, str, str]) -> str:
    """A condition's text with single spaces, "" when absent or wrong (wrong is noted)."""
    if not block.has(key):
        return ""
    text = " ".join(block.text(key).split())
    return text if _checked(block.report, text, block.place_of(key), block.name(key), where) else ""


def _checked(report: Report, text: str, place: Place, what: str, where: tuple[str, str, str]) -> bool:
    """Whether ``text`` is a condition; its place is kept so that its names can be checked later."""
    try:
        parse(text)
    except ConditionError as error:
        hint = f" {error.hint}" if error.hint else ""
        report.add("condition-syntax", place, f"{what}: {error.message}{hint}")
        return False
    report.places["condition", *where] = place
    return True


def _buses(part: Fields, part_id: str, assumed: _Assumed) -> tuple[BusMember, ...]:
    found = []
    for name, value, place in part.mapping("bus"):
        part.report.refer("bus", name, part.what, place)
        block = Fields(part.report, value, f"{part.what}, bus {short(name)}", place)
        assumed.note(block, f"bus.{name}", "high", "low")
        pins = _pin(block, "high", "CANH"), _pin(block, "low", "CANL")
        address = block.whole("address", 0, MAX_ADDRESS, "address-out-of-range")
        period_s = _optional(block, "period", "bus", "period_s")
        part.report.places["address", part_id, name] = block.place_of("address")
        found.append(BusMember(name, *pins, address, period_s))
        block.done()
    return tuple(found)


def _sends(part: Fields, part_id: str) -> dict[str, str]:
    found = {}
    for name, value, place in part.mapping("sends"):
        if not IDENTIFIER.fullmatch(name):
            part.report.add(
                "bad-id", place, f'{part.what}: "{short(name)}" cannot name a message.', key="sends"
            )
        elif not isinstance(value, Text):
            part.report.add(
                "wrong-type", place, f"{part.what}: message {name} must be a condition.", key="sends"
            )
        else:
            text = " ".join(value.text.split())
            if _checked(part.report, text, place, f"{part.what}, message {name}", (part_id, "sends", name)):
                found[name] = text
    return found


def _codes(part: Fields, part_id: str) -> dict[str, Code]:
    found = {}
    for name, value, place in part.mapping("codes"):
        block = Fields(part.report, value, f"{part.what}, code {short(name)}", place)
        if not IDENTIFIER.fullmatch(name):
            part.report.add("bad-id", place, f'{part.what}: "{short(name)}" cannot name a code.', key="codes")
        for key, meaning in (("spn", "the SPN"), ("fmi", "the FMI"), ("when", "the condition for it")):
            if not block.has(key):
                block.missing(key, meaning)
        spn = block.whole("spn", 0, MAX_SPN, "code-out-of-range")
        fmi = block.whole("fmi", 0, MAX_FMI, "code-out-of-range")
        when = _condition(block, "when", (part_id, "codes", name))
        text = block.text("text")
        block.done()
        if spn is not None and fmi is not None and when:
            found[name] = Code(name, spn, fmi, when, text)
    return found


def _pins_once(part: Fields, controller: Controller) -> None:
    """No pin may have two duties."""
    duties: dict[str, str] = {}
    listed = [(controller.supply.pin, "supply"), (controller.supply.ground, "ground")]
    listed += [(pin, "input") for pin in controller.inputs]
    listed += [(pin, "output") for pin in controller.outputs]
    listed += [(pin, "reference") for pin in controller.references]
    for member in controller.buses:
        listed += [(member.high, f"{member.bus} high line"), (member.low, f"{member.bus} low line")]
    for pin, duty in listed:
        if pin in duties:
            said = f"{part.what}: pin {pin} is {duties[pin]} and {duty} at once."
            part.report.add("pin-two-duties", part.place, said)
        duties.setdefault(pin, duty)
