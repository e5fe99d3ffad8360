"""From a machine folder to a checked Machine, or to every problem in it at once.

Reading goes in two rounds: first each value by itself, then, once all values are sound, what refers to
what. So one slip of spelling is reported where it was made and not again at every place that refers to it.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import fields as dataclass_fields
from dataclasses import is_dataclass, replace
from pathlib import Path

from halfsplit.errors import Problem, ProblemsError, nearest
from halfsplit.machine.fields import Fields, Report, check_identifier, short
from halfsplit.machine.model import Machine, Part, Place, Wire
from halfsplit.machine.points import IDENTIFIER
from halfsplit.machine.reading_parts import Setting, read_parts
from halfsplit.machine.reading_places import (
    read_access,
    read_cautions,
    read_connectors,
    read_dangers,
    read_families,
    read_runs,
    read_zones,
)
from halfsplit.machine.reading_states import read_functions, read_states
from halfsplit.machine.reading_wires import read_wires
from halfsplit.machine.rules import check_references
from halfsplit.machine.rules_wiring import check_wiring
from halfsplit.machine.source import Entries, Written, parse_yaml, read_yaml
from halfsplit.machine.upgrades import FORMAT, NEWEST, refusal, upgraded, version_of

MACHINE_FILE = "machine.yaml"
SECTIONS = (
    "format", "machine", "cautions", "dangers", "zones", "access", "families", "runs", "connectors", "parts", "wires",
    "states", "functions",
)  # fmt: skip


def load_machine(path: Path | str) -> Machine:
    """The machine in folder ``path`` (or in the file machine.yaml given itself).

    Raises ProblemsError holding every problem when it cannot be used.
    """
    machine, problems = read_machine(path)
    if machine is None or problems:
        raise ProblemsError(problems)
    return machine


def read_machine(path: Path | str) -> tuple[Machine | None, tuple[Problem, ...]]:
    """As load_machine, but gives (machine, ()) or (None, problems ordered by file and line)."""
    path = Path(path)
    try:
        file = path / MACHINE_FILE if path.is_dir() else path
    except (OSError, ValueError):
        file = path
    problems: list[Problem] = []
    written = read_yaml(file, problems)
    return _machine_of(written, problems, file)


def machine_of_text(text: str, file: str = MACHINE_FILE) -> tuple[Machine | None, tuple[Problem, ...]]:
    """As read_machine, for text at hand; wires must stand in it, or in a csv beside ``file``."""
    problems: list[Problem] = []
    return _machine_of(parse_yaml(text, file, problems), problems, Path(file))


def machine_of_values(written: Written | None, file: Path) -> tuple[Machine | None, tuple[Problem, ...]]:
    """As read_machine, for values already taken apart; csv files are looked for beside ``file``."""
    return _machine_of(written, [], file)


def _machine_of(
    written: Written | None, problems: list[Problem], file: Path
) -> tuple[Machine | None, tuple[Problem, ...]]:
    report = Report(problems)
    machine = _read(written, report, file) if written is not None else None
    if report.problems:
        return None, tuple(sorted(set(report.problems), key=Problem.sort_key))
    return machine, ()


def _read(written: Written | None, report: Report, file: Path) -> Machine | None:
    start = Place(str(file), 1)
    if not isinstance(written, Entries):
        report.add("wrong-type", start, "A machine file is a mapping that begins with format: and machine:.")
        return None
    version = _version(written, report, start)
    if version is None:
        return None
    top = Fields(report, upgraded(written, version), "The machine file", start)
    for section in SECTIONS:
        top.raw(section)
    top.done()
    machine = _assembled(top, file)
    if report.problems or machine is None:
        return None
    check_references(machine, report)
    if not report.problems:
        check_wiring(machine, report)
    return None if report.problems else replace(machine, fingerprint=fingerprint(machine))


def _version(written: Entries, report: Report, start: Place) -> int | None:
    top = Fields(report, written, "The machine file", start)
    if not top.has("format"):
        said = f"The file does not say its format; write format: {FORMAT}/{NEWEST} in its first line."
        near = nearest("format", written.values)
        report.add(
            "format-missing", written.keys[near] if near else start, said, f"format: {FORMAT}/{NEWEST}"
        )
        return None
    text, place = top.text("format"), top.place_of("format")
    version = version_of(text)
    if version is None:
        report.add(
            "format-unknown",
            place,
            f'"{short(text)}" is not a format of machine files.',
            f"{FORMAT}/{NEWEST}",
        )
        return None
    if version > NEWEST:
        report.add("format-newer", place, refusal(version))
        return None
    return version


def _assembled(top: Fields, file: Path) -> Machine | None:
    """All sections read, nothing yet checked against anything else."""
    report = top.report
    head = Fields(report, top.raw("machine"), "machine", top.place_of("machine"))
    if not top.has("machine"):
        top.missing("machine", "name, maker and system voltage")
    assumed = {key for key in ("system", "bodies") if not head.has(key)}
    name = head.text("name")
    if top.has("machine") and not name:
        head.missing("name", "what people call the machine")
    system_v = head.quantity("system", "voltage", 12.0, 5.0, 32.0)
    bodies = tuple(word.text for word in head.words("bodies")) or ("frame",)
    buses = tuple(word.text for word in head.words("buses"))
    for key in ("bodies", "buses"):
        seen: set[str] = set()
        for word in head.words(key):
            check_identifier(report, word.text, word.place, key)
            if word.text in seen:
                report.add("duplicate-id", word.place, f"{word.text} stands twice in {key}.", key=key)
            seen.add(word.text)
    zones = read_zones(top)
    single_zone = next(iter(zones)) if len(zones) == 1 else None
    parts = read_parts(top, Setting(system_v, bodies, single_zone))
    wires = read_wires(top, file.parent)
    zone_of_part = {where[0]: part.zone for part in parts.values() for where in part.plugs.values()}
    machine = Machine(
        id=_machine_id(head, file, name),
        name=name,
        maker=head.text("maker"),
        invented=head.yes_no("invented", False),
        system_v=system_v,
        about=head.text("about"),
        bodies=bodies,
        cautions=read_cautions(top),
        access=read_access(top),
        zones=zones,
        runs=read_runs(top),
        connectors=read_connectors(
            top, read_families(top), zone_of_part, _used_cavities(parts, wires), single_zone
        ),
        parts=parts,
        wires=wires,
        states=read_states(top, parts),
        functions=read_functions(top, parts),
        buses=buses,
        dangers=read_dangers(top),
        assumed=frozenset(assumed | {key for key in ("zones", "states") if not top.has(key)}),
    )
    head.done()
    _not_empty(top, machine)
    return machine


def _machine_id(head: Fields, file: Path, name: str) -> str:
    """The id written, or the folder's name, or the machine's name made into an id."""
    if head.has("id"):
        written = head.text("id")
        check_identifier(head.report, written, head.place_of("id"), "machine")
        return written
    for candidate in (file.absolute().parent.name, name):
        made = "-".join(
            "".join(c if c.isascii() and c.isalnum() else " " for c in candidate).lower().split()
        )[:60]
        if IDENTIFIER.fullmatch(made):
            return made
    return "machine"


def _used_cavities(parts: Mapping[str, Part], wires: Mapping[str, Wire]) -> dict[str, list[str]]:
    """Per connector the cavities that plugs and wires name, plugs first."""
    used: dict[str, dict[str, None]] = {}
    for part in parts.values():
        for connector, cavity in part.plugs.values():
            used.setdefault(connector, {})[cavity] = None
    for wire in wires.values():
        for end in (wire.a, wire.b):
            if end.pin:
                used.setdefault(end.owner, {})[end.pin] = None
    return {connector: list(cavities) for connector, cavities in used.items()}


def _not_empty(top: Fields, machine: Machine) -> None:
    """A machine needs parts, a battery among them, and something a person can observe."""
    report = top.report
    if not top.mapping("parts"):
        if not isinstance(top.raw("parts"), Entries) and top.has("parts"):
            return
        report.add("no-parts", top.place_of("parts"), "The machine has no parts.", key="parts")
        return
    written = [Fields(report, value, name, place) for name, value, place in top.mapping("parts")]
    if not any(part.kind == "battery" for part in machine.parts.values()) and len(written) == len(
        machine.parts
    ):
        report.add(
            "no-battery", top.place_of("parts"), "No part is a battery, so nothing can be fed.", key="parts"
        )
    misspelled = any(p.code == "unknown-key" and p.suggestion == "functions" for p in report.problems)
    if not top.has("functions") and not misspelled:
        said = "The machine has no functions: nothing a person could observe, so nothing to diagnose by."
        report.add("no-functions", top.place_of("functions"), said, key="functions")
    _ids_once(report, machine)


def _ids_once(report: Report, machine: Machine) -> None:
    """Parts, connectors and wires share one set of names, since all of them are named in checks."""
    taken: dict[str, tuple[str, Place | None]] = {}
    sections: tuple[tuple[str, Mapping[str, object]], ...] = (
        ("part", machine.parts), ("connector", machine.connectors), ("wire", machine.wires),
    )  # fmt: skip
    for word, things in sections:
        for name, thing in things.items():
            place = getattr(thing, "place", None)
            if name in taken:
                other, first = taken[name]
                where = f" in line {first.line}" if first else ""
                report.add(
                    "duplicate-id", place, f"{word} {name}: that is the id of a {other}{where} already."
                )
            else:
                taken[name] = (word, place)


def fingerprint(machine: Machine) -> str:
    """A hash of everything the file says, apart from comments, layout, order of keys and line numbers."""
    text = json.dumps(plain(replace(machine, fingerprint="")), sort_keys=True, ensure_ascii=True)
    return hashlib.sha256(text.encode()).hexdigest()


def plain(value: object) -> object:
    """``value`` as JSON values, places left out; for comparing machines and for the fingerprint."""
    if isinstance(value, Place):
        return None
    if is_dataclass(value):
        return {f.name: plain(getattr(value, f.name)) for f in dataclass_fields(value) if f.name != "place"}
    if isinstance(value, Mapping):
        return {str(key): plain(inner) for key, inner in value.items()}
    if isinstance(value, frozenset):
        return sorted(str(item) for item in value)
    if isinstance(value, tuple | list):
        return [plain(item) for item in value]
    return value
