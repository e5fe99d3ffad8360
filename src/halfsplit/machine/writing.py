"""A Machine back into machine file text: machine.yaml and wires.csv that read to an equal machine.

What came from defaults is left out again, so that a better default later reaches the file too. Numbers are
written with a fitting prefix where that reads back to the very same value, and with every digit where it
would not.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Iterable, Mapping
from pathlib import Path

from halfsplit.machine.kinds import families, kinds
from halfsplit.machine.model import (
    EXPOSURES,
    Connector,
    Controller,
    Family,
    Function,
    Machine,
    Part,
    State,
    Value,
    Wire,
    Zone,
)
from halfsplit.machine.reading_wires import COLUMNS
from halfsplit.machine.upgrades import FORMAT, NEWEST
from halfsplit.quantities import QUANTITIES

Plain = str | list["Plain"] | dict[str, "Plain"]

_SAFE = re.compile(r"[A-Za-z0-9_][A-Za-z0-9_./%+@-]*(?: [A-Za-z0-9_./%+@-]+)*")
_UNPRINTABLE = re.compile(
    "[^\t\n\r -~\u00a0-\u2027\u202a-\ud7ff\ue000-\ufefe\uff00-\ufffd\U00010000-\U0010ffff]"
)


def write_machine(machine: Machine, folder: Path) -> tuple[Path, Path]:
    """Write machine.yaml and wires.csv into ``folder`` (made if missing); gives the two paths."""
    folder.mkdir(parents=True, exist_ok=True)
    paths = folder / "machine.yaml", folder / "wires.csv"
    paths[0].write_text(machine_text(machine), encoding="utf-8", newline="\n")
    paths[1].write_text(wires_text(machine.wires.values()), encoding="utf-8", newline="\n")
    return paths


def wires_text(wires: Iterable[Wire]) -> str:
    """The wire list as csv with all columns."""
    lines = [",".join(COLUMNS)]
    for wire in wires:
        size = "" if "area_m2" in wire.assumed else quantity_text(wire.area_m2, "area")
        length = "" if "length_m" in wire.assumed else quantity_text(wire.length_m, "length")
        name = "" if "id" in wire.assumed else wire.id
        cells = [name, wire.circuit, str(wire.a), str(wire.b), size, length, wire.colour, wire.run or ""]
        lines.append(",".join(map(_cell, cells)))
    return "\n".join(lines) + "\n"


def _cell(text: str) -> str:
    """One cell as RFC 4180 has it; Python's csv writer leaves a lone carriage return unquoted."""
    return '"' + text.replace('"', '""') + '"' if re.search('[,;"\r\n]', text) else text


def machine_text(machine: Machine) -> str:
    """machine.yaml as text; its wires are in wires.csv."""
    sections: list[tuple[str, Plain]] = [("machine", _head(machine))]
    sections.append(("cautions", {caution.id: caution.text for caution in machine.cautions.values()}))
    sections.append(("dangers", dict(machine.dangers)))
    if "zones" not in machine.assumed:
        sections.append(("zones", {zone.id: _zone(zone) for zone in machine.zones.values()}))
    sections.append(("access", _access(machine)))
    own = {
        c.family.id: c.family for c in machine.connectors.values() if families().get(c.family.id) != c.family
    }
    sections.append(("families", {family.id: _family(family) for family in own.values()}))
    sections.append(("runs", _runs(machine)))
    sections.append(("connectors", {c.id: _connector(c) for c in machine.connectors.values()}))
    sections.append(("parts", {part.id: _part(part) for part in machine.parts.values()}))
    if machine.wires:
        sections.append(("wires", "wires.csv"))
    if "states" not in machine.assumed:
        sections.append(("states", {s.id: _state(s, machine.parts) for s in machine.states.values()}))
    sections.append(("functions", {f.id: _function(f) for f in machine.functions.values()}))
    lines = [f"format: {FORMAT}/{NEWEST}"]
    for name, content in sections:
        if content:
            lines += _section(name, content)
    return "\n".join(lines) + "\n"


def _section(name: str, content: Plain) -> list[str]:
    """One section: its entries on a line each, controllers and other deep entries on several."""
    if not isinstance(content, dict):
        return [f"{name}: {_flow(content)}"]
    lines = [f"{name}:"]
    for key, value in content.items():
        line = f"  {_scalar(key)}: {_flow(value)}"
        if len(line) <= 140 or not isinstance(value, dict):
            lines.append(line)
        else:
            lines.append(f"  {_scalar(key)}:")
            lines += [f"    {_scalar(inner)}: {_flow(deep)}" for inner, deep in value.items()]
    return lines


def _flow(value: Plain) -> str:
    if isinstance(value, str):
        return _scalar(value)
    if isinstance(value, list):
        return f"[{', '.join(_flow(item) for item in value)}]"
    return "{" + ", ".join(f"{_scalar(key)}: {_flow(inner)}" for key, inner in value.items()) + "}"


def _scalar(text: str) -> str:
    """``text`` bare where YAML cannot misread it, else in double quotes with escapes."""
    if _SAFE.fullmatch(text) and text != "null" and len(text) <= 100:
        return text
    quoted = json.dumps(text, ensure_ascii=False).replace("\x7f", "\\x7f")
    return _UNPRINTABLE.sub(lambda m: f"\\u{ord(m.group()):04x}", quoted)


def quantity_text(value: float, quantity: str) -> str:
    """``value`` (SI) of ``quantity`` as text that parses to the same float, in the fewest digits that do."""
    kind = QUANTITIES[quantity]
    for digits in (3, 6, 9, 12, 15):
        text = kind.format(value, digits)
        if kind.parse(text) == value:
            return text
    unit = next((unit for unit, factor in kind.shown if factor == 1.0), kind.si_unit)
    return f"{value!r} {unit}".strip()


def minutes_text(minutes: float) -> str:
    """``minutes`` as a duration that reads back to the same float."""
    parse = QUANTITIES["duration"].parse
    seconds = minutes * 60.0
    texts = [f"{minutes:.{digits}g} min" for digits in (3, 6, 12)]
    texts += [f"{seconds:.{digits}g} s" for digits in (6, 12, 15)]
    near = seconds
    texts += [f"{near!r} s", f"{math.nextafter(near, 0.0)!r} s", f"{math.nextafter(near, math.inf)!r} s"]
    return next((text for text in texts if parse(text) / 60.0 == minutes), f"{seconds!r} s")


def _yes(value: bool) -> str:
    return "yes" if value else "no"


def _given(pairs: Mapping[str, Plain | None]) -> dict[str, Plain]:
    """Without what is empty."""
    return {key: value for key, value in pairs.items() if value}


def _head(machine: Machine) -> dict[str, Plain]:
    return _given({
        # Written even where the folder's name gave it, since the folder may be another one now.
        "id": machine.id,
        "name": machine.name,
        "maker": machine.maker,
        "invented": _yes(machine.invented) if machine.invented else None,
        "system": None if "system" in machine.assumed else quantity_text(machine.system_v, "voltage"),
        "about": machine.about,
        "bodies": None if "bodies" in machine.assumed else list(machine.bodies),
        "buses": list(machine.buses),
    })  # fmt: skip


def _zone(zone: Zone) -> dict[str, Plain]:
    exposure: dict[str, Plain] = {w: zone.exposure[w] for w in EXPOSURES if w not in zone.assumed}
    return _given({
        "name": zone.name if zone.name != zone.id else None,
        "exposure": exposure,
        "reach": list(zone.reach),
        "cautions": list(zone.cautions),
        "keep_out": list(zone.keep_out),
    })  # fmt: skip


def _access(machine: Machine) -> dict[str, Plain]:
    return {
        step.id: _given(
            {
                "name": step.name if step.name != step.id else None,
                "open": minutes_text(step.open_min),
                "close": minutes_text(step.close_min),
                "after": list(step.after),
                "cautions": list(step.cautions),
                "keep_out": list(step.keep_out),
            }
        )
        for step in machine.access.values()
    }


def _family(family: Family) -> dict[str, Plain]:
    return {
        "contact": quantity_text(family.contact_diameter_m, "length"),
        "pitch": quantity_text(family.pitch_m, "length"),
        "length": quantity_text(family.engaged_length_m, "length"),
        "sealing": family.sealing,
        "resistance": quantity_text(family.contact_resistance_ohm, "resistance"),
        "current": quantity_text(family.current_a, "current"),
        "source": family.source,
    }


def _runs(machine: Machine) -> dict[str, Plain]:
    return {
        run.id: _given(
            {
                "name": run.name if run.name != run.id else None,
                "zones": list(run.zones),
                "flexes": "yes" if run.flexes else None,
                "protection": run.protection if run.protection != "tape" else None,
            }
        )
        for run in machine.runs.values()
    }


def _connector(connector: Connector) -> dict[str, Plain]:
    left_out = connector.assumed
    return _given({
        "name": connector.name if connector.name != connector.id else None,
        "kind": "inline" if connector.inline else None,
        "family": None if "family" in left_out else connector.family.id,
        **({} if "grid" in left_out else _grid(connector.cavities)),
        "zone": None if "zone" in left_out else connector.zone,
        "faces": None if "faces" in left_out else connector.faces,
        "low_point": None if "low_point" in left_out else _yes(connector.low_point),
        "access": list(connector.access),
    })  # fmt: skip


def _grid(cavities: Mapping[str, tuple[int, int]]) -> dict[str, Plain]:
    """``grid: RxC`` where the cavities are numbered row by row, else rows of names."""
    rows = 1 + max((row for row, _ in cavities.values()), default=0)
    columns = 1 + max((column for _, column in cavities.values()), default=0)
    if dict(cavities) == {str(r * columns + c + 1): (r, c) for r in range(rows) for c in range(columns)}:
        return {"grid": f"{rows}x{columns}"}
    listed: list[list[Plain]] = [[] for _ in range(rows)]
    for name, (row, _) in sorted(cavities.items(), key=lambda item: item[1]):
        listed[row].append(name)
    return {"cavities": [list(row) for row in listed]}


def _part(part: Part) -> dict[str, Plain]:
    made: dict[str, Plain] = {"kind": part.kind}
    if part.name != part.id:
        made["name"] = part.name
    if "zone" not in part.assumed:
        made["zone"] = part.zone
    for attribute in kinds()[part.kind].attributes.values():
        if attribute.name not in part.assumed:
            made[attribute.key] = _value(part.values[attribute.name], attribute.type)
    plugs: dict[str, dict[str, Plain]] = {}
    for pin, (connector, cavity) in part.plugs.items():
        plugs.setdefault(connector, {})[cavity] = pin
    if plugs:
        made["plugs"] = {connector: dict(inner) for connector, inner in plugs.items()}
    if part.access:
        made["access"] = list(part.access)
    if part.controller is not None:
        made.update(_controller(part.controller, part.assumed))
    return made


def _value(value: Value, kind: str) -> Plain:
    if isinstance(value, bool):
        return _yes(value)
    if isinstance(value, float):
        return quantity_text(value, kind)
    return list(value.split()) if kind == "words" else value


def _controller(controller: Controller, assumed: frozenset[str]) -> dict[str, Plain]:
    def block(path: str, pairs: Mapping[str, Plain | None]) -> dict[str, Plain]:
        return {key: value for key, value in pairs.items() if value and f"{path}.{key}" not in assumed}

    supply = controller.supply
    made: dict[str, Plain] = {
        "supply": block("supply", {
            "pin": supply.pin,
            "ground": supply.ground,
            "current": quantity_text(supply.current_a, "current"),
            "stops_below": quantity_text(supply.stops_below_v, "voltage"),
        }),
        "inputs": {
            pin: block(f"inputs.{pin}", {
                "pull": i.pull,
                "resistance": quantity_text(i.pull_ohm, "resistance"),
                "to": quantity_text(i.pull_to_v, "voltage") if i.pull_to_v else None,
                "high_above": quantity_text(i.high_above_v, "voltage"),
                "low_below": quantity_text(i.low_below_v, "voltage"),
                "range": None if i.range_low_v is None or i.range_high_v is None
                else [quantity_text(i.range_low_v, "voltage"), quantity_text(i.range_high_v, "voltage")],
            })
            for pin, i in controller.inputs.items()
        },
        "outputs": {
            pin: block(f"outputs.{pin}", {
                "side": o.side,
                "on_resistance": quantity_text(o.on_resistance_ohm, "resistance"),
                "limit": quantity_text(o.limit_a, "current"),
                "when": o.when,
            })
            for pin, o in controller.outputs.items()
        },
        "references": {
            pin: block(f"references.{pin}", {
                "volts": quantity_text(r.volts, "voltage"),
                "resistance": quantity_text(r.resistance_ohm, "resistance"),
            })
            for pin, r in controller.references.items()
        },
        "bus": {
            m.bus: block(f"bus.{m.bus}", {
                "high": m.high,
                "low": m.low,
                "address": None if m.address is None else str(m.address),
                "period": None if m.period_s is None else quantity_text(m.period_s, "duration"),
            })
            for m in controller.buses
        },
        "sends": dict(controller.sends),
        "codes": {
            code.id: _given(
                {"spn": str(code.spn), "fmi": str(code.fmi), "when": code.when, "text": code.text}
            )
            for code in controller.codes.values()
        },
    }  # fmt: skip
    return _given(made)


def _state(state: State, parts: Mapping[str, Part]) -> dict[str, Plain]:
    settings: dict[str, Plain] = {}
    for part, value in state.settings.items():
        kind = "resistance" if parts[part].kind == "sender" else "share"
        settings[part] = quantity_text(value, kind) if isinstance(value, float) else str(value)
    return _given({
        "name": state.name if state.name != state.id else None,
        "set": settings,
        "minutes": minutes_text(state.minutes) if state.minutes != 0.5 else None,
        "cautions": list(state.cautions),
        "dangers": list(state.dangers),
    })  # fmt: skip


def _function(function: Function) -> dict[str, Plain]:
    left_out = function.assumed
    made: dict[str, Plain | None] = {
        "name": function.name if function.name != function.id else None,
        "watch": function.watch,
        "measure": function.measure,
        "full": quantity_text(function.full, "share"),
        "weak": quantity_text(function.weak, "share"),
        "expected": dict(function.expected),
        "words": list(function.words),
        "minutes": minutes_text(function.minutes),
    }
    return _given({key: value for key, value in made.items() if key not in left_out})
