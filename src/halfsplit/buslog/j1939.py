"""What a 29-bit identifier says, by SAE J1939-21: priority, parameter group, destination and source.

From the top: priority 3 bits, extended data page and data page 1 each, PF 8, PS 8, source address 8. With PF from 240
on the group is sent to everybody and PS belongs to its number; below, PS is the destination and is left out of it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

#: Parameter groups this package reads (SAE J1939-21, -73, -81).
TRANSPORT_CONTROL = 60416  # TP.CM
TRANSPORT_DATA = 60160  # TP.DT
ADDRESS_CLAIM = 60928
ACTIVE_CODES = 65226  # DM1
PREVIOUS_CODES = 65227  # DM2
VEHICLE_POWER = 65271

EVERYBODY = 255
#: The source address of a controller that got none (SAE J1939-81).
NO_ADDRESS = 254


@dataclass(frozen=True, slots=True)
class Header:
    """One identifier taken apart. ``destination`` is None for a group that goes to everybody by its number."""

    priority: int
    group: int
    destination: int | None
    source: int


def header(identifier: int) -> Header:
    """Takes a 29-bit identifier apart."""
    specific = (identifier >> 16 & 0xFF) < 240
    group = identifier >> 8 & 0x3FFFF
    return Header(
        identifier >> 26 & 7,
        group & ~0xFF if specific else group,
        identifier >> 8 & 0xFF if specific else None,
        identifier & 0xFF,
    )


def groups(identifier: NDArray[np.uint32]) -> NDArray[np.uint32]:
    """The group number of each 29-bit identifier, (n,)."""
    group = (identifier >> np.uint32(8)) & np.uint32(0x3FFFF)
    specific = ((identifier >> np.uint32(16)) & np.uint32(0xFF)) < 240
    return np.where(specific, group & np.uint32(0x3FF00), group)


def sources(identifier: NDArray[np.uint32]) -> NDArray[np.uint8]:
    """The source address of each 29-bit identifier, (n,)."""
    return (identifier & np.uint32(0xFF)).astype(np.uint8)


@dataclass(frozen=True, slots=True)
class Name:
    """The 64-bit NAME a controller claims its address with (SAE J1939-81), taken apart. ``raw`` is the whole."""

    raw: int
    identity: int
    maker: int
    instance: int
    function_instance: int
    function: int
    vehicle_system: int
    vehicle_system_instance: int
    industry: int
    can_move: bool


def name(data: bytes) -> Name | None:
    """The NAME in the payload of an address claim, least significant byte first; None when it is not 8 bytes."""
    if len(data) != 8:
        return None
    raw = int.from_bytes(data, "little")
    return Name(
        raw,
        identity=raw & 0x1FFFFF,
        maker=raw >> 21 & 0x7FF,
        instance=raw >> 32 & 7,
        function_instance=raw >> 35 & 0x1F,
        function=raw >> 40 & 0xFF,
        vehicle_system=raw >> 49 & 0x7F,
        vehicle_system_instance=raw >> 56 & 0xF,
        industry=raw >> 60 & 7,
        can_move=bool(raw >> 63),
    )
