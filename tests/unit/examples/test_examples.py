"""The shipped machines: big enough, marked invented, and electrically sound by our own circuit."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from halfsplit.circuit.changes import Change, Series, Shunt
from halfsplit.circuit.expansion import LOAD_PINS, expand, load_ohm, used_cavities
from halfsplit.circuit.meters import ohms
from halfsplit.circuit.netlist import Netlist
from halfsplit.circuit.observing import readout
from halfsplit.circuit.settle import Outcome, settle
from halfsplit.machine.model import AccessStep, Connector, Machine, Part, State, Wire, Zone
from halfsplit.machine.reading import load_machine

EXAMPLES = Path(__file__).resolve().parents[3] / "examples"
SWEEPER, PLATFORM = "saltmarsh-sweeper", "orchard-platform"
NAMES = (SWEEPER, PLATFORM)

#: Least sizes: what a machine needs so that finding a fault in it is work.
LEAST = {
    SWEEPER: {
        "parts": 90, "connectors": 35, "contacts": 300, "wires": 220, "functions": 14, "states": 6,
        "access": 14, "controllers": 2, "fuses": 12, "relays": 8,
    },
    PLATFORM: {
        "parts": 60, "connectors": 25, "contacts": 180, "wires": 150, "functions": 10, "states": 6,
        "access": 10, "controllers": 4, "fuses": 10, "relays": 4,
    },
}  # fmt: skip

#: Greatest steady current (A) by wire size (mm2): common practice, no source.
WIRE_A = {
    0.75: 6, 1: 10, 1.5: 14, 2.5: 20, 4: 30, 6: 40, 10: 60, 16: 90, 25: 120, 35: 150, 50: 200,
}  # fmt: skip
FUSE_SHARE = 0.8  # steady load over rating: common practice, no source
#: Runs slowly on purpose, through its resistor.
SLOW = frozenset({"blower-low"})
LOAD_SHARE = 0.9  # least voltage at a working load over system voltage: common practice, no source


@dataclass(frozen=True)
class Settled:
    """One machine in one state: outcome, function levels 0 to 2, active codes."""

    netlist: Netlist
    outcome: Outcome
    levels: dict[str, int]
    codes: tuple[tuple[str, str], ...]


@cache
def machine(name: str) -> Machine:
    return load_machine(EXAMPLES / name)


def work(name: str, state: str, changes: tuple[Change, ...] = ()) -> Settled:
    it = machine(name)
    netlist = expand(it, it.states[state])
    outcome = settle(netlist, changes)
    read = readout(it, netlist)
    amps = np.array([[outcome.amps(branch) for branch in read.carriers]])
    values = read.levels(amps, outcome.booleans[None])[0]
    active = read.active(amps, outcome.booleans[None])[0]
    levels = {
        function.id: 2 if value >= function.full else 1 if value >= function.weak else 0
        for function, value in zip(it.functions.values(), values, strict=True)
    }
    codes = tuple(code for code, on in zip(read.code_names, active, strict=True) if on)
    return Settled(netlist, outcome, levels, codes)


@cache
def healthy(name: str) -> dict[str, Settled]:
    return {state: work(name, state) for state in machine(name).states}


def sizes(name: str) -> dict[str, int]:
    it = machine(name)
    kinds = [part.kind for part in it.parts.values()]
    return {
        "parts": len(it.parts),
        "connectors": len(it.connectors),
        "contacts": sum(len(used_cavities(it, connector)) for connector in it.connectors.values()),
        "wires": len(it.wires),
        "functions": len(it.functions),
        "states": len(it.states),
        "access": len(it.access),
        "zones": len(it.zones),
        "controllers": kinds.count("controller"),
        "fuses": kinds.count("fuse"),
        "relays": kinds.count("relay"),
    }


def disturbed(name: str, states: tuple[str, ...], change: Change) -> set[str]:
    """Functions that show another level than healthy in one of ``states``."""
    return {
        function
        for state in states
        for function, level in work(name, state, (change,)).levels.items()
        if level != healthy(name)[state].levels[function]
    }


def onward(it: Machine, point: str, ends: Mapping[str, object]) -> list[str]:
    """Points the current of a fuse goes on to: through connectors, splices, switches and relay contacts."""
    owner, _, pin = point.partition(".")
    part = it.parts.get(owner)
    if part is None or part.kind == "splice":
        return [point]
    if part.kind == "relay" and pin == "30":
        return [f"{owner}.87"]
    if part.kind in ("switch", "contact_sensor"):
        return [other for other in list(ends) if other.startswith(f"{owner}.") and other != point]
    return []


@pytest.mark.parametrize("name", NAMES)
def test_the_machine_has_at_least_its_promised_size(name: str) -> None:
    found = sizes(name)
    assert {what: found[what] for what in LEAST[name] if found[what] < LEAST[name][what]} == {}


@pytest.mark.parametrize("name", NAMES)
def test_the_machine_and_its_maker_are_marked_invented(name: str) -> None:
    it = machine(name)
    readme = (EXAMPLES / name / "README.md").read_text("utf-8")
    assert it.invented
    assert "invented" in it.maker.lower()
    assert "invented" in it.about.lower()
    assert "invented" in readme.split("\n\n")[1]


@pytest.mark.parametrize("name", NAMES)
def test_the_readme_gives_the_sizes_the_files_have(name: str) -> None:
    readme = (EXAMPLES / name / "README.md").read_text("utf-8")
    rows = re.findall(r"^\| ([a-z ]+) \| (\d+) \|$", readme, re.MULTILINE)
    told = {what: int(count) for what, count in rows}
    words = {"contacts in use": "contacts", "access steps": "access"}
    found = sizes(name)
    assert len(told) == 8
    assert {what: found[words.get(what, what)] for what in told} == told


@pytest.mark.parametrize("name", NAMES)
def test_every_part_and_place_the_readme_names_exists(name: str) -> None:
    it = machine(name)
    readme = (EXAMPLES / name / "README.md").read_text("utf-8")
    named = set(re.findall(r"\b(?:[A-Z]{1,3}\d+)\b", readme)) - {"CAN1"}
    assert len(named) > 20
    assert named - set(it.parts) - set(it.connectors) == set()


@pytest.mark.parametrize("name", NAMES)
def test_no_wire_size_length_family_grid_or_place_is_assumed(name: str) -> None:
    it = machine(name)
    assert [wire.id for wire in it.wires.values() if wire.assumed] == []
    assert [c.id for c in it.connectors.values() if c.inline and c.assumed] == []
    # On a part's own plug the usual way round goes without saying.
    assert {name for c in it.connectors.values() for name in c.assumed} <= {"faces", "low_point"}


@pytest.mark.parametrize("name", NAMES)
def test_every_zone_step_run_and_caution_is_used(name: str) -> None:
    it = machine(name)
    things: list[Connector | Part] = [*it.connectors.values(), *it.parts.values()]
    holders: list[Zone | AccessStep | State] = [*it.zones.values(), *it.access.values(), *it.states.values()]
    zones = {thing.zone for thing in things}
    steps = {step for zone in it.zones.values() for step in zone.reach}
    steps |= {step for thing in things for step in thing.access}
    steps |= {step for other in it.access.values() for step in other.after}
    cautions = {caution for holder in holders for caution in holder.cautions}
    assert set(it.zones) == zones
    assert set(it.access) == steps
    assert set(it.runs) == {wire.run for wire in it.wires.values() if wire.run}
    assert set(it.cautions) == cautions


@pytest.mark.parametrize("name", NAMES)
def test_low_upward_connectors_and_flexing_runs_are_there(name: str) -> None:
    it = machine(name)
    risky = [c for c in it.connectors.values() if c.inline and c.low_point and c.faces == "up"]
    assert risky
    assert any(it.zones[c.zone].exposure["pooling"] != "none" for c in risky)
    assert any(run.flexes for run in it.runs.values())


@pytest.mark.parametrize("name", NAMES)
def test_trouble_codes_lie_in_the_makers_range_with_a_published_fmi(name: str) -> None:
    # SAE J1939: SPN 520192 to 524287 are the maker's; J1939-73 gives FMI 3, 4 (voltage above, below normal),
    # 5 (open), 6 (current above normal) and 9 (abnormal update rate).
    codes = [
        code
        for part in machine(name).parts.values()
        if part.controller is not None
        for code in part.controller.codes.values()
    ]
    assert len(codes) >= 15
    assert all(520192 <= code.spn <= 524287 and code.fmi in {3, 4, 5, 6, 9} for code in codes)


@pytest.mark.parametrize("name", NAMES)
def test_no_two_states_are_set_alike_and_no_message_has_two_senders(name: str) -> None:
    it = machine(name)
    settings = [tuple(sorted(state.settings.items())) for state in it.states.values()]
    assert len(set(settings)) == len(settings)
    sent = [m for p in it.parts.values() if p.controller is not None for m in p.controller.sends]
    assert len(set(sent)) == len(sent)


@pytest.mark.parametrize("name", NAMES)
def test_healthy_functions_show_what_is_expected_in_every_listed_state(name: str) -> None:
    wrong = [
        (function.id, state, want, healthy(name)[state].levels[function.id])
        for function in machine(name).functions.values()
        for state, want in function.expected.items()
        if healthy(name)[state].levels[function.id] != (2 if want == "on" else 0)
    ]
    assert wrong == []


@pytest.mark.parametrize("name", NAMES)
def test_every_function_is_looked_at_in_two_states_or_more_and_most_both_on_and_off(name: str) -> None:
    expected = [set(f.expected.values()) for f in machine(name).functions.values()]
    assert all(len(f.expected) >= 2 for f in machine(name).functions.values())
    assert sum(both == {"on", "off"} for both in expected) >= 0.9 * len(expected)


@pytest.mark.parametrize("name", NAMES)
def test_every_load_a_person_sees_belongs_to_a_function(name: str) -> None:
    it = machine(name)
    watched = {function.watch for function in it.functions.values()}
    seen = {part.id for part in it.parts.values() if part.kind in LOAD_PINS and part.kind != "relay"}
    assert seen - watched == set()


@pytest.mark.parametrize("name", NAMES)
def test_the_healthy_machine_rests_in_every_state_and_stores_no_code(name: str) -> None:
    odd = [
        (s, w.outcome.kind, w.codes)
        for s, w in healthy(name).items()
        if w.outcome.kind != "steady" or w.codes
    ]
    assert odd == []


@pytest.mark.parametrize("name", NAMES)
def test_every_state_draws_current_or_charges(name: str) -> None:
    cells = [f"cell:{part.id}" for part in machine(name).parts.values() if part.kind == "battery"]
    # 1 mA is far above what the controllers' standby resistances of 20 kohm take and below any lamp.
    assert all(abs(w.outcome.amps(c)) > 1e-3 for w in healthy(name).values() for c in cells)


@pytest.mark.parametrize("name", NAMES)
def test_no_fuse_carries_more_than_80_percent_of_its_rating(name: str) -> None:
    wrong = [
        (part.id, state, round(amps, 1), part.number("rating_a"))
        for part in machine(name).parts.values()
        if part.kind == "fuse"
        for state, settled in healthy(name).items()
        if (amps := abs(settled.outcome.amps(f"fuse:{part.id}"))) > FUSE_SHARE * part.number("rating_a")
    ]
    assert wrong == []


@pytest.mark.parametrize("name", NAMES)
def test_no_wire_carries_more_than_its_size_allows(name: str) -> None:
    wrong = [
        (wire.id, state, round(amps, 1))
        for wire in machine(name).wires.values()
        for state, settled in healthy(name).items()
        if (amps := abs(settled.outcome.amps(f"wire:{wire.id}"))) > WIRE_A[round(wire.area_m2 * 1e6, 3)]
    ]
    assert wrong == []


@pytest.mark.parametrize("name", NAMES)
def test_every_wire_behind_a_fuse_can_carry_the_fuses_rating(name: str) -> None:
    it = machine(name)
    plugged = {where: f"{p.id}.{pin}" for p in it.parts.values() for pin, where in p.plugs.items()}
    ends: dict[str, list[tuple[Wire, str]]] = defaultdict(list)
    for wire in it.wires.values():
        a, b = (plugged.get((end.owner, end.pin), f"{end.owner}.{end.pin}") for end in (wire.a, wire.b))
        ends[a].append((wire, b))
        ends[b].append((wire, a))
    wrong = []
    for fuse in (part for part in it.parts.values() if part.kind == "fuse"):
        seen: set[str] = set()
        waiting = [f"{fuse.id}.2"]
        while waiting:
            for wire, far in ends[waiting.pop()]:
                if wire.id in seen:
                    continue
                seen.add(wire.id)
                if WIRE_A[round(wire.area_m2 * 1e6, 3)] < fuse.number("rating_a"):
                    wrong.append((fuse.id, wire.id))
                waiting += onward(it, far, ends)
    assert wrong == []


@pytest.mark.parametrize("name", NAMES)
def test_no_contact_carries_more_than_its_family_allows(name: str) -> None:
    it = machine(name)
    wrong = [
        (connector.id, cavity, state, round(amps, 1))
        for connector in it.connectors.values()
        for cavity in used_cavities(it, connector)
        for state, settled in healthy(name).items()
        if (amps := abs(settled.outcome.amps(f"contact:{connector.id}.{cavity}")))
        > connector.family.current_a
    ]
    assert wrong == []


@pytest.mark.parametrize("name", NAMES)
def test_every_working_load_gets_at_least_90_percent_of_the_system_voltage(name: str) -> None:
    it = machine(name)
    wrong = []
    for function in it.functions.values():
        part = it.parts.get(function.watch)
        if part is None or part.kind not in LOAD_PINS or part.kind in ("led", "relay") or function.id in SLOW:
            continue  # LEDs are watched by their current, relays by their contacts
        for state, want in function.expected.items():
            volts = healthy(name)[state].outcome.amps(f"load:{part.id}") * load_ohm(it, part)
            if want == "on" and abs(volts) < LOAD_SHARE * it.system_v:
                wrong.append((function.id, state, round(volts, 2)))
    assert wrong == []


@pytest.mark.parametrize("name", NAMES)
def test_the_bus_pair_measures_the_two_terminators_in_parallel(name: str) -> None:
    it = machine(name)
    netlist = healthy(name)["standby"].netlist
    cells = [f"cell:{part.id}" for part in it.parts.values() if part.kind == "battery"]
    ends = [part.id for part in it.parts.values() if part.kind == "terminator"]
    assert len(ends) == 2
    for end in ends:
        reading = ohms(netlist, f"{end}.H", f"{end}.L", cells).resistance_ohm
        # 54 to 66 ohm is good: trade_practice.md part 6.
        assert 54.0 < reading < 66.0


def test_two_batteries_in_series_make_the_platforms_24_volts() -> None:
    it = machine(PLATFORM)
    batteries = [part for part in it.parts.values() if part.kind == "battery"]
    assert [part.number("voltage_v") for part in batteries] == [12.6, 12.6]
    assert healthy(PLATFORM)["standby"].outcome.volts("BAT2.+") == pytest.approx(25.2, abs=0.05)  # lamp load


def test_one_ground_stud_in_the_belly_pan_disturbs_sweeping_and_tipping_together() -> None:
    found = disturbed(SWEEPER, ("sweep", "tip"), Series("stud:G10", float("inf")))
    assert {"brush-left", "brush-right", "spray-pump", "brush-arm", "hopper-raise"} <= found
    assert "display" not in found


def test_an_open_rear_ground_lets_the_brake_lamps_feed_back_through_the_tail_lamps() -> None:
    change = Series("stud:G11", float("inf"))
    found = work(SWEEPER, "reverse", (change,)).levels
    assert found["brake-lamp-left"] < 2
    assert found["tail-lamp-left"] > 0
    assert healthy(SWEEPER)["reverse"].levels["tail-lamp-left"] == 0


def test_an_open_fuse_box_ground_lights_a_pilot_that_should_be_dark() -> None:
    assert healthy(SWEEPER)["idle"].levels["work-lamp-pilot"] == 0
    assert work(SWEEPER, "idle", (Series("stud:G6", float("inf")),)).levels["work-lamp-pilot"] > 0


def test_a_shorted_blocking_diode_lights_front_work_lamps_in_reverse() -> None:
    # 20 mohm: the catalogue's shorted diode, from memory.
    found = work(SWEEPER, "reverse", (Shunt("D1.A", "D1.K", 1 / 0.02),)).levels
    assert healthy(SWEEPER)["reverse"].levels["work-lamp-left"] == 0
    assert (found["work-lamp-left"], found["work-lamp-right"], found["work-lamp-pilot"]) == (2, 2, 2)


def test_an_open_stop_chain_contact_stops_all_movement_while_controllers_answer() -> None:
    it = machine(PLATFORM)
    circuit = {str(wire.a): wire for wire in it.wires.values() if wire.circuit == "203"}
    cavity = next(str(end).partition(":")[0] for end in circuit if str(end).startswith("X10."))
    change = Series(f"contact:{cavity}", float("inf"))
    found = work(PLATFORM, "up", (change,)).levels
    assert (found["safety-relay"], found["boom-up"], found["pump"]) == (0, 0, 0)
    assert min(found[f"{what}-controller"] for what in ("base", "mast", "basket", "drive")) == 2


@pytest.mark.parametrize("name", NAMES)
def test_inline_connectors_share_several_circuits(name: str) -> None:
    it = machine(name)
    circuits: dict[str, set[str]] = defaultdict(set)
    for wire in it.wires.values():
        for end in (wire.a, wire.b):
            if end.half:
                circuits[end.owner].add(wire.circuit)
    assert all(len(found) >= 3 for found in circuits.values()), circuits
    assert sum(len(found) >= 5 for found in circuits.values()) >= 5
