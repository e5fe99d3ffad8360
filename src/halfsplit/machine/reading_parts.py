"""Reading the parts: attributes by kind, plugs, and what a switch's contacts and positions say."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from halfsplit.machine.fields import (
    NO,
    YES,
    Fields,
    Report,
    check_identifier,
    near,
    read_quantity,
    shape,
    short,
)
from halfsplit.machine.kinds import Attribute, Kind, default_value, kinds
from halfsplit.machine.model import Controller, Part, Place, Value
from halfsplit.machine.points import ONE_POINT, PointError, pins_of, switch_contacts
from halfsplit.machine.reading_controllers import read_controller
from halfsplit.machine.source import Text


@dataclass(frozen=True, slots=True)
class Setting:
    """What parts need to know of their machine: system voltage, and the only zone if there is just one."""

    system_v: float
    bodies: tuple[str, ...]
    single_zone: str | None


def read_parts(top: Fields, setting: Setting) -> dict[str, Part]:
    """The parts by id; a part whose kind is not known is left out (and noted)."""
    found = {}
    for name, value, place in top.mapping("parts"):
        check_identifier(top.report, name, place, "part")
        fields = Fields(top.report, value, f"part {short(name)}", place)
        kind = _kind(fields)
        if kind is not None:
            found[name] = _part(fields, name, kind, setting, place)
    return found


def _kind(fields: Fields) -> Kind | None:
    if not fields.has("kind"):
        if fields.entries is not None or not isinstance(fields.raw("kind"), Text):
            fields.missing("kind", f"one of {', '.join(kinds())}")
        return None
    word = fields.text("kind")
    if word not in kinds():
        if word:
            said = f'{fields.what}: there is no kind of part "{short(word)}"; there are {", ".join(kinds())}.'
            close = near(word.replace(" ", "_").replace("-", "_"), kinds())
            fields.report.add("unknown-kind", fields.place_of("kind"), said, close, "kind")
        return None
    return kinds()[word]


def _part(fields: Fields, name: str, kind: Kind, setting: Setting, place: Place) -> Part:
    report = fields.report
    values: dict[str, Value] = {}
    assumed: set[str] = set()
    for attribute in kind.attributes.values():
        given = _value(fields, attribute)
        if given is None:
            assumed.add(attribute.name)
            given = default_value(attribute, setting.system_v, values)
        values[attribute.name] = given
        report.places["attribute", name, attribute.key] = fields.place_of(attribute.key)
    if kind.name == "switch":
        _switch(fields, values, assumed)
    if kind.name == "relay":
        _relay(fields, values)
    controller: Controller | None = None
    if kind.name == "controller":
        controller, more = read_controller(fields, name, setting.system_v)
        assumed |= more
    zone = fields.text("zone")
    if zone:
        report.refer("zone", zone, fields.what, fields.place_of("zone"))
    else:
        assumed.add("zone")
        zone = setting.single_zone or ""
        if not zone:
            report.add(
                "zone-missing", fields.place, f"{fields.what} does not say in which zone it is.", key="zone"
            )
    part = Part(
        id=name,
        kind=kind.name,
        name=fields.text("name", name),
        zone=zone,
        values=values,
        access=fields.references("access", "access step"),
        controller=controller,
        assumed=frozenset(assumed),
        place=place,
    )
    plugs = _plugs(fields, part)
    fields.done()
    return Part(
        part.id, part.kind, part.name, part.zone, part.values, plugs, part.access, part.controller,
        part.assumed, part.place, )  # fmt: skip


def _value(fields: Fields, attribute: Attribute) -> Value | None:
    """The attribute as written, None when it is absent or wrong (wrong is noted)."""
    key = attribute.key
    if not fields.has(key):
        return None
    before = len(fields.report.problems)
    made: Value
    if attribute.is_quantity:
        made = fields.quantity(key, attribute.type, 0.0, attribute.low, attribute.high)
    elif attribute.type == "yesno":
        made = fields.yes_no(key, False)
    elif attribute.type == "choice":
        made = fields.choice(key, attribute.choices, attribute.choices[0])
    elif attribute.type == "words":
        made = " ".join(word.text for word in fields.words(key))
    elif attribute.type == "body":
        made = fields.text(key)
        fields.report.refer("body", made, fields.what, fields.place_of(key))
    else:
        made = fields.text(key)
    return made if len(fields.report.problems) == before else None


def _switch(fields: Fields, values: dict[str, Value], assumed: set[str]) -> None:
    """Check contacts against positions; where one of the two is left out, make it from the other."""
    report, positions = fields.report, str(values["positions"]).split()
    if fields.has("positions") and (len(positions) < 2 or len(set(positions)) < len(positions)):
        said = f"{fields.what} needs two positions or more, each once, the resting one first."
        report.add("switch-positions", fields.place_of("positions"), said, key="positions")
        return
    if "contacts" in assumed:
        if "positions" not in assumed:
            values["contacts"] = f"1-2: {' '.join(positions[1:])}"
        return
    try:
        contacts = switch_contacts(str(values["contacts"]))
    except PointError as error:
        report.add(
            "switch-contacts", fields.place_of("contacts"), f"{fields.what}: {error.message}", key="contacts"
        )
        values["contacts"] = "1-2: on"
        return
    values["contacts"] = "; ".join(str(contact) for contact in contacts)
    named = tuple(dict.fromkeys(word for contact in contacts for word in contact.positions))
    if "positions" in assumed:
        first = () if "off" in named else ("off",)
        made = (*first, *named) if len(named) + len(first) > 1 else ("rest", *named)
        values["positions"] = " ".join(("off", *(w for w in made if w != "off")) if "off" in made else made)
        return
    for word in named:
        if word not in positions:
            said = f'{fields.what}: its contacts name a position "{short(word)}" that is not in positions.'
            report.add(
                "switch-contacts", fields.place_of("contacts"), said, near(word, positions), "contacts"
            )


def _relay(fields: Fields, values: Mapping[str, Value]) -> None:
    if float(values["pull_in_v"]) < float(values["drop_out_v"]):
        key = "pull_in" if fields.has("pull_in") else "drop_out"
        said = f"{fields.what}: pull_in must not be below drop_out."
        fields.report.add("thresholds-reversed", fields.place_of(key), said, key=key)


def _plugs(fields: Fields, part: Part) -> dict[str, tuple[str, str]]:
    """Pin -> (connector, cavity), from ``plugs: {X21: {1: "+"}}``."""
    report, found = fields.report, dict[str, tuple[str, str]]()
    pins = pins_of(part)
    for connector, value, place in fields.mapping("plugs"):
        report.refer("connector", connector, fields.what, place)
        inner = Fields(report, value, f"{fields.what}, plug {short(connector)}", place)
        for cavity, pin_written in (inner.entries.values if inner.entries else {}).items():
            at = inner.place_of(cavity)
            if not isinstance(pin_written, Text) or (not pin_written.text and part.kind not in ONE_POINT):
                report.add(
                    "wrong-type",
                    at,
                    f"{inner.what}: cavity {short(cavity)} must name one pin, not {shape(pin_written)}.",
                )
                continue
            pin = pin_written.text
            if pin not in pins:
                close = near(pin, pins)
                said = (
                    f'{fields.what} has no pin "{short(pin)}"; it has {", ".join(pins) or "one point only"}.'
                )
                report.add("no-such-pin", at, said, close, "plugs")
            elif pin in found:
                was = ".".join(found[pin])
                said = (
                    f"{fields.what}: pin {pin} is in {was} already and cannot be in {connector}.{cavity} too."
                )
                report.add("pin-plugged-twice", at, said, key="plugs")
            else:
                found[pin] = (connector, cavity)
                report.places["plug", part.id, pin] = at
    return found


def setting_value(report: Report, part: Part, text: str, place: Place, what: str) -> Value | None:
    """What a state sets ``part`` to, in the part's own terms, or None with the problem noted."""
    if part.kind == "switch":
        words: tuple[str, ...] = tuple(part.text("positions").split())
    elif part.kind == "contact_sensor":
        words = ("open", "closed")
    elif part.kind == "alternator":
        words = ("running", "stopped")
    elif part.kind in ("sender", "sensor3"):
        key, quantity = ("resistance", "resistance") if part.kind == "sender" else ("share", "share")
        attribute = kinds()[part.kind].attributes[key]
        fields = Fields(report, None, what, place)
        return _set_quantity(fields, text, quantity, attribute, part.id)
    else:
        said = f"{what} sets {part.id}, a {part.kind}; only switches, sensors and alternators can be set."
        report.add("not-settable", place, said, key="set")
        return None
    if text in words:
        return text
    close = near(text, words)
    if close is None and len(words) == 2 and text in (*YES, *NO):
        close = words[1] if text in YES else words[0]
    said = f'{what}: {part.id} has no position "{short(text)}"; it has {", ".join(words)}.'
    report.add("no-such-position", place, said, close, "set")
    return None


def _set_quantity(fields: Fields, text: str, quantity: str, attribute: Attribute, part: str) -> float | None:
    said = f"{fields.what}, {part}"
    limits = (attribute.low, attribute.high)
    return read_quantity(fields.report, Text(text, fields.place), quantity, said, "set", within=limits)
