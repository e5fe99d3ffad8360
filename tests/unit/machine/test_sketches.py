"""What stands in for everything a sketch leaves out."""

from __future__ import annotations

from pathlib import Path

import pytest

from halfsplit.machine.assumptions import assumptions, counts, sharpening
from halfsplit.machine.model import EXPOSURES, Machine
from halfsplit.machine.reading import load_machine, machine_of_text

ROOT = Path(__file__).resolve().parents[3]
SKETCH = ROOT / "examples" / "hand-cart-generator" / "machine.yaml"


def machine_of(text: str) -> Machine:
    machine, problems = machine_of_text(text)
    assert machine is not None, [str(p) for p in problems]
    return machine


SMALL = """
format: halfsplit-machine/1
machine: {name: Small, invented: yes, system: 24 V, buses: [B]}
connectors: {X1: {}, X2: {}}
parts:
  BAT: {kind: battery}
  S1: {kind: switch}
  S2: {kind: switch, positions: [no, yes, more]}
  S3: {kind: switch, contacts: "a-b: high; a-c: low"}
  F1: {kind: fuse, rating: 7.5 A}
  K1: {kind: relay, suppression_resistance: 470 ohm}
  H1: {kind: lamp, plugs: {X1: {1: "+", 3: "-"}}}
  E1:
    kind: controller
    plugs: {X2: {A: B+, B: GND, K: OUT}}
    outputs: {OUT: {}}
    inputs: {IN: {pull: up, to: 5 V}}
wires:
  - {from: BAT.+, to: F1.1}
  - {from: F1.2, to: X1.1}
  - {from: F1.2, to: X2.A}
  - {from: X1.3, to: BAT.-}
  - {from: X2.B, to: BAT.-}
  - {from: F1.2, to: K1.86}
  - {from: K1.85, to: BAT.-}
  - {from: F1.2, to: K1.30}
functions:
  lamp: {watch: H1}
  brain: {watch: E1}
"""


def test_the_shipped_sketch_has_at_most_twenty_lines_and_loads() -> None:
    assert len(SKETCH.read_text("utf-8").splitlines()) <= 20
    machine = load_machine(SKETCH.parent)
    assert machine.invented
    assert "invented" in machine.maker
    assert machine.id == "hand-cart-generator"


def test_one_zone_with_low_exposure_stands_in_and_holds_everything() -> None:
    machine = machine_of(SMALL)
    assert machine.zones["machine"].exposure == dict.fromkeys(EXPOSURES, "low")
    assert {part.zone for part in machine.parts.values()} == {"machine"}
    assert "zone" in machine.parts["BAT"].assumed


def test_defaults_follow_the_system_voltage_and_the_rating() -> None:
    machine = machine_of(SMALL)
    assert machine.parts["BAT"].number("voltage_v") == pytest.approx(25.2)
    assert machine.parts["F1"].number("resistance_ohm") == pytest.approx(0.075 / 7.5)
    assert machine.parts["K1"].number("coil_ohm") == pytest.approx(24 / 0.14)
    assert machine.parts["K1"].number("suppression_ohm") == 470.0
    assert machine.parts["K1"].text("suppression") == "resistor"


def test_a_switch_says_what_it_did_not_say() -> None:
    machine = machine_of(SMALL)
    assert (machine.parts["S1"].text("contacts"), machine.parts["S1"].text("positions")) == (
        "1-2: on",
        "off on",
    )
    assert machine.parts["S2"].text("contacts") == "1-2: yes more"
    assert machine.parts["S3"].text("positions") == "off high low"


def test_a_missing_grid_is_one_row_of_the_cavities_used() -> None:
    machine = machine_of(SMALL)
    assert machine.connectors["X1"].cavities == {"1": (0, 0), "2": (0, 1), "3": (0, 2)}
    assert machine.connectors["X2"].cavities == {"A": (0, 0), "B": (0, 1), "K": (0, 2)}
    assert machine.connectors["X1"].family.id == "sealed-1.6"


def test_states_are_made_from_the_switches() -> None:
    machine = machine_of(SMALL)
    assert set(machine.states) == {"rest", "on"}
    assert machine.states["on"].settings == {"S1": "on", "S2": "yes", "S3": "high"}
    assert machine.states["rest"].settings == {}


def test_controller_blocks_fill_themselves() -> None:
    controller = machine_of(SMALL).parts["E1"].controller
    assert controller is not None
    assert controller.supply.stops_below_v == pytest.approx(24 * 0.667)
    assert controller.outputs["OUT"].when == "alive"
    assert controller.inputs["IN"].high_above_v == pytest.approx(3.0)
    assert controller.inputs["IN"].low_below_v == pytest.approx(2.0)


def test_unnamed_wires_are_numbered_and_remember_what_was_assumed() -> None:
    machine = machine_of(SMALL)
    assert list(machine.wires)[:2] == ["W1", "W2"]
    assert machine.wires["W1"].assumed == {"id", "area_m2", "length_m"}
    assert (machine.wires["W1"].area_m2, machine.wires["W1"].length_m) == (1e-6, 1.0)


def test_functions_take_measure_levels_and_words_from_the_kind() -> None:
    machine = machine_of(SMALL)
    lamp, brain = machine.functions["lamp"], machine.functions["brain"]
    assert (lamp.measure, lamp.full, lamp.weak, lamp.words) == ("volts", 0.6, 0.12, ("dark", "dim", "lit"))
    assert (brain.measure, brain.words) == ("alive", ("dead", "unsteady", "alive"))
    assert lamp.expected == {}
    assert "expected" in lamp.assumed


def test_words_that_yaml_would_turn_into_something_else_stay_words() -> None:
    text = SMALL.replace("name: Small", "name: 12:30, about: 0o17").replace(
        "F1: {kind: fuse", "F1: {kind: fuse, name: no"
    )
    machine = machine_of(text)
    assert (machine.name, machine.about, machine.parts["F1"].name) == ("12:30", "0o17", "no")


def test_like_takes_over_and_own_settings_win() -> None:
    text = SMALL + (
        "states:\n  a: {set: {S1: on, S2: yes}}\n"
        "  b: {like: a, set: {S2: more}}\n  c: {like: b, set: {S3: low}}\n"
    )
    assert machine_of(text).states["c"].settings == {"S1": "on", "S2": "more", "S3": "low"}


def test_every_default_that_stood_in_is_listed_with_its_value() -> None:
    found = assumptions(machine_of(SMALL))
    listed = {(each.id, each.attribute): each.value for each in found}
    assert listed["W1", "size"] == "1 mm2"
    assert listed["K1", "pull_in"] == "14.4 V"
    assert listed["X2", "grid"] == "one row of 3"
    assert listed["lamp", "full"] == "60 %"
    assert ("K1", "suppression_resistance") not in listed
    assert counts(found)["wire", "size"] == 8


def test_writing_a_fact_takes_it_off_the_list_of_what_would_sharpen() -> None:
    before = sharpening(machine_of(SMALL))
    assert [each.faults for each in before] == sorted((each.faults for each in before), reverse=True)
    lengths = next(each for each in before if "lengths" in each.advice)
    assert "W2" in lengths.ids
    longer = SMALL.replace("{from: F1.2, to: X1.1}", "{from: F1.2, to: X1.1, length: 3 m}")
    after = next(each for each in sharpening(machine_of(longer)) if "lengths" in each.advice)
    assert after.faults < lengths.faults
    assert set(lengths.ids) - set(after.ids) == {"W2"}


def test_a_wire_that_nothing_watched_hangs_on_is_not_asked_for() -> None:
    text = SMALL.replace("  brain: {watch: E1}\n", "").replace(
        "wires:\n", "wires:\n  - {id: W90, from: S1.1, to: S2.1}\n"
    )
    lengths = next(each for each in sharpening(machine_of(text)) if "lengths" in each.advice)
    assert "W90" not in lengths.ids
