"""Frames of a CAN bus in blocks of arrays, so that a log of any length is worked through a piece at a time.

Times are seconds as the log gives them, see ``clock`` for what is done about clocks that jump. Identifiers are 11 or
29 bits (ISO 11898-1); 29-bit ones are split as SAE J1939-21 lays them out, see ``j1939``.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

#: Bits of ``Block.flags``.
EXTENDED = 1
ERROR = 2
REMOTE = 4
FLEXIBLE = 8  # CAN FD

#: The largest identifier, 29 bits.
LARGEST_IDENTIFIER = 0x1FFF_FFFF
#: The longest payload of one frame, that of CAN FD (ISO 11898-1).
LONGEST_DATA = 64


@dataclass(frozen=True, eq=False)
class Block:
    """Some frames in the order of the log.

    ``time_s`` float64, ``identifier`` uint32, ``flags`` uint8, ``channel`` uint16 (place in the log's list of
    channels), each of shape (n,), and ``data`` n payloads. ``first`` is the number of the first frame, from 1.
    """

    time_s: NDArray[np.float64]
    identifier: NDArray[np.uint32]
    flags: NDArray[np.uint8]
    channel: NDArray[np.uint16]
    data: tuple[bytes, ...]
    first: int = 1

    def __len__(self) -> int:
        return len(self.time_s)

    def cut(self, begin: int, end: int) -> Block:
        """The frames from place ``begin`` to before ``end``."""
        span = slice(begin, end)
        return Block(
            self.time_s[span], self.identifier[span], self.flags[span], self.channel[span], self.data[span],
            self.first + begin,
        )  # fmt: skip


@dataclass(frozen=True, slots=True)
class Unreadable:
    """One place of a log that holds no frame: a line from 1, or a byte from 0, and what was wrong there."""

    line: int | None
    byte: int | None
    what: str

    @property
    def place(self) -> str:
        """The place in words."""
        return f"line {self.line}" if self.line is not None else f"byte {self.byte}"
