"""Who is speaking: a source address of J1939, or an 11-bit identifier, whose sender the bus does not name.

A speaker is a whole number, its *key*: the channel's place times 4096, plus the source address, or 2048 plus the 11-bit
identifier. A message is one by its full identifier. Error and remote frames have no speaker.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from halfsplit.buslog.frames import ERROR, EXTENDED, REMOTE, Block

_CHANNEL = 4096
_PLAIN = 2048
_EXTENDED_MESSAGE = 1 << 29


def spoken(block: Block) -> NDArray[np.bool_]:
    """Which frames have a speaker, (n,)."""
    found: NDArray[np.bool_] = (block.flags & (ERROR | REMOTE)) == 0
    return found


def speaker_keys(block: Block) -> NDArray[Any]:
    """The key of each frame's speaker, (n,), in the smallest unsigned type that holds them: short ones sort fast."""
    extended = (block.flags & EXTENDED) != 0
    low = np.where(extended, block.identifier & 0xFF, _PLAIN | (block.identifier & 0x7FF))
    keys = low.astype(np.uint32) + block.channel.astype(np.uint32) * np.uint32(_CHANNEL)
    return keys.astype(np.uint16) if not len(keys) or int(block.channel.max()) < 16 else keys


def message_keys(block: Block) -> NDArray[np.int64]:
    """The key of each frame's message, (n,)."""
    extended = (block.flags & EXTENDED) != 0
    identifiers: NDArray[np.int64] = block.identifier.astype(np.int64)
    return identifiers + np.where(extended, _EXTENDED_MESSAGE, 0) + (block.channel.astype(np.int64) << 32)


@dataclass(frozen=True, slots=True)
class Speaker:
    """A speaker taken apart: the channel's place, and its source address or its 11-bit identifier."""

    channel: int
    source: int | None
    identifier: int | None

    @property
    def said(self) -> str:
        """In words, without the channel."""
        return f"source {self.source}" if self.source is not None else f"identifier {self.identifier:03X}"


def speaker(key: int) -> Speaker:
    """The speaker of a key."""
    channel, low = divmod(key, _CHANNEL)
    return Speaker(channel, None, low - _PLAIN) if low >= _PLAIN else Speaker(channel, low, None)


@dataclass(frozen=True, slots=True)
class MessageId:
    """A message's channel and identifier, ``extended`` for 29 bits."""

    channel: int
    identifier: int
    extended: bool


def message_id(key: int) -> MessageId:
    """The message of a key."""
    return MessageId(key >> 32, key & (_EXTENDED_MESSAGE - 1), bool(key & _EXTENDED_MESSAGE))
