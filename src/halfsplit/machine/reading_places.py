"""Reading the places of a machine: cautions, access steps, zones, runs, families and connectors."""

from __future__ import annotations

import re
from collections.abc import Mapping

from halfsplit.machine.fields import Fields, check_identifier, near, shape, short, words_in
from halfsplit.machine.kinds import SEALING, families
from halfsplit.machine.model import (
    EXPOSURES,
    FACES,
    LEVELS,
    AccessStep,
    Caution,
    Connector,
    Family,
    Run,
    Zone,
)
from halfsplit.machine.points import PIN
from halfsplit.machine.source import Items, Text, Written

PROTECTIONS = ("tape", "conduit", "none")
DEFAULT_FAMILY = "sealed-1.6"
DEFAULT_ZONE = "machine"
MAX_CAVITIES = 400
_FAMILY_ID = re.compile(r"[A-Za-z0-9][A-Za-z0-9_.-]*")
_GRID = re.compile(r"\s*([0-9]{1,3})\s*[xX]\s*([0-9]{1,3})\s*")

Grid = Mapping[str, tuple[int, int]]


def read_cautions(top: Fields) -> dict[str, Caution]:
    """The cautions by id, each with its text."""
    found = {}
    for name, value, place in top.mapping("cautions"):
        check_identifier(top.report, name, place, "caution")
        if isinstance(value, Text) and value.text.strip():
            found[name] = Caution(name, value.text.strip())
        else:
            top.report.add("wrong-type", place, f"caution {short(name)} must be a text, not {shape(value)}.")
    return found


def read_dangers(top: Fields) -> dict[str, str]:
    """The file's own dangers by id, each with what ends it."""
    found = {}
    for name, value, place in top.mapping("dangers"):
        check_identifier(top.report, name, place, "danger")
        if isinstance(value, Text) and value.text.strip():
            found[name] = value.text.strip()
        else:
            said = f"danger {short(name)} must say what ends it, in a text, not {shape(value)}."
            top.report.add("wrong-type", place, said)
    return found


def read_access(top: Fields) -> dict[str, AccessStep]:
    """The access steps by id."""
    found = {}
    for name, value, place in top.mapping("access"):
        check_identifier(top.report, name, place, "access step")
        step = Fields(top.report, value, f"access step {short(name)}", place)
        for key in ("open", "close"):
            if not step.has(key):
                step.missing(key, f"the minutes to {key}, like {key}: 2 min")
        found[name] = AccessStep(
            id=name,
            name=step.text("name", name),
            open_min=step.quantity("open", "duration", 60.0, 0.0, 86400.0) / 60.0,
            close_min=step.quantity("close", "duration", 60.0, 0.0, 86400.0) / 60.0,
            after=step.references("after", "access step"),
            cautions=step.references("cautions", "caution"),
            keep_out=step.references("keep_out", "danger"),
            place=place,
        )
        step.done()
    return found


def read_zones(top: Fields) -> dict[str, Zone]:
    """The zones by id; when none is written there is one, named machine."""
    found = {}
    for name, value, place in top.mapping("zones"):
        check_identifier(top.report, name, place, "zone")
        zone = Fields(top.report, value, f"zone {short(name)}", place)
        exposure, assumed = _exposure(zone)
        found[name] = Zone(
            id=name,
            name=zone.text("name", name),
            exposure=exposure,
            reach=zone.references("reach", "access step"),
            cautions=zone.references("cautions", "caution"),
            keep_out=zone.references("keep_out", "danger"),
            assumed=assumed,
            place=place,
        )
        zone.done()
    if not found:
        exposure = dict.fromkeys(EXPOSURES, "low")
        found[DEFAULT_ZONE] = Zone(DEFAULT_ZONE, DEFAULT_ZONE, exposure, assumed=frozenset(EXPOSURES))
    return found


def _exposure(zone: Fields) -> tuple[dict[str, str], frozenset[str]]:
    block = zone.block("exposure")
    levels = {}
    for word in EXPOSURES:
        levels[word] = block.choice(word, LEVELS, "low", "unknown-level")
    assumed = frozenset(word for word in EXPOSURES if not block.has(word))
    if block.entries is not None:
        for key, place in block.entries.keys.items():
            if key not in EXPOSURES:
                said = f'"{short(key)}" is not an exposure; they are {", ".join(EXPOSURES)}.'
                zone.report.add("unknown-exposure", place, said, near(key, EXPOSURES), "exposure")
    return levels, assumed


def read_runs(top: Fields) -> dict[str, Run]:
    """The harness runs by id."""
    found = {}
    for name, value, place in top.mapping("runs"):
        check_identifier(top.report, name, place, "run")
        run = Fields(top.report, value, f"run {short(name)}", place)
        found[name] = Run(
            id=name,
            name=run.text("name", name),
            zones=run.references("zones", "zone"),
            flexes=run.yes_no("flexes", False),
            protection=run.choice("protection", PROTECTIONS, "tape"),
            place=place,
        )
        run.done()
    return found


def read_families(top: Fields) -> dict[str, Family]:
    """The file's own connector families, then those that come with halfsplit."""
    found = {}
    for name, value, place in top.mapping("families"):
        if not _FAMILY_ID.fullmatch(name):
            check_identifier(top.report, name, place, "family")
        family = Fields(top.report, value, f"family {short(name)}", place)
        for key, like in (
            ("contact", "1.5 mm"),
            ("pitch", "4 mm"),
            ("length", "6 mm"),
            ("sealing", "IP67 or open"),
        ):
            if not family.has(key):
                family.missing(key, f"like {key}: {like}")
        sealing = family.text("sealing", "open")
        if not SEALING.fullmatch(sealing):
            said = (
                f'family {short(name)}: "{short(sealing)}" is not a sealing code such as IP67, IP69K or open.'
            )
            close = near(
                sealing.replace(" ", ""), ("IP54", "IP65", "IP67", "IP68", "IP69K", "IP6K9K", "open")
            )
            top.report.add("bad-sealing", family.place_of("sealing"), said, close, "sealing")
            sealing = "open"
        contact = family.quantity("contact", "length", 1.6e-3, 1e-4, 0.05)
        pitch = family.quantity("pitch", "length", 5e-3, 1e-4, 0.2)
        if pitch <= contact:
            said = f"family {short(name)}: the pitch must be larger than the contact."
            top.report.add("thresholds-reversed", family.place_of("pitch"), said, key="pitch")
        found[name] = Family(
            id=name,
            contact_diameter_m=contact,
            pitch_m=pitch,
            engaged_length_m=family.quantity("length", "length", 5e-3, 1e-4, 0.2),
            sealing=sealing,
            contact_resistance_ohm=family.quantity("resistance", "resistance", 5e-3, 1e-5, 1.0),
            current_a=family.quantity("current", "current", 10.0, 0.1, 1000.0),
            source=family.text("source", "not said"),
        )
        family.done()
    return {**families(), **found}


def read_connectors(
    top: Fields, known: Mapping[str, Family], zone_of_part: Mapping[str, str], used: Mapping[str, list[str]],
    single_zone: str | None,
) -> dict[str, Connector]:  # fmt: skip
    """The connectors by id.

    ``zone_of_part`` gives for a connector the zone of the part plugged into it; ``used`` the cavities named
    by plugs and wires, from which a missing grid is made; ``single_zone`` the machine's zone when it has
    only one.
    """
    found = {}
    for name, value, place in top.mapping("connectors"):
        check_identifier(top.report, name, place, "connector")
        fields = Fields(top.report, value, f"connector {short(name)}", place)
        assumed = {key for key in ("family", "zone", "faces", "low_point") if not fields.has(key)}
        family = _family(fields, known)
        cavities = _cavities(fields)
        if cavities is None:
            cavities = _row(used.get(name, []))
            assumed.add("grid")
        inline = fields.choice("kind", ("device", "inline"), "device") == "inline"
        found[name] = Connector(
            id=name,
            name=fields.text("name", name),
            family=family,
            cavities=cavities,
            zone=_zone(fields, None if inline else zone_of_part.get(name), single_zone),
            inline=inline,
            faces=fields.choice("faces", FACES, "side"),
            low_point=fields.yes_no("low_point", False),
            access=fields.references("access", "access step"),
            assumed=frozenset(assumed),
            place=place,
        )
        fields.done()
    return found


def _family(fields: Fields, known: Mapping[str, Family]) -> Family:
    name = fields.text("family", DEFAULT_FAMILY)
    if name not in known:
        said = f'{fields.what}: there is no connector family "{short(name)}".'
        fields.report.add("no-such-family", fields.place_of("family"), said, near(name, known), "family")
        return known[DEFAULT_FAMILY]
    return known[name]


def _zone(fields: Fields, of_part: str | None, single_zone: str | None) -> str:
    if fields.has("zone"):
        zone = fields.text("zone")
        fields.report.refer("zone", zone, fields.what, fields.place_of("zone"))
        return zone
    zone = of_part or single_zone or ""
    if not zone:
        fields.report.add(
            "zone-missing", fields.place, f"{fields.what} does not say in which zone it is.", key="zone"
        )
    return zone


def _cavities(fields: Fields) -> Grid | None:
    """Cavities from ``grid: RxC`` or from rows of names, None when neither is written."""
    grid, rows = fields.has("grid"), fields.raw("cavities")
    if grid and rows is not None:
        said = f"{fields.what} has both grid and cavities; keep the one that is right."
        fields.report.add("bad-grid", fields.place_of("grid"), said, key="grid")
        return {}
    if grid:
        text = fields.text("grid")
        match = _GRID.fullmatch(text)
        size = (int(match.group(1)), int(match.group(2))) if match else (0, 0)
        if not 0 < size[0] * size[1] <= MAX_CAVITIES:
            said = f'{fields.what}: "{short(text)}" is not a grid like 2x6 of at most {MAX_CAVITIES}.'
            fields.report.add("bad-grid", fields.place_of("grid"), said, key="grid")
            return {}
        return {str(r * size[1] + c + 1): (r, c) for r in range(size[0]) for c in range(size[1])}
    if rows is not None:
        return _named_cavities(fields, rows)
    return None


def _named_cavities(fields: Fields, rows: Written) -> Grid:
    if not isinstance(rows, Items):
        said = f"{fields.what}, cavities must be a list of rows like [[A, B], [C, D]], not {shape(rows)}."
        fields.report.add("wrong-type", rows.place, said, key="cavities")
        return {}
    found: dict[str, tuple[int, int]] = {}
    listed = rows.items if any(isinstance(item, Items) for item in rows.items) else [rows]
    for r, row in enumerate(listed):
        for c, cell in enumerate(words_in(fields.report, row, f"{fields.what}, cavities", "cavities")):
            if cell.text in found:
                said = f"{fields.what}: cavity {short(cell.text)} stands twice in the grid."
                fields.report.add("duplicate-id", cell.place, said, key="cavities")
            elif not PIN.fullmatch(cell.text):
                fields.report.add(
                    "bad-id", cell.place, f'{fields.what}: "{short(cell.text)}" cannot name a cavity.'
                )
            else:
                found[cell.text] = (r, c)
    return found


def _row(names: list[str]) -> Grid:
    """One row that holds every cavity used; numbered cavities run from 1 without gaps."""
    numbers = [int(name) for name in names if re.fullmatch(r"[1-9][0-9]{0,2}", name)]
    if names and len(numbers) == len(names) and max(numbers) <= MAX_CAVITIES:
        return {str(number): (0, number - 1) for number in range(1, max(numbers) + 1)}
    return {name: (0, column) for column, name in enumerate(dict.fromkeys(names))}
