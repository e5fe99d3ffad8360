from __future__ import annotations

import csv
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from halfsplit.errors import InternalError
from halfsplit.quantities import area_m2, awg_area_m2, wire_resistance_ohm_per_m

with (Path(__file__).resolve().parents[2] / "data/copper-wire/copper_wire.csv").open(
    encoding="utf-8"
) as table:
    ROWS = list(csv.DictReader(table))


def rows(system: str, quantity: str, construction: str = "", status: str = "") -> list[dict[str, str]]:
    found = [
        row
        for row in ROWS
        if row["size_system"] == system
        and row["quantity"] == quantity
        and row["construction"].startswith(construction)
        and row["status"].startswith(status)
    ]
    assert found
    return found


def shortfall(row: dict[str, str]) -> float:
    """How far our nominal resistance lies below the row's maximum, as a share of the maximum."""
    ours = wire_resistance_ohm_per_m(float(row["size"]) * 1e-6)
    return 1 - ours / (float(row["value"]) * 1e-3)


@pytest.mark.outside(
    what="copper area of American wire gauge sizes 4/0 to 30",
    against="areas by the formula of ASTM B258, matching public wire tables",
    source="tests/data/copper-wire/copper_wire.csv",
    status="published",
    tolerance="2e-4 of the area, half of the last printed digit",
)
def test_gauge_areas_are_those_of_the_wire_table(record_property: Any) -> None:
    worst = 0.0
    for row in rows("AWG", "copper area"):
        ours = area_m2(f"{row['size']} AWG") * 1e6
        worst = max(worst, abs(ours / float(row["value"]) - 1))
    record_property("largest_deviation", f"{worst:.1e} of the area")
    assert worst < 2e-4


@pytest.mark.outside(
    what="resistance of stranded copper wire at 20 C, 0.22 to 16 mm2",
    against="maximum resistance per metre, ISO 6722-1",
    source="tests/data/copper-wire/copper_wire.csv",
    status="published",
    tolerance="0 to 8 % below the maximum, which leaves room for thin strands",
)
def test_resistance_lies_just_below_the_maximum_for_road_vehicle_cable(record_property: Any) -> None:
    found = [shortfall(row) for row in rows("ISO 6722", "dc resistance max", status="published")]
    record_property("largest_deviation", f"{min(found):.1%} to {max(found):.1%} below")
    assert 0 <= min(found)
    assert max(found) <= 0.08


@pytest.mark.outside(
    what="resistance of stranded copper wire at 20 C, 0.5 to 120 mm2",
    against="maximum resistance per metre, IEC 60228 class 5 plain",
    source="tests/data/copper-wire/copper_wire.csv",
    status="published",
    tolerance="0 to 13 % below the maximum, which leaves room for fine strands and their lay",
)
def test_resistance_lies_below_the_maximum_for_flexible_cable(record_property: Any) -> None:
    found = [shortfall(row) for row in rows("IEC 60228", "dc resistance max", "class 5 plain")]
    record_property("largest_deviation", f"{min(found):.1%} to {max(found):.1%} below")
    assert 0 <= min(found)
    assert max(found) <= 0.13


@pytest.mark.outside(
    what="resistance of stranded copper wire at 20 C, 0.5 to 120 mm2",
    against="maximum resistance per metre, IEC 60228 class 2 plain",
    source="tests/data/copper-wire/copper_wire.csv",
    status="published",
    tolerance="0 to 10 % below the maximum; most at 50 mm2, whose copper is 47 mm2 (from memory)",
)
def test_resistance_lies_below_the_maximum_for_rigid_strand(record_property: Any) -> None:
    found = [shortfall(row) for row in rows("IEC 60228", "dc resistance max", "class 2 plain")]
    record_property("largest_deviation", f"{min(found):.1%} to {max(found):.1%} below")
    assert 0 <= min(found)
    assert max(found) <= 0.10


@pytest.mark.outside(
    what="resistance of gauge sizes without the lay of strands",
    against="nominal resistance of solid annealed copper, ASTM B258 sizes",
    source="tests/data/copper-wire/copper_wire.csv",
    status="published",
    tolerance="4e-4 of the value, the rounding of the table",
)
def test_solid_wire_resistance_is_that_of_the_wire_table(record_property: Any) -> None:
    worst = 0.0
    for row in rows("AWG", "dc resistance", "solid"):
        ours = wire_resistance_ohm_per_m(area_m2(f"{row['size']} AWG")) / 1.02 * 1e3
        worst = max(worst, abs(ours / float(row["value"]) - 1))
    record_property("largest_deviation", f"{worst:.1e} of the value")
    assert worst < 4e-4


@pytest.mark.outside(
    what="ratio of a wire's resistance at 20 C to that at 75 C and 100 C",
    against="temperature correction, IEC 60228: 0.82 and 0.758",
    source="IEC 60228 temperature correction list",
    status="published",
    tolerance="0.003: the standard's list rounds and uses a slightly larger coefficient",
)
@pytest.mark.parametrize(("temp_c", "ratio"), [(75.0, 0.82), (100.0, 0.758)])
def test_resistance_rises_with_temperature_as_the_standard_says(
    temp_c: float, ratio: float, record_property: Any
) -> None:
    ours = wire_resistance_ohm_per_m(1e-6) / wire_resistance_ohm_per_m(1e-6, temp_c)
    record_property("largest_deviation", f"{abs(ours - ratio):.4f}")
    assert ours == pytest.approx(ratio, abs=0.003)


@given(st.floats(0.05, 240.0), st.floats(1.1, 10.0))
def test_thicker_wire_has_less_resistance_in_proportion(area_mm2: float, times: float) -> None:
    thin = wire_resistance_ohm_per_m(area_mm2 * 1e-6)
    assert wire_resistance_ohm_per_m(area_mm2 * times * 1e-6) == pytest.approx(thin / times, rel=1e-12)


@given(st.integers(-3, 37))
def test_three_gauge_numbers_are_nearly_a_factor_of_two_in_area(number: int) -> None:
    # The formula gives 92 ** (6 / 39) = 2.005, the trade's "three sizes double the copper".
    assert awg_area_m2(number) / awg_area_m2(number + 3) == pytest.approx(2.005, abs=0.001)


def test_a_gauge_out_of_range_or_a_wire_without_copper_is_our_bug() -> None:
    with pytest.raises(InternalError):
        awg_area_m2(41)
    with pytest.raises(InternalError):
        awg_area_m2(-4)
    with pytest.raises(InternalError):
        wire_resistance_ohm_per_m(0.0)
    with pytest.raises(InternalError):
        wire_resistance_ohm_per_m(1e-6, -250.0)
