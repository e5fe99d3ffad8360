"""A machine written to files reads back equal, whatever its names and numbers."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from halfsplit.machine.model import Machine, Value
from halfsplit.machine.reading import fingerprint, load_machine, plain
from halfsplit.machine.reading_wires import AREA_LIMITS, LENGTH_LIMITS
from halfsplit.machine.writing import minutes_text, quantity_text, write_machine
from halfsplit.quantities import QUANTITIES

ROOT = Path(__file__).resolve().parents[3]
FOLDERS = [ROOT / "tests" / "cases" / "machine_files" / "good", *sorted(
    path.parent for path in (ROOT / "examples").glob("*/machine.yaml")
)]  # fmt: skip

#: Any text a UTF-8 file can hold; halves of surrogate pairs cannot stand in one.
TEXTS = st.text(st.characters(exclude_categories=["Cs"]), min_size=1, max_size=30)
CELLS = TEXTS.map(str.strip)


@cache
def machine_in(folder: Path) -> Machine:
    return load_machine(folder)


@pytest.mark.parametrize("folder", FOLDERS, ids=lambda path: path.name)
def test_a_shipped_machine_reads_back_equal(folder: Path, tmp_path: Path) -> None:
    machine = machine_in(folder)
    write_machine(machine, tmp_path / folder.name)
    again = load_machine(tmp_path / folder.name)
    assert plain(again) == plain(machine)
    assert again.fingerprint == machine.fingerprint


@given(data=st.data())
def test_any_names_and_numbers_read_back_equal(
    data: st.DataObject, tmp_path_factory: pytest.TempPathFactory
) -> None:
    machine = varied(data, machine_in(FOLDERS[0]))
    folder = tmp_path_factory.mktemp("written")
    write_machine(machine, folder)
    assert plain(load_machine(folder)) == plain(replace(machine, fingerprint=fingerprint(machine)))


def varied(data: st.DataObject, machine: Machine) -> Machine:
    """``machine`` with other texts and numbers wherever the file may hold any."""
    draw = data.draw
    minutes = st.floats(0.0, 86400.0).map(lambda seconds: seconds / 60.0)
    parts = dict(machine.parts)
    coil = {**parts["K1"].values, "coil_ohm": draw(st.floats(5.0, 5000.0)), "suppression": "diode"}
    parts["K1"] = replace(
        parts["K1"], name=draw(TEXTS), values=coil, assumed=parts["K1"].assumed - {"suppression"}
    )
    wires = {
        wire.id: replace(
            wire,
            colour=draw(CELLS),
            circuit=draw(CELLS),
            area_m2=draw(st.floats(*AREA_LIMITS)),
            length_m=draw(st.floats(*LENGTH_LIMITS)),
        )
        for wire in machine.wires.values()
    }
    states = dict(machine.states)
    settings: dict[str, Value] = {"S1": "run", "T1": draw(st.floats(0.1, 1e6))}
    states["low"] = replace(states["low"], name=draw(TEXTS), minutes=draw(minutes), settings=settings)
    functions = dict(machine.functions)
    functions["pump"] = replace(
        functions["pump"], full=draw(st.floats(0.5, 1.0)), weak=draw(st.floats(0.0, 0.5))
    )
    access = dict(machine.access)
    access["open-lid"] = replace(access["open-lid"], open_min=draw(minutes), name=draw(TEXTS))
    return replace(
        machine, name=draw(TEXTS), about=draw(TEXTS), maker=draw(TEXTS), parts=parts, wires=wires,
        states=states, functions=functions, access=access,
    )  # fmt: skip


@given(
    value=st.floats(1e-9, 1e9),
    quantity=st.sampled_from(["resistance", "voltage", "current", "power", "length"]),
)
def test_a_number_is_written_so_that_it_reads_back_to_itself(value: float, quantity: str) -> None:
    assert QUANTITIES[quantity].parse(quantity_text(value, quantity)) == value


@given(seconds=st.floats(0.0, 1e6) | st.integers(0, 100_000).map(float))
def test_minutes_read_back_to_themselves(seconds: float) -> None:
    assert QUANTITIES["duration"].parse(minutes_text(seconds / 60.0)) / 60.0 == seconds / 60.0


def test_the_fingerprint_sees_values_and_nothing_else(tmp_path: Path) -> None:
    good = FOLDERS[0]
    text, wires = (good / "machine.yaml").read_text("utf-8"), (good / "wires.csv").read_text("utf-8")

    def fingerprint_of(name: str, changed: str) -> str:
        folder = tmp_path / name / "good"
        folder.mkdir(parents=True)
        (folder / "machine.yaml").write_text(changed, "utf-8")
        (folder / "wires.csv").write_text(wires, "utf-8")
        return load_machine(folder).fingerprint

    assert fingerprint_of("comment", "# a remark\n" + text) == machine_in(good).fingerprint
    assert fingerprint_of("spelling", text.replace("150 mA", "0.15 A")) == machine_in(good).fingerprint
    assert fingerprint_of("value", text.replace("150 mA", "160 mA")) != machine_in(good).fingerprint
