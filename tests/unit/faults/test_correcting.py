"""Correction sheets: nothing without cautions, nothing without a source, and half repairs as what they were."""

from __future__ import annotations

import csv
from functools import cache
from importlib.resources import files
from pathlib import Path

import pytest

from halfsplit.errors import InternalError
from halfsplit.faults.catalogue import Fault, generate
from halfsplit.faults.correcting import correction_sheet, work_really_done
from halfsplit.faults.corrections_tables import values_of
from halfsplit.faults.curing import cure_chances
from halfsplit.faults.modes import corrections, modes
from halfsplit.machine.model import Machine
from halfsplit.machine.reading import load_machine
from halfsplit.observations import Action

EXAMPLES = Path(__file__).resolve().parents[3] / "examples"
CAUTION = ("Key out.",)
TABLES = ("correction_steps", "correction_materials", "correction_values", "correction_closing")


@cache
def sweeper() -> Machine:
    return load_machine(EXAMPLES / "saltmarsh-sweeper")


@cache
def faults() -> tuple[Fault, ...]:
    return generate(sweeper())


def fault(mode: str, owner: str = "") -> Fault:
    return next(one for one in faults() if one.mode.id == mode and owner in ("", one.owner))


def rows(table: str) -> list[dict[str, str]]:
    with files("halfsplit.faults").joinpath(f"{table}.csv").open(encoding="utf-8") as lines:
        return list(csv.DictReader(lines))


@pytest.mark.parametrize("table", TABLES)
def test_every_row_names_its_source_and_fits_something_that_exists(table: str) -> None:
    kinds = {part.kind for part in sweeper().parts.values()} | {"diode", "resistor", "terminator", "alternator"}
    known_modes = {mode.id for mode in modes()}
    for row in rows(table):
        assert row["source"], row
        if "correction" in row:
            assert row["correction"] in corrections(), row
            assert set(row["fits"].split()) <= kinds | known_modes, row
        else:
            assert set(row["modes"].split()) <= known_modes, row


def test_every_value_has_a_status_a_unit_and_a_bound() -> None:
    for row in rows("correction_values"):
        assert row["status"] in ("published", "common practice", "from memory"), row
        assert row["unit"], row
        assert row["low"] or row["high"], row
    for row in rows("correction_materials"):
        assert row["sort"] in ("part", "consumable", "tool"), row
        assert 0.0 < float(row["needed"]) <= 1.0, row


def test_every_fault_of_the_sweeper_has_a_sheet_with_cautions_steps_and_material_and_no_brace_left() -> None:
    for one in {each.mode.id: each for each in faults()}.values():
        sheet = correction_sheet(sweeper(), one, CAUTION)
        assert sheet.cautions[0] == CAUTION[0]
        assert sheet.steps, one.id
        assert sheet.materials, one.id
        told = " ".join([*sheet.cautions, *sheet.steps, *(line.item for line in sheet.materials)])
        assert "{" not in told, one.id


def test_there_is_no_sheet_without_cautions() -> None:
    with pytest.raises(InternalError):
        correction_sheet(sweeper(), fault("contact-open"), ())


def test_no_step_pierces_bridges_or_works_under_a_load() -> None:
    for row in rows("correction_steps"):
        if row["kind"] == "step":
            text = row["text"].casefold()
            assert not any(word in text for word in ("pierce", "bridge", "bypass", "under the raised"))


def test_water_is_closed_out_and_rubbing_is_taken_away() -> None:
    water = {line.what for line in correction_sheet(sweeper(), fault("wet-pair"), CAUTION).closing}
    rubbing = {line.what for line in correction_sheet(sweeper(), fault("wire-chafed"), CAUTION).closing}
    assert water == {"water"}
    assert rubbing == {"rubbing"}


def test_what_is_open_anyway_is_inspected_now_and_what_is_alike_elsewhere_later() -> None:
    machine = sweeper()
    one = fault("wet-pair", "X11")
    sheet = correction_sheet(machine, one, CAUTION)
    reached = set(machine.steps_for_zone(one.zone, one.access))
    for line in sheet.inspect_now:
        thing = machine.connectors.get(line.thing) or machine.parts.get(line.thing)
        if thing is not None:
            assert set(machine.steps_for_zone(thing.zone, thing.access)) <= reached
        assert line.thing != one.owner
    assert any(line.zone == one.zone and "same zone" in line.why for line in sheet.inspect_now)
    family = machine.connectors["X11"].family.id
    alike = [line for line in (*sheet.inspect_now, *sheet.inspect_later) if "same family" in line.why]
    assert alike
    assert all(machine.connectors[line.thing].family.id == family for line in alike)
    assert not {line.thing for line in sheet.inspect_now} & {line.thing for line in sheet.inspect_later}


def test_opening_more_makes_more_reachable() -> None:
    one = fault("wet-pair", "X11")
    few = correction_sheet(sweeper(), one, CAUTION)
    all_open = correction_sheet(sweeper(), one, CAUTION, tuple(sweeper().access))
    assert len(all_open.inspect_now) > len(few.inspect_now)


def test_limits_in_volts_follow_the_system() -> None:
    twelve = {row.item: row.high for row in values_of("repair-wire", (), 12.0)}
    twenty_four = {row.item: row.high for row in values_of("repair-wire", (), 24.0)}
    assert twelve["voltage drop over the wire"] == 0.2
    assert twenty_four["voltage drop over the wire"] == 0.4


@pytest.mark.parametrize(
    ("mode", "went", "kind"),
    [
        ("contact-open", "partly", "dry-clean"),
        ("contact-open", "failed", "unplug-refit"),
        ("wet-pair", "partly", "unplug-refit"),
        ("wire-open", "partly", "other"),
        ("stud-open", "failed", "other"),
    ],
)
def test_a_half_repair_cures_less_surely_than_a_whole_one(mode: str, went: str, kind: str) -> None:
    one = fault(mode)
    action = work_really_done(one.group, one.owner, went, "no part at hand")  # type: ignore[arg-type] # parametrised literals
    assert action.action == kind
    assert "no part at hand" in action.note
    correction, _, place = one.group.partition(":")
    whole = cure_chances(sweeper(), [one], correction, place)[0]
    half = cure_chances(sweeper(), [one], action.action, action.place)[0]
    assert half < 0.5 * whole
    assert Action(correction, place) != action  # type: ignore[arg-type] # a correction is a kind of action
