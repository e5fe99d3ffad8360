"""Names and values from DBC files, and files that are none."""

from __future__ import annotations

from pathlib import Path

import pytest

from halfsplit.buslog.naming import LARGEST_DBC, read_dbc
from halfsplit.errors import NotFound, UserError

#: Made for this test. 2364539904 is 8CF00400 hex: bit 31 marks a 29-bit identifier.
DBC = """VERSION ""
BU_: Engine Panel
BO_ 2364540158 Speeds: 8 Engine
 SG_ Turns : 24|16@1+ (0.125,0) [0|8031.875] "1/min" Panel
BO_ 291 Buttons: 2 Panel
 SG_ Horn : 0|1@1+ (1,0) [0|1] "" Engine
"""


def written(tmp_path: Path, text: str | bytes) -> Path:
    path = tmp_path / "x.dbc"
    path.write_bytes(text.encode("cp1252") if isinstance(text, str) else text)
    return path


def test_messages_are_named_by_identifier_and_29_bit_ones_by_group_whoever_sends_them(tmp_path: Path) -> None:
    names = read_dbc(written(tmp_path, DBC))
    assert names.message(0x123, extended=False) == "Buttons"
    assert names.sender(0x123, extended=False) == "Panel"
    assert names.message(0x0CF00403, extended=True) == "Speeds"
    assert names.sender(0x0CF00403, extended=True) == ""
    assert names.message(0x123, extended=True) == ""
    assert names.message(0x124, extended=False) == ""
    assert not names.reads_values


def test_signals_that_were_asked_for_are_followed_in_their_unit(tmp_path: Path) -> None:
    names = read_dbc(written(tmp_path, DBC), ("Turns",))
    for turns in (800, 2200, 1500):
        data = bytes(3) + (turns * 8).to_bytes(2, "little") + bytes(3)
        names.take(0x0CF00400, data, extended=True)
    names.take(0x0CF00400, b"\1", extended=True)
    names.take(0x123, b"\1\1", extended=False)
    (found,) = names.values.values()
    assert (found.signal, found.unit, found.count) == ("Turns", "1/min", 3)
    assert (found.least, found.largest, found.last) == (800.0, 2200.0, 1500.0)
    with pytest.raises(NotFound) as caught:
        read_dbc(written(tmp_path, DBC), ("Turn",))
    assert caught.value.suggestion == "Turns"


@pytest.mark.parametrize(
    "text",
    [
        "BO_ 1 two words: 8 x",
        DBC[:90],
        DBC.replace("24|16", "60|64"),
        DBC.replace("BO_ 291", "BO_ 99999999999999999999"),
        "(" * 100_000,
        'VERSION "' + "x" * 100_000,
        b"\x00\xff\xfe" * 1000,
    ],
)
def test_a_hostile_file_is_refused_in_a_sentence_or_harmless(tmp_path: Path, text: str | bytes) -> None:
    try:
        names = read_dbc(written(tmp_path, text))
    except UserError as error:
        assert error.code == "dbc-unreadable"
        assert len(str(error)) < 500
    else:
        names.take(0x0CF00400, bytes(8), extended=True)


def test_a_file_that_is_missing_or_too_large_is_refused(tmp_path: Path) -> None:
    large = written(tmp_path, b" " * (LARGEST_DBC + 1))
    for path in (large, tmp_path / "missing.dbc"):
        with pytest.raises(UserError) as caught:
            read_dbc(path)
        assert caught.value.code == "dbc-unreadable"
