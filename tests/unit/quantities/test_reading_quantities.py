from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from halfsplit import quantities
from halfsplit.quantities import QUANTITIES, QuantityError

READ: list[tuple[Callable[[str], float], str, float]] = [
    (quantities.resistance_ohm, "120 ohm", 120.0),
    (quantities.resistance_ohm, "4.7 kohm", 4700.0),
    (quantities.resistance_ohm, "4.7 Kohm", 4700.0),
    (quantities.resistance_ohm, "4,7 kOhms", 4700.0),
    (quantities.resistance_ohm, "4.7k", 4700.0),
    (quantities.resistance_ohm, "4k7", 4700.0),
    (quantities.resistance_ohm, "4k7 ohm", 4700.0),
    (quantities.resistance_ohm, "4R7", 4.7),
    (quantities.resistance_ohm, "120R", 120.0),
    (quantities.resistance_ohm, "1M5", 1.5e6),
    (quantities.resistance_ohm, "10 Mohm", 1e7),
    (quantities.resistance_ohm, "2 megohm", 2e6),
    (quantities.resistance_ohm, "5 mohm", 0.005),
    (quantities.resistance_ohm, "5 Mohm", 5e6),
    (quantities.resistance_ohm, "120 \u03a9", 120.0),
    (quantities.resistance_ohm, "120\u2126", 120.0),
    (quantities.resistance_ohm, "1e3 ohm", 1000.0),
    (quantities.resistance_ohm, "0 ohm", 0.0),
    (quantities.voltage_v, "9.8 V", 9.8),
    (quantities.voltage_v, "850 mV", 0.85),
    (quantities.voltage_v, "24V", 24.0),
    (quantities.voltage_v, "12,6 V", 12.6),
    (quantities.voltage_v, "12,60 V", 12.6),
    (quantities.voltage_v, "0,125 V", 0.125),
    (quantities.voltage_v, "-0.2 V", -0.2),
    (quantities.voltage_v, "\u22120.2 V", -0.2),
    (quantities.voltage_v, "12 volts", 12.0),
    (quantities.voltage_v, " 12.6\u00a0V ", 12.6),
    (quantities.voltage_v, ".5 V", 0.5),
    (quantities.current_a, "0.5 A", 0.5),
    (quantities.current_a, "20 mA", 0.02),
    (quantities.current_a, "15 amps", 15.0),
    (quantities.current_a, "3 µA", 3e-6),
    (quantities.power_w, "55 W", 55.0),
    (quantities.power_w, "1.2 kW", 1200.0),
    (quantities.area_m2, "1.5 mm2", 1.5e-6),
    (quantities.area_m2, "1.5 mm²", 1.5e-6),
    (quantities.area_m2, "AWG 16", quantities.awg_area_m2(16)),
    (quantities.area_m2, "16 awg", quantities.awg_area_m2(16)),
    (quantities.area_m2, "1/0 AWG", quantities.awg_area_m2(0)),
    (quantities.area_m2, "0 AWG", quantities.awg_area_m2(0)),
    (quantities.area_m2, "4/0 AWG", quantities.awg_area_m2(-3)),
    (quantities.length_m, "1.5 m", 1.5),
    (quantities.length_m, "80 cm", 0.8),
    (quantities.length_m, "5 mm", 0.005),
    (quantities.length_m, "10 in", 0.254),
    (quantities.length_m, "10 ft", 3.048),
    (quantities.duration_s, "90 s", 90.0),
    (quantities.duration_s, "2 min", 120.0),
    (quantities.duration_s, "1 h", 3600.0),
    (quantities.duration_s, "1 h 30 min", 5400.0),
    (quantities.duration_s, "2 min 5 s", 125.0),
    (quantities.duration_min, "1 h 30 min", 90.0),
    (quantities.conductivity_s_per_m, "5 S/m", 5.0),
    (quantities.conductivity_s_per_m, "500 uS/cm", 0.05),
    (quantities.conductivity_s_per_m, "50 mS/m", 0.05),
    (quantities.share, "30 %", 0.3),
    (quantities.share, "30%", 0.3),
    (quantities.share, "0.3", 0.3),
    (quantities.share, "0,3", 0.3),
    (quantities.share, "1", 1.0),
    (quantities.temperature_c, "20 C", 20.0),
    (quantities.temperature_c, "-5 °C", -5.0),
    (quantities.temperature_c, "68 F", 20.0),
    (quantities.temperature_c, "0 K", -273.15),
]  # fmt: skip


@pytest.mark.parametrize(("read", "text", "expected"), READ, ids=[text for _, text, _ in READ])
def test_what_people_write_is_read(read: Callable[[str], float], text: str, expected: float) -> None:
    # 1e-12 relative: a few roundings of a double, from the decimal number and the prefix.
    assert read(text) == pytest.approx(expected, rel=1e-12, abs=1e-12)


REFUSED: list[tuple[Callable[[str], float], str, str, str | None]] = [
    (quantities.resistance_ohm, "120", "quantity-no-unit", None),
    (quantities.resistance_ohm, "4.7 kohn", "quantity-unit", "4.7 kohm"),
    (quantities.resistance_ohm, "4.7 Mohn", "quantity-unit", "4.7 Mohm"),
    (quantities.resistance_ohm, "4.7 mohn", "quantity-unit", "4.7 mohm"),
    (quantities.resistance_ohm, "12 V", "quantity-unit", None),
    (quantities.resistance_ohm, "1,250 ohm", "quantity-ambiguous", None),
    (quantities.resistance_ohm, "-3 ohm", "quantity-range", None),
    (quantities.resistance_ohm, "1e400 ohm", "quantity-range", None),
    (quantities.resistance_ohm, "", "quantity-number", None),
    (quantities.resistance_ohm, "ohm", "quantity-number", None),
    (quantities.resistance_ohm, "nan ohm", "quantity-number", None),
    (quantities.resistance_ohm, "inf ohm", "quantity-number", None),
    (quantities.resistance_ohm, "1 2 ohm", "quantity-unit", None),
    (quantities.voltage_v, "9.8", "quantity-no-unit", None),
    (quantities.voltage_v, "850 MV", "quantity-unit", "850 mV"),
    (quantities.voltage_v, "12.6.1 V", "quantity-unit", None),
    (quantities.current_a, "5 V", "quantity-unit", None),
    (quantities.area_m2, "1.5", "quantity-no-unit", None),
    (quantities.area_m2, "0 mm2", "quantity-range", None),
    (quantities.area_m2, "41 AWG", "quantity-range", None),
    (quantities.area_m2, "5/0 AWG", "quantity-unit", None),
    (quantities.length_m, "5", "quantity-no-unit", None),
    (quantities.duration_s, "30 min 1 h", "quantity-number", None),
    (quantities.duration_s, "1 h 90 min", "quantity-number", None),
    (quantities.duration_s, "1 h 5 parsecs", "quantity-unit", None),
    (quantities.share, "30", "quantity-range", "30 %"),
    (quantities.share, "130 %", "quantity-range", None),
    (quantities.share, "-0.1", "quantity-range", None),
    (quantities.temperature_c, "20", "quantity-no-unit", None),
    (quantities.temperature_c, "-300 C", "quantity-range", None),
]  # fmt: skip


@pytest.mark.parametrize(
    ("read", "text", "code", "suggestion"), REFUSED, ids=[f"{r.__name__} {t!r}" for r, t, _, _ in REFUSED]
)
def test_what_cannot_be_meant_is_refused_with_its_code_and_the_accepted_spellings(
    read: Callable[[str], float], text: str, code: str, suggestion: str | None
) -> None:
    with pytest.raises(QuantityError) as caught:
        read(text)
    assert caught.value.code == code
    assert caught.value.suggestion == suggestion
    assert caught.value.accepted
    for spelling in caught.value.accepted:
        assert spelling in str(caught.value)
        read(spelling)


def test_every_code_is_raised_by_some_refused_text_and_no_other() -> None:
    assert {code for _, _, code, _ in REFUSED} == set(quantities.CODES)


def test_an_ambiguous_comma_is_answered_with_both_ways_to_write_it() -> None:
    with pytest.raises(QuantityError, match=r"write 1250 ohm or 1\.250 ohm"):
        quantities.resistance_ohm("1,250 ohm")


def test_a_long_or_unprintable_text_is_cut_and_cleaned_in_the_message() -> None:
    with pytest.raises(QuantityError) as caught:
        quantities.voltage_v("12 \x1b[31m" + "V" * 200)
    assert "\x1b" not in str(caught.value)
    assert len(str(caught.value)) < 250


def test_case_of_the_prefix_is_nine_decades() -> None:
    assert quantities.resistance_ohm("5 Mohm") == pytest.approx(1e9 * quantities.resistance_ohm("5 mohm"))


@given(st.text(max_size=30), st.sampled_from(sorted(QUANTITIES)))
def test_any_text_is_a_finite_value_or_a_quantity_error(text: str, name: str) -> None:
    quantity = QUANTITIES[name]
    try:
        value = quantity.parse(text)
    except QuantityError as error:
        assert error.code in quantities.CODES
    else:
        assert abs(value) < float("inf")


@given(
    st.from_regex(
        r"[-+]?[0-9]{1,4}([.,][0-9]{0,3})?([eE][0-9])? ?[kmMuRΩVACWSF/%a-z0-9 ]{0,6}", fullmatch=True
    ),
    st.sampled_from(sorted(QUANTITIES)),
)
def test_nearly_right_text_is_a_finite_value_or_a_quantity_error(text: str, name: str) -> None:
    try:
        value = QUANTITIES[name].parse(text)
    except QuantityError as error:
        assert error.code in quantities.CODES
    else:
        assert abs(value) < float("inf")
        assert QUANTITIES[name].least <= value <= QUANTITIES[name].most


@pytest.mark.parametrize("name", sorted(QUANTITIES))
def test_every_accepted_unit_is_read_and_scales_by_its_factor(name: str) -> None:
    quantity = QUANTITIES[name]
    for unit, factor in quantity.units.items():
        offset = quantity.offsets.get(unit, 0.0)
        assert quantity.parse(f"3 {unit}") == pytest.approx(3 * factor + offset, rel=1e-12)


@pytest.mark.parametrize(("name", "text"), [("share", "130 %"), ("temperature", "-300 C"), ("area", "0 mm2")])
def test_the_limits_hold_however_the_quantity_is_asked_for(name: str, text: str) -> None:
    with pytest.raises(QuantityError, match="cannot be"):
        QUANTITIES[name].parse(text)


def test_the_examples_in_the_glossary_are_read(repository: Path) -> None:
    rows = re.findall(
        r"^\| ([a-z ]+) \| (`[^|]+`) \|", (repository / "docs/glossary.md").read_text("utf-8"), re.MULTILINE
    )
    by_name = {quantity.name: quantity for quantity in QUANTITIES.values()}
    assert {name for name, _ in rows} >= set(by_name)
    for name, examples in rows:
        if name in by_name:
            for example in re.findall(r"`([^`]+)`", examples):
                by_name[name].parse(example)
