"""A small JPEG (ITU-T T.81, baseline, grey) with the orientation that a camera writes into it (Exif tag 0x0112)."""

from __future__ import annotations

import struct
from collections.abc import Sequence

#: The DC table of T.81 annex K.3.1; of the AC table only the end of the block is needed.
DC_LENGTHS = (0, 1, 5, 1, 1, 1, 1, 1, 1, 0, 0, 0, 0, 0, 0, 0)
DC_VALUES = tuple(range(12))
AC_LENGTHS = (1,) + (0,) * 15


def small_jpeg(shades: Sequence[Sequence[int]], orientation: int = 1) -> bytes:
    """A picture of blocks of 8 x 8 points, each of one shade 0..255."""
    exif = struct.pack(">2sHIHHHIHHI", b"MM", 42, 8, 1, 0x0112, 3, 1, orientation, 0, 0)
    frame = struct.pack(">BHHB3B", 8, 8 * len(shades), 8 * len(shades[0]), 1, 1, 0x11, 0)
    return b"".join([
        b"\xff\xd8", _segment(0xE1, b"Exif\0\0" + exif), _segment(0xDB, b"\0" + bytes([1] * 64)),
        _segment(0xC0, frame), _segment(0xC4, b"\0" + bytes((*DC_LENGTHS, *DC_VALUES))),
        _segment(0xC4, b"\x10" + bytes((*AC_LENGTHS, 0))), _segment(0xDA, b"\1\1\0\0\x3f\0"),
        _scan([shade for row in shades for shade in row]), b"\xff\xd9",
    ])  # fmt: skip


def _segment(marker: int, content: bytes) -> bytes:
    return bytes([0xFF, marker]) + struct.pack(">H", len(content) + 2) + content


def _scan(shades: Sequence[int]) -> bytes:
    codes: dict[int, str] = {}
    code, values = 0, iter(DC_VALUES)
    for length, count in enumerate(DC_LENGTHS, 1):
        for _ in range(count):
            codes[next(values)] = format(code, f"0{length}b")
            code += 1
        code <<= 1
    bits, before = "", 0
    for shade in shades:
        level = 8 * (shade - 128)
        step, before = level - before, level
        size = abs(step).bit_length()
        bits += codes[size]
        if size:
            bits += format(step if step > 0 else step + (1 << size) - 1, f"0{size}b")
        bits += "0"  # the end of the block
    bits += "1" * (-len(bits) % 8)
    data = bytes(int(bits[at : at + 8], 2) for at in range(0, len(bits), 8))
    return data.replace(b"\xff", b"\xff\0")
