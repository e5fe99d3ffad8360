from __future__ import annotations

import math
from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from halfsplit import quantities


@pytest.mark.parametrize(
    ("written", "expected"),
    [
        (quantities.format_ohm(4700.0), "4.7 kohm"),
        (quantities.format_ohm(0.0), "0 ohm"),
        (quantities.format_ohm(0.0052), "5.2 mohm"),
        (quantities.format_ohm(1e7), "10 Mohm"),
        (quantities.format_ohm(999.6), "1 kohm"),
        (quantities.format_ohm(999.4), "999 ohm"),
        (quantities.format_ohm(math.inf), "open"),
        (quantities.format_volts(12.345), "12.3 V"),
        (quantities.format_volts(0.85), "850 mV"),
        (quantities.format_volts(-0.2), "-200 mV"),
        (quantities.format_amps(0.02), "20 mA"),
        (quantities.format_watts(55.0), "55 W"),
        (quantities.format_area(1.5e-6), "1.5 mm2"),
        (quantities.format_length(0.8), "800 mm"),
        (quantities.format_conductivity(0.05), "50 mS/m"),
        (quantities.format_share(0.3), "30 %"),
        (quantities.format_share(0.12345), "12.3 %"),
        (quantities.format_temperature(-5.0), "-5 C"),
        (quantities.format_duration(0.2), "200 ms"),
        (quantities.format_duration(45.0), "45 s"),
        (quantities.format_duration(720.0), "12 min"),
        (quantities.format_duration(5700.0), "1 h 35 min"),
        (quantities.format_duration(36000.0), "10 h"),
        (quantities.format_duration(-45.0), "-45 s"),
        (quantities.format_minutes(12.5), "12.5 min"),
        (quantities.format_minutes(0.5), "30 s"),
    ],
)
def test_values_are_written_with_three_digits_and_a_fitting_prefix(written: str, expected: str) -> None:
    assert written == expected


# Three significant digits are off by at most half of the last: 0.005 in 1.00, that is 0.5 %.
HALF_OF_THE_THIRD_DIGIT = 0.00501

PAIRS: dict[str, tuple[Callable[[float], str], Callable[[str], float], float, float]] = {
    "resistance": (quantities.format_ohm, quantities.resistance_ohm, 1e-6, 1e11),
    "voltage": (quantities.format_volts, quantities.voltage_v, 1e-6, 1e5),
    "current": (quantities.format_amps, quantities.current_a, 1e-9, 1e5),
    "power": (quantities.format_watts, quantities.power_w, 1e-3, 1e6),
    "area": (quantities.format_area, quantities.area_m2, 1e-9, 1e-3),
    "length": (quantities.format_length, quantities.length_m, 1e-6, 1e5),
    "conductivity": (quantities.format_conductivity, quantities.conductivity_s_per_m, 1e-6, 1e3),
    "share": (quantities.format_share, quantities.share, 1e-6, 1.0),
    "temperature": (quantities.format_temperature, quantities.temperature_c, 1e-3, 1e3),
}


@pytest.mark.parametrize("name", sorted(PAIRS))
@given(exponent=st.floats(0.0, 1.0))
def test_what_is_written_reads_back_to_three_digits(name: str, exponent: float) -> None:
    write, read, least, most = PAIRS[name]
    value = least * (most / least) ** exponent
    assert read(write(value)) == pytest.approx(value, rel=HALF_OF_THE_THIRD_DIGIT)


@pytest.mark.parametrize("name", ["voltage", "current", "temperature"])
@given(value=st.floats(0.01, 200.0))
def test_negative_values_read_back_too(name: str, value: float) -> None:
    write, read, _, _ = PAIRS[name]
    assert read(write(-value)) == pytest.approx(-value, rel=HALF_OF_THE_THIRD_DIGIT)


@given(st.floats(1e-3, 1e6))
def test_durations_read_back_to_three_digits_or_half_a_minute_above_ninety_minutes(seconds: float) -> None:
    back = quantities.duration_s(quantities.format_duration(seconds))
    assert abs(back - seconds) <= max(HALF_OF_THE_THIRD_DIGIT * seconds, 30.001 if seconds >= 5399 else 0.0)


@given(st.sampled_from([quantities.RESISTANCE, quantities.CURRENT, quantities.LENGTH]), st.floats(1e-3, 1e5))
def test_the_written_number_lies_between_1_and_999(quantity: quantities.Quantity, value: float) -> None:
    number = float(quantity.format(value).split()[0])
    assert number >= 1
    # The largest unit takes what is left: 12000 A stays in amperes.
    assert number < 1000 or quantity.format(value).endswith(f" {quantity.shown[-1][0]}")


@given(st.from_regex(r"[1-9][0-9]{0,2}(\.[0-9])? (m|k|M)?ohm", fullmatch=True))
def test_reading_writing_and_reading_again_changes_nothing_more(text: str) -> None:
    once = quantities.format_ohm(quantities.resistance_ohm(text))
    assert quantities.format_ohm(quantities.resistance_ohm(once)) == once
