"""Seeded machine files of any size: a base box, a cab, and arms that are all alike in kind and all different in detail.

Every arm has a fuse and a trunk connector, a controller with pulled-up switches, a three-wire sensor and outputs, a
relay in the base box for its motor, a hard-wired pilot lamp in the cab, a ground stud and its place on a bus that four
arms share. How many outputs it has, what hangs on them, how long and thick the wires are, which connectors sit where
and how long it takes to get at the arm is drawn. All of it is invented for the benches; sizes of wires and fuses are
chosen so that a sound machine works in every state. The same seed gives the same files.
"""

from __future__ import annotations

import csv
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import yaml

from halfsplit.circuit.expansion import expand
from halfsplit.circuit.observing import readout
from halfsplit.circuit.settle import settle
from halfsplit.machine.model import Machine
from halfsplit.machine.reading import load_machine

#: States in which a harness can be set.
STATES = 8
#: Nodes of the expanded circuit without any arm, and those of one arm on average; counted, see the test of it.
BASE_NODES, ARM_NODES = 31, 137
ON_A_BUS = 4
WORKS = STATES - 2
LOADS = ("solenoid", "lamp", "led", "buzzer", "motor")
POSITION = {"lamp": "+-", "led": "+-", "buzzer": "+-", "motor": "+-", "solenoid": "12"}
SPLASH = ("low", "medium", "high")


@dataclass
class _Drawing:
    """What is put down so far; wires know their next number."""

    rng: np.random.Generator
    parts: dict[str, dict[str, Any]] = field(default_factory=dict)
    connectors: dict[str, dict[str, Any]] = field(default_factory=dict)
    zones: dict[str, dict[str, Any]] = field(default_factory=dict)
    access: dict[str, dict[str, Any]] = field(default_factory=dict)
    runs: dict[str, dict[str, Any]] = field(default_factory=dict)
    functions: dict[str, dict[str, Any]] = field(default_factory=dict)
    wires: list[tuple[str, ...]] = field(default_factory=list)

    def wire(self, circuit: str, one: str, other: str, size: str = "1 mm2", length: float = 0.0, run: str = "") -> None:
        metres = length or float(self.rng.uniform(0.2, 1.5))
        self.wires.append((f"W{len(self.wires) + 1}", circuit, one, other, size, f"{metres:.2f} m", "", run))

    def pick(self, *words: str) -> str:
        return str(self.rng.choice(words))

    def minutes(self, least: float, most: float) -> str:
        return f"{self.rng.uniform(least, most):.1f} min"


def arms_for(nodes: int) -> int:
    """The number of arms whose circuit has about so many nodes."""
    return max(1, round((nodes - BASE_NODES) / ARM_NODES))


def write_harness(folder: Path, nodes: int, seed: int = 1, *, watched: bool = True) -> Path:
    """Writes machine.yaml and wires.csv of a machine of about ``nodes`` nodes into ``folder``, made if missing.

    With ``watched`` every function is expected to do what it does on the sound machine, which takes settling it in all
    states; without, nobody complains of anything.
    """
    arms = arms_for(nodes)
    drawing = _Drawing(np.random.default_rng([seed, arms]))
    _base(drawing)
    works: list[dict[str, str]] = [{} for _ in range(WORKS)]
    for arm in range(arms):
        _arm(drawing, arm, arms, works)
    folder.mkdir(parents=True, exist_ok=True)
    with (folder / "wires.csv").open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(("wire", "circuit", "from", "to", "size", "length", "colour", "run"))
        writer.writerows(drawing.wires)
    document = _document(drawing, arms, seed, works)
    _write(document, folder)
    if not watched:
        return folder
    for name, expected in _seen_working(load_machine(folder)).items():
        document["functions"][name]["expected"] = expected
    _write(document, folder)
    return folder


def _write(document: dict[str, Any], folder: Path) -> None:
    text = yaml.safe_dump(document, sort_keys=False, allow_unicode=True, width=110)
    (folder / "machine.yaml").write_text(text, encoding="utf-8")


def _seen_working(machine: Machine) -> dict[str, dict[str, str]]:
    """What each function does on the sound machine: on in the states in which it works, off with the key on."""
    expected: dict[str, dict[str, str]] = {name: {} for name in machine.functions}
    for name, state in machine.states.items():
        netlist = expand(machine, state)
        rest = settle(netlist, second_start=False)
        reads = readout(machine, netlist)
        amps = np.array([[rest.currents[netlist.branch_index[carrier]] for carrier in reads.carriers]])
        for function, level in zip(machine.functions.values(), reads.levels(amps, rest.booleans[None])[0], strict=True):
            if level >= function.full:
                expected[function.id][name] = "on"
            elif level < function.weak and name == "key-on":
                expected[function.id][name] = "off"
    return expected


def _document(drawing: _Drawing, arms: int, seed: int, works: list[dict[str, str]]) -> dict[str, Any]:
    states: dict[str, dict[str, Any]] = {
        "standby": {"name": "Main switch on", "set": {"S0": "on"}, "minutes": "0.5 min"},
        "key-on": {"name": "Key on", "like": "standby", "set": {"KEY": "on"}, "minutes": "0.5 min"},
    }
    for number, setting in enumerate(works):
        states[f"work{number}"] = {
            "name": f"Work {number}", "like": "key-on", "set": setting or {"KEY": "on"}, "minutes": "0.5 min",
        }  # fmt: skip
    name = f"harness-{arms}-{seed}"
    buses = [f"CAN{bus}" for bus in range((arms - 1) // ON_A_BUS + 1)]
    return {
        "format": "halfsplit-machine/1",
        "machine": {
            "id": name, "name": f"Harness of {arms} arms, seed {seed}", "invented": "yes", "system": "24 V",
            "bodies": ["frame"], "buses": buses,
        },
        "cautions": {"arm": "An arm sinks when it is not on its rest. Lower it on its rest first, key out."},
        "zones": drawing.zones, "access": drawing.access, "runs": drawing.runs, "connectors": drawing.connectors,
        "parts": drawing.parts, "wires": "wires.csv", "states": states, "functions": drawing.functions,
    }  # fmt: skip


def _base(drawing: _Drawing) -> None:
    """Battery, main switch, power and ground points, and what the cab has for all arms."""
    one = drawing
    one.zones["base"] = {"name": "Base box", "exposure": {"splash": "medium"}, "reach": ["open-base"]}
    one.zones["cab"] = {"name": "Cab", "exposure": {"splash": "low"}, "reach": ["open-cab"]}
    one.access["open-base"] = {"name": "Open the base box", "open": "1 min", "close": "1 min"}
    one.access["open-cab"] = {"name": "Open the console", "open": "3 min", "close": "3 min"}
    one.runs["cab-loom"] = {"name": "Base box to the cab", "zones": ["base", "cab"], "protection": "conduit"}
    one.parts |= {
        "BAT": {"kind": "battery", "zone": "base", "internal_resistance": "5 mohm"},
        "F0": {"kind": "fuse", "zone": "base", "rating": "400 A"},
        "S0": {"kind": "switch", "zone": "base", "resistance": "0.3 mohm"},
        "FC": {"kind": "fuse", "zone": "base", "rating": "30 A"},
        "KEY": {"kind": "switch", "zone": "cab"},
        "ST0": {"kind": "splice", "zone": "base", "joint": "0.1 mohm"},
        "SPC": {"kind": "splice", "zone": "cab"},
        "SGC": {"kind": "splice", "zone": "cab"},
        "G0": {"kind": "stud", "zone": "base"},
        "GC": {"kind": "stud", "zone": "cab"},
    }
    one.wire("10", "BAT.+", "F0.1", "50 mm2", 0.4)
    one.wire("10", "F0.2", "S0.1", "50 mm2", 0.6)
    one.wire("11", "S0.2", "ST0", "50 mm2", 0.3)
    one.wire("31", "G0", "BAT.-", "50 mm2", 0.8)
    one.wire("12", "ST0", "FC.1", "6 mm2", 0.3)
    one.wire("12", "FC.2", "KEY.1", "4 mm2", 2.5, "cab-loom")
    one.wire("15", "KEY.2", "SPC", "4 mm2", 0.3)
    one.wire("31", "SGC", "GC", "4 mm2", 0.4)


def _plug(drawing: _Drawing, name: str, zone: str, grid: str, *families: str) -> str:
    drawing.connectors[name] = {
        "family": drawing.pick(*families), "grid": grid, "zone": zone, "faces": drawing.pick("up", "side", "down"),
    }  # fmt: skip
    return name


def _arm(drawing: _Drawing, arm: int, arms: int, works: list[dict[str, str]]) -> None:
    one, rng, zone, loom = drawing, drawing.rng, f"arm{arm}", f"loom{arm}"
    one.access[f"rest{arm}"] = {
        "name": f"Lower arm {arm} on its rest", "open": one.minutes(1, 4), "close": one.minutes(0.5, 2),
        "cautions": ["arm"],
    }  # fmt: skip
    one.access[f"cover{arm}"] = {
        "name": f"Take the cover off arm {arm}", "open": one.minutes(3, 15), "close": one.minutes(3, 15),
        "after": [f"rest{arm}"],
    }  # fmt: skip
    exposure = {what: one.pick(*SPLASH) for what in ("splash", "pooling", "mud", "vibration")}
    one.zones[zone] = {
        "name": f"Arm {arm}", "exposure": exposure, "reach": [f"rest{arm}", f"cover{arm}"], "cautions": ["arm"],
    }  # fmt: skip
    one.runs[loom] = {
        "name": f"Base box to arm {arm}", "zones": ["base", zone], "flexes": "yes",
        "protection": one.pick("conduit", "tape"),
    }  # fmt: skip
    one.runs[f"tail{arm}"] = {"name": f"On arm {arm}", "zones": [zone], "protection": "tape"}
    outputs, inputs = int(rng.integers(2, 5)), int(rng.integers(2, 4))
    trunk = f"T{arm}"
    one.connectors[trunk] = {
        "kind": "inline", "family": one.pick("sealed-1.6", "washproof-1.6", "open-2.8"), "grid": "2x5", "zone": zone,
        "faces": one.pick("up", "side", "down"), "low_point": one.pick("yes", "no"),
    }  # fmt: skip
    one.parts |= {
        f"F{arm + 1}": {"kind": "fuse", "zone": "base", "rating": "30 A"},
        f"SP{arm}": {"kind": "splice", "zone": zone},
        f"SG{arm}": {"kind": "splice", "zone": zone},
        f"G{arm + 1}": {"kind": "stud", "zone": zone},
    }
    one.wire("30", "ST0", f"F{arm + 1}.1", "6 mm2", 0.3)
    _through(one, arm, 1, "30", f"F{arm + 1}.2", f"SP{arm}", "4 mm2")
    one.wire("31", f"SG{arm}", f"G{arm + 1}", "6 mm2", 0.4)
    _controller(one, arm, arms, outputs, inputs)
    for number in range(inputs):
        switch = f"S{arm + 1}-{number}"
        one.parts[switch] = {"kind": "switch", "zone": "cab"}
        works[(arm + number) % WORKS][switch] = "on"
        _through(one, arm, 4 + number, f"{arm}i{number}", f"{switch}.1", f"X{arm}.{4 + number}", "0.75 mm2")
        one.wire("31", f"{switch}.2", "SGC", "1 mm2")
    for number in range(outputs):
        _load(one, arm, number)
    _motor(one, arm)
    pilot = f"H{arm}"
    one.parts[pilot] = {"kind": "led", "zone": "cab", "power": "2 W"}
    one.parts[f"{pilot}-S"] = {"kind": "switch", "zone": "cab"}
    works[arm % WORKS][f"{pilot}-S"] = "on"
    one.wire("15", "SPC", f"{pilot}-S.1", "0.75 mm2", run="")
    one.wire(f"{arm}p", f"{pilot}-S.2", f"{pilot}.+", "0.75 mm2")
    one.wire("31", f"{pilot}.-", "SGC", "0.75 mm2")
    one.functions[f"pilot{arm}"] = {"name": f"Pilot lamp of arm {arm}", "watch": pilot}


def _through(
    drawing: _Drawing, arm: int, cavity: int, circuit: str, one: str, other: str, size: str
) -> None:
    """Two wires and a cavity of the trunk connector between the base or cab and the arm."""
    metres = float(drawing.rng.uniform(2.0, 8.0))
    drawing.wire(circuit, one, f"T{arm}.{cavity}:s", size, metres, f"loom{arm}")
    drawing.wire(circuit, f"T{arm}.{cavity}:p", other, size, run=f"tail{arm}")


def _controller(drawing: _Drawing, arm: int, arms: int, outputs: int, inputs: int) -> None:
    one, bus, name, plug = drawing, f"CAN{arm // ON_A_BUS}", f"E{arm}", f"X{arm}"
    _plug(one, plug, f"arm{arm}", "2x10", "sealed-1.0", "sealed-1.6")
    pins = ["B+", "GND", "REF5", *(f"IN{n}" for n in range(3)), "SIG", "CANH", "CANL", "COIL"]
    pins += [f"OUT{n}" for n in range(outputs)]
    wanted = [n for n, pin in enumerate(pins, 1) if not pin.startswith("IN") or int(pin[2:]) < inputs]
    group = arm // ON_A_BUS * ON_A_BUS
    before = arm - 1 if arm > group else None
    when = {f"OUT{n}": f"not in.IN{n % inputs}" for n in range(outputs)}
    if before is not None:
        when["OUT0"] += f" and msg.go{before}"
    when["OUT1"] += " and not below.SIG"
    one.parts[name] = {
        "kind": "controller", "zone": f"arm{arm}", "plugs": {plug: {n: pins[n - 1] for n in wanted}},
        "supply": {"pin": "B+", "ground": "GND", "current": f"{one.rng.uniform(0.1, 0.4):.2f} A"},
        "inputs": {
            **{
                f"IN{n}": {
                    "pull": "up", "resistance": one.pick("1 kohm", "2.2 kohm", "4.7 kohm"), "to": "5 V",
                    "high_above": "3 V", "low_below": "2 V",
                }
                for n in range(inputs)
            },
            "SIG": {"pull": "none", "high_above": "2.5 V", "low_below": "2 V", "range": ["0.3 V", "4.7 V"]},
        },
        "outputs": {
            **{pin: {"side": "high", "limit": "8 A", "when": condition} for pin, condition in when.items()},
            "COIL": {"side": "high", "limit": "2 A", "when": "not in.IN1"},
        },
        "references": {"REF5": {"volts": "5 V"}},
        "bus": {bus: {"high": "CANH", "low": "CANL"}},
        "sends": {f"go{arm}": "not below.SIG"},
        "codes": {
            "signal-low": {"spn": str(520200 + 2 * arm), "fmi": "4", "when": "below.SIG"},
            "first-open": {"spn": str(520201 + 2 * arm), "fmi": "5", "when": "open.OUT0"},
        },
    }  # fmt: skip
    at = {pin: f"{plug}.{n}" for n, pin in enumerate(pins, 1)}
    one.wire("30", f"SP{arm}", at["B+"], "2.5 mm2", run=f"tail{arm}")
    one.wire("31", at["GND"], f"SG{arm}", "2.5 mm2", run=f"tail{arm}")
    sensor = f"B{arm}"
    _plug(one, f"XB{arm}", f"arm{arm}", "1x3", "sealed-1.6", "open-1.5")
    one.parts[sensor] = {
        "kind": "sensor3", "zone": f"arm{arm}", "share": f"{one.rng.uniform(30, 70):.0f} %",
        "plugs": {f"XB{arm}": {1: "feed", 2: "sig", 3: "gnd"}},
    }  # fmt: skip
    for pin, cavity in (("REF5", 1), ("SIG", 2)):
        one.wire(f"{arm}{pin}", at[pin], f"XB{arm}.{cavity}", "0.75 mm2", run=f"tail{arm}")
    one.wire("31", f"XB{arm}.3", f"SG{arm}", "0.75 mm2", run=f"tail{arm}")
    last = min(group + ON_A_BUS, arms) - 1
    for line, pin in (("H", "CANH"), ("L", "CANL")):
        joint = f"J{line}{arm}"
        one.parts[joint] = {"kind": "splice", "zone": f"arm{arm}"}
        one.wire(f"CAN{line}", at[pin], joint, "0.5 mm2", 0.2)
        if before is not None:
            one.wire(f"CAN{line}", f"J{line}{before}", joint, "0.5 mm2", float(one.rng.uniform(1, 5)))
    for end, there in (("a", arm == group), ("b", arm == last)):
        if there:
            one.parts[f"R{arm}{end}"] = {"kind": "terminator", "zone": f"arm{arm}"}
            one.wire("CANH", f"JH{arm}", f"R{arm}{end}.H", "0.5 mm2", 0.1)
            one.wire("CANL", f"JL{arm}", f"R{arm}{end}.L", "0.5 mm2", 0.1)
    one.functions[f"controller{arm}"] = {"name": f"Controller of arm {arm} answers", "watch": name}
    if before is not None:
        one.functions[f"go{before}"] = {"name": f"Message of arm {before} arrives", "watch": f"go{before}@{name}"}


def _load(drawing: _Drawing, arm: int, number: int) -> None:
    one, name, plug, tail = drawing, f"Y{arm}-{number}", f"XY{arm}-{number}", f"tail{arm}"
    kind = one.pick(*LOADS)
    pins = POSITION[kind]
    values = {"lamp": {"power": "40 W"}, "led": {"power": "15 W"}, "motor": {"current": "4 A"}}.get(kind, {})
    _plug(one, plug, f"arm{arm}", "1x2", "sealed-1.6", "washproof-1.6", "open-2.8")
    one.parts[name] = {"kind": kind, "zone": f"arm{arm}", **values, "plugs": {plug: {1: pins[0], 2: pins[1]}}}
    circuit, out = f"{arm}o{number}", f"X{arm}.{11 + number}"
    if one.rng.random() < 0.4:
        between = f"V{arm}-{number}"
        one.connectors[between] = {
            "kind": "inline", "family": one.pick("sealed-1.6", "open-2.8"), "grid": "1x2", "zone": f"arm{arm}",
        }  # fmt: skip
        one.wire(circuit, out, f"{between}.1:s", "1 mm2", run=tail)
        one.wire(circuit, f"{between}.1:p", f"{plug}.1", "1 mm2", run=tail)
        one.wire("31", f"{plug}.2", f"{between}.2:p", "1 mm2", run=tail)
        one.wire("31", f"{between}.2:s", f"SG{arm}", "1 mm2", run=tail)
    else:
        one.wire(circuit, out, f"{plug}.1", "1 mm2", run=tail)
        one.wire("31", f"{plug}.2", f"SG{arm}", "1 mm2", run=tail)
    one.functions[f"load{arm}-{number}"] = {"name": f"Load {number} of arm {arm}", "watch": name}


def _motor(drawing: _Drawing, arm: int) -> None:
    """A motor on the arm behind a relay in the base box, whose coil the arm's controller feeds."""
    one, relay, motor = drawing, f"K{arm}", f"M{arm}"
    one.parts[relay] = {"kind": "relay", "zone": "base", "suppression": one.pick("diode", "resistor")}
    one.parts[f"FK{arm}"] = {"kind": "fuse", "zone": "base", "rating": "25 A"}
    _plug(one, f"XM{arm}", f"arm{arm}", "1x2", "sealed-2.8", "open-2.8")
    one.parts[motor] = {
        "kind": "motor", "zone": f"arm{arm}", "current": f"{one.rng.uniform(3, 10):.1f} A",
        "plugs": {f"XM{arm}": {1: "+", 2: "-"}},
    }  # fmt: skip
    one.wire("30", "ST0", f"FK{arm}.1", "6 mm2", 0.3)
    one.wire("30", f"FK{arm}.2", f"{relay}.30", "4 mm2", 0.3)
    _through(one, arm, 8, f"{arm}c", f"{relay}.86", f"X{arm}.10", "0.75 mm2")
    one.wire("31", f"{relay}.85", "G0", "0.75 mm2")
    _through(one, arm, 9, f"{arm}m", f"{relay}.87", f"XM{arm}.1", "4 mm2")
    one.wire("31", f"XM{arm}.2", f"SG{arm}", "4 mm2", run=f"tail{arm}")
    one.functions[f"motor{arm}"] = {"name": f"Motor of arm {arm}", "watch": motor}
