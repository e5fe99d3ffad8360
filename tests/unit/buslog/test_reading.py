"""Reading logs: every format python-can writes, and what is said of lines that hold no frame."""

from __future__ import annotations

import gzip
import tracemalloc
from pathlib import Path

import can
import pytest

from halfsplit.buslog.frames import ERROR, EXTENDED, FLEXIBLE, REMOTE, Block
from halfsplit.buslog.reading import FORMATS, Log, open_log
from halfsplit.buslog.sources import LONGEST_LINE
from halfsplit.errors import UserError

CANDUMP = "(1.000000) can0 18FEF100#0102030405060708\n(1.100000) can0 123#AA\n"


def written(path: Path, text: str | bytes) -> Path:
    path.write_bytes(text.encode() if isinstance(text, str) else text)
    return path


def read(path: Path) -> tuple[Log, list[Block]]:
    log = open_log(path)
    return log, list(log.blocks())


def rows(blocks: list[Block]) -> list[tuple[float, int, int, bytes]]:
    return [
        (round(t, 6), i, f, d)
        for block in blocks
        for t, i, f, d in zip(
            block.time_s.tolist(), block.identifier.tolist(), block.flags.tolist(), block.data, strict=True
        )
    ]


@pytest.mark.parametrize("packed", [False, True])
@pytest.mark.parametrize("suffix", [one for one in FORMATS if one != ".mf4"])
def test_every_format_gives_back_what_was_written(tmp_path: Path, suffix: str, packed: bool) -> None:
    sent = [
        can.Message(timestamp=100.0 + n / 100, arbitration_id=0x18FEF100 + n, is_extended_id=True, data=bytes([n] * 8))
        for n in range(20)
    ] + [can.Message(timestamp=101.0, arbitration_id=0x123, is_extended_id=False, data=b"\1\2\3")]
    path = tmp_path / f"log{suffix}"
    with can.Logger(path) as logger:
        for message in sent:
            logger(message)
    if packed:
        path = written(tmp_path / f"log{suffix}.gz", gzip.compress(path.read_bytes()))
    log, blocks = read(path)
    assert log.unreadable == 0, log.listed
    found = rows(blocks)
    assert [row[1:] for row in found] == [
        (m.arbitration_id, EXTENDED if m.is_extended_id else 0, bytes(m.data)) for m in sent
    ]
    assert [row[0] - found[0][0] for row in found] == pytest.approx([m.timestamp - 100.0 for m in sent], abs=2e-3)
    assert log.frames == 21
    assert log.position == log.size


def test_error_remote_and_flexible_frames_are_kept_as_such(tmp_path: Path) -> None:
    text = (
        "(1.0) can0 123#R\n(1.1) can0 18FEF100##1" + "00" * 12 + "\n"
        "(1.2) can1 20000040#0000000000000000\n(1.3) can1 20000080#0000000000000000\n"
    )
    log, blocks = read(written(tmp_path / "x.log", text))
    assert [row[2] for row in rows(blocks)] == [REMOTE, EXTENDED | FLEXIBLE, EXTENDED | ERROR, EXTENDED | ERROR]
    assert [row[1] for row in rows(blocks)][2:] == [0x40, 0x80]
    assert [place.line for place in log.bus_off] == [3]
    assert log.channels[:2] == ["can0", "can1"]


def test_a_text_log_that_says_bus_off_is_heard(tmp_path: Path) -> None:
    text = (
        "date Mon Jan 5 10:00:00.000 2031\nbase hex  timestamps absolute\nno internal events logged\n"
        "Begin Triggerblock\n   0.100000 1  18FEF100x       Rx   d 2 01 02\n"
        "   0.200000 CAN 1 Status:chip status error active\n   0.300000 CAN 1 Status:bus off\n"
        "   0.400000 1  ErrorFrame\nEnd TriggerBlock\n"
    )
    log, blocks = read(written(tmp_path / "x.asc", text))
    assert [place.line for place in log.bus_off] == [7]
    assert [row[2] for row in rows(blocks)] == [EXTENDED, EXTENDED | ERROR]
    assert log.errors_told == 1
    assert log.unreadable == 0, log.listed


@pytest.mark.parametrize(
    ("suffix", "head", "good", "bad"),
    [
        (".log", "", "(1.{n:06d}) can0 18FEF100#0102",
         "(1.x) can0 18FEF100#01\n(nan) can0 1#\ngarbage\n(1.0) can0 123#GG"),
        (".asc", "base hex  timestamps absolute\nno internal events logged\n", "1.{n:06d} 1  18FEF100x Rx d 2 01 02",
         "1.0 1 XYZx Rx d 2 01 02\n1.0 1 18FEF100x Rx d 2 ZZ 02\nwhat is this\n1.0 1 FFFFFFFFFx Rx d 1 01"),
        (".csv", "timestamp,arbitration_id,extended,remote,error,dlc,data\n", "1.{n:06d},0x18fef100,1,0,0,2,AQI=",
         "a,b,c\n1.0,0xzz,1,0,0,2,AQI=\n,,,,,,\n1.0,-0x5,1,0,0,2,AQI="),
        (".trc", ";$FILEVERSION=1.1\n;$STARTTIME=44000.5\n", "  {n}) {n}.1 Rx 18FEF100 2 01 02",
         "  5) x.1 Rx 18FEF100 2 01 02\n  6) 1.0 Rx ZZ 2 01 02\n 7)\n  8) 1.0 Rx 18FEF100 2 01"),
    ],
)  # fmt: skip
def test_unreadable_lines_are_counted_and_located_and_reading_goes_on(
    tmp_path: Path, suffix: str, head: str, good: str, bad: str
) -> None:
    wrong = bad.split("\n")
    lines, places = head.splitlines(), []
    for number, one in enumerate(wrong):
        lines += [good.format(n=3 * number + k) for k in range(3)]
        lines.append(one)
        places.append(len(lines))
    lines += [good.format(n=90)]
    log, blocks = read(written(tmp_path / f"x{suffix}", "\n".join(lines) + "\n"))
    assert [place.line for place in log.listed] == places
    assert log.unreadable == len(wrong)
    assert log.frames == len(rows(blocks)) == 3 * len(wrong) + 1


def test_a_line_without_end_is_passed_over_in_bounded_memory(tmp_path: Path) -> None:
    path = tmp_path / "x.log"
    with path.open("wb") as file:
        file.write(CANDUMP.encode())
        for _ in range(256):
            file.write(b"A" * 65536)
        file.write(b"\n" + CANDUMP.encode())
    open_log(path)
    read(written(tmp_path / "first.log", CANDUMP))  # what is imported at the first reading does not count
    tracemalloc.start()
    log, blocks = read(path)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert len(rows(blocks)) == 4
    ((line, what),) = [(place.line, place.what) for place in log.listed]
    assert (line, str(LONGEST_LINE) in what) == (3, True)
    assert peak < 2_000_000


def test_a_long_log_needs_no_more_memory_than_a_block(tmp_path: Path) -> None:
    path = written(tmp_path / "x.log", CANDUMP * 5_000)
    read(written(tmp_path / "first.log", CANDUMP))
    tracemalloc.start()
    log = open_log(path)
    count = sum(len(block) for block in log.blocks(size=500))
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert count == 10_000
    assert peak < 600_000


def test_a_packed_log_that_ends_early_gives_what_was_there(tmp_path: Path) -> None:
    packed = gzip.compress((CANDUMP * 1000).encode())
    log, blocks = read(written(tmp_path / "x.log.gz", packed[: len(packed) - 10]))
    assert log.frames == len(rows(blocks)) > 100
    assert "ends early" in log.listed[-1].what


def test_a_binary_log_cut_off_gives_what_was_there_and_says_where_it_ends(tmp_path: Path) -> None:
    path = tmp_path / "x.blf"
    with can.BLFWriter(path, max_container_size=2000) as writer:
        for n in range(500):
            writer(can.Message(timestamp=n / 100, arbitration_id=n, data=b"12345678", channel=0))
    whole = path.read_bytes()
    log, blocks = read(written(tmp_path / "cut.blf", whole[: len(whole) // 2]))
    assert 50 < len(rows(blocks)) < 450
    assert log.unreadable == 1
    assert log.listed[0].byte is not None
    for damaged in (whole[:100], b"LOGG", b"", whole[:144] + b"\xff" * 400):
        log, blocks = read(written(tmp_path / "damaged.blf", damaged))
        assert not blocks
        assert log.unreadable == 1, damaged[:10]


@pytest.mark.parametrize(
    ("name", "code", "said"),
    [
        ("missing.log", "log-missing", "cannot be opened"),
        ("x.blg", "log-format", ".blf"),
        ("nothing", "log-format", ".log"),
        ("x.mf4.gz", "log-format", "unpacked"),
        ("folder.log", "log-missing", "no such file"),
    ],
)
def test_files_that_are_no_logs_have_their_code(tmp_path: Path, name: str, code: str, said: str) -> None:
    (tmp_path / "folder.log").mkdir()
    with pytest.raises(UserError, match=said) as caught:
        open_log(tmp_path / name)
    assert caught.value.code == code


def test_without_its_reader_a_log_format_says_what_to_install(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def missing(*_: object) -> None:
        raise NotImplementedError

    monkeypatch.setattr(can, "MF4Reader", missing)
    with pytest.raises(UserError, match="asammdf") as caught:
        read(written(tmp_path / "x.mf4", b"MDF     4.10"))
    assert caught.value.code == "log-reader"
