"""Truncated, shuffled, corrupted and invented logs: nothing breaks, and every line is a frame or accounted for."""

from __future__ import annotations

import gzip
import random
import tempfile
import zlib
from functools import cache
from pathlib import Path
from xml.etree import ElementTree as ET

import can
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from halfsplit.buslog.codes import read_codes
from halfsplit.buslog.j1939 import TRANSPORT_CONTROL, TRANSPORT_DATA, Header
from halfsplit.buslog.naming import read_dbc
from halfsplit.buslog.reading import FORMATS, open_log
from halfsplit.buslog.survey import Survey, survey
from halfsplit.buslog.timeline import Row, letters, picture
from halfsplit.buslog.transport import LONGEST, Assembly
from halfsplit.errors import UserError
from halfsplit.service.bus_logs import say_log

RECORDED = Path(__file__).resolve().parents[1] / "data/can-logs/j1939-engine-retarder.log.gz"
TEXT_FORMATS = [one for one in FORMATS if one not in (".blf", ".mf4")]


def surveyed(path: Path) -> Survey | None:
    """The survey of a log, None when it is refused as holding nothing."""
    log = open_log(path)
    try:
        found = survey(log)
    except UserError as error:
        assert error.code == "log-empty"
        return None
    said = say_log(found)
    assert said.frames == found.frames == log.frames
    return found


@cache
def recorded_lines() -> tuple[bytes, ...]:
    return tuple(gzip.decompress(RECORDED.read_bytes()).splitlines()[:3000])


@cache
def in_format(suffix: str, folder: Path) -> bytes:
    path = folder / f"whole{suffix}"
    with can.BLFWriter(path, max_container_size=300) if suffix == ".blf" else can.Logger(path) as logger:
        for n in range(60):
            logger(can.Message(timestamp=n / 50, arbitration_id=0x18FECA00 + n % 5, data=bytes([n] * 8), channel=0))
    return path.read_bytes()


@pytest.mark.parametrize("seed", range(8))
def test_every_line_of_a_corrupted_log_is_a_frame_or_counted(tmp_path: Path, seed: int) -> None:
    chance = random.Random(seed)
    lines = list(recorded_lines())
    if seed % 2:
        chance.shuffle(lines)
    for _ in range(300):
        place = chance.randrange(len(lines))
        line = bytearray(lines[place])
        for _ in range(chance.randrange(1, 6)):
            line[chance.randrange(len(line))] = chance.randrange(256)
        # A blank or a comment is harmless, and a line feed makes two lines of one.
        lines[place] = bytes(line).replace(b"\n", b"?").replace(b"\r", b"?").strip(b" ;#/") or b"?"
    path = tmp_path / "x.log"
    path.write_bytes(b"\n".join(lines))
    found = surveyed(path)
    assert found is not None
    assert found.frames + found.unreadable == len(lines)
    assert found.unreadable > 100


@pytest.mark.parametrize("suffix", [*TEXT_FORMATS, ".blf"])
@pytest.mark.parametrize("packed", [False, True])
def test_a_log_cut_anywhere_or_with_bytes_changed_gives_what_can_be_read(
    tmp_path: Path, suffix: str, packed: bool
) -> None:
    chance = random.Random(f"{suffix} {packed}")
    whole = in_format(suffix, tmp_path)
    if packed:
        whole = gzip.compress(whole, mtime=0)
    path = tmp_path / f"x{suffix}{'.gz' if packed else ''}"
    readable = 0
    for n in range(60):
        content = bytearray(whole)
        if n % 2:
            del content[chance.randrange(len(content)) :]
        for _ in range(chance.randrange(8) if content else 0):
            content[chance.randrange(len(content))] = chance.randrange(256)
        path.write_bytes(bytes(content))
        readable += surveyed(path) is not None
    assert readable > 0


LINE = st.one_of(
    st.binary(max_size=60),
    st.from_regex(rb"\(?-?[0-9.eEnaif+]{1,20}\)? [a-z0-9 ]{0,6} ?[0-9A-Fxr#]{0,30}", fullmatch=True),
    st.from_regex(
        rb" *[0-9]{1,4}\.[0-9]{1,6} [0-9A-Z]{1,5} +[0-9A-Fx]{1,9} +[RT]x +[dr] [0-9] [0-9A-F ]{0,30}", fullmatch=True
    ),
    st.from_regex(rb"[0-9.]{1,8},0?x?[0-9a-f-]{1,10},[01],[01],[01],[0-9]{1,3},[A-Za-z0-9+/=]{0,20}", fullmatch=True),
    st.sampled_from([b";$FILEVERSION=2.1", b";$FILEVERSION=9", b";$COLUMNS=N,O,T", b";$STARTTIME=x", b"base dec",
                     b"base oct", b"date x", b"", b"Begin Triggerblock Mon", b"1.0 CANFD 1 Rx 1 1 0 8 8 00"]),
)  # fmt: skip


@settings(max_examples=60)
@given(st.sampled_from(TEXT_FORMATS), st.lists(LINE, max_size=25))
def test_invented_lines_never_break_the_reading(suffix: str, lines: list[bytes]) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"x{suffix}"
        path.write_bytes(b"\n".join(lines))
        surveyed(path)


FRAME = st.tuples(
    st.sampled_from([TRANSPORT_CONTROL, TRANSPORT_DATA]), st.integers(0, 3), st.sampled_from([0, 1, 255]),
    st.one_of(st.binary(max_size=8), st.binary(min_size=8, max_size=8).map(lambda d: bytes([32, 9, 0, 2]) + d[4:])),
    st.floats(0, 2),
)  # fmt: skip


@given(st.lists(FRAME, max_size=60))
def test_invented_transport_frames_give_messages_of_the_announced_length_or_none(frames: list) -> None:
    assembly = Assembly()
    now = 0.0
    ended = []
    for group, source, destination, data, wait in frames:
        now += wait
        ended += assembly.take(now, 0, Header(7, group, destination, source), data)
    ended += assembly.finish()
    for one in ended:
        assert one.announced_bytes <= LONGEST
        assert len(one.data) == (one.announced_bytes if one.complete else 0)
        content = read_codes(one.data)
        assert content is None or all(code.spn < 2**19 and code.fmi < 32 for code in content.codes)


@given(st.binary(max_size=400))
def test_any_payload_is_codes_or_too_short(data: bytes) -> None:
    content = read_codes(data)
    assert (content is None) == (len(data) < 6)
    if content is not None:
        assert len(content.codes) <= (len(data) - 2) // 4


def test_packed_data_that_swells_without_end_is_refused_in_bounded_memory(tmp_path: Path) -> None:
    whole = in_format(".blf", tmp_path)
    swollen = zlib.compress(bytes(200_000_000), 1)
    size = 32 + len(swollen)
    header = b"LOBJ" + (16).to_bytes(2, "little") + (1).to_bytes(2, "little") + size.to_bytes(4, "little")
    header += (10).to_bytes(4, "little") + (2).to_bytes(2, "little") + bytes(14)
    path = tmp_path / "x.blf"
    path.write_bytes(whole[:144] + header + swollen)
    log = open_log(path)
    assert list(log.blocks()) == []
    assert "more than any logger" in log.listed[0].what


@pytest.mark.parametrize("seed", range(30))
def test_a_names_file_with_bytes_changed_is_refused_in_a_sentence_or_used(tmp_path: Path, seed: int) -> None:
    chance = random.Random(seed)
    text = bytearray(
        b'VERSION ""\nBU_: A B\nBO_ 2364540158 Speeds: 8 A\n SG_ Turns : 24|16@1+ (0.125,0) [0|8031] "1/min" B\n'
        b'BO_ 291 Buttons: 2 B\n SG_ Horn M : 0|1@1+ (1,0) [0|1] "" A\n SG_ Low m0 : 8|8@0- (1,0) [0|0] "V" A\n'
    )
    for _ in range(chance.randrange(1, 5)):
        text[chance.randrange(len(text))] = chance.choice(b'0123456789:|@+-()[]"mM _\n;xS')
    path = tmp_path / "x.dbc"
    path.write_bytes(text)
    try:
        names = read_dbc(path)
    except UserError as error:
        assert error.code == "dbc-unreadable"
    else:
        names.take(0x0CF00400, bytes(8), extended=True)
        names.message(0x123, extended=False)


@settings(max_examples=40)
@given(
    st.lists(st.tuples(st.floats(0, 100), st.floats(0, 100)).map(sorted).map(tuple), max_size=5), st.text(max_size=20),
    st.floats(1e-6, 100), st.integers(1, 200),
)  # fmt: skip
def test_any_rows_can_be_drawn(spans: list, label: str, length_s: float, columns: int) -> None:
    row = Row(label, tuple(spans), tuple(spans[:1]), tuple(spans[1:2]))
    assert len(letters(row, length_s, columns)) == columns
    ET.fromstring(picture(label, [row], length_s))  # noqa: S314 - reads only what was just drawn
