"""Everything a log says, gathered in one pass over its blocks."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from halfsplit.buslog import j1939
from halfsplit.buslog.clock import Clock, Jump
from halfsplit.buslog.codes import Lamps
from halfsplit.buslog.frames import ERROR, EXTENDED, REMOTE, Block, Unreadable
from halfsplit.buslog.history import CodeBook, CodeHistory, Kind
from halfsplit.buslog.j1939 import Name
from halfsplit.buslog.joint import JointSilence, Pair, joint_silences, pairs
from halfsplit.buslog.load import Load
from halfsplit.buslog.presence import Presence
from halfsplit.buslog.reading import Log
from halfsplit.buslog.silences import MOST_SENDERS, Habit, Habits
from halfsplit.buslog.speakers import message_keys, speaker_keys, spoken
from halfsplit.buslog.transport import Assembly, Message
from halfsplit.errors import UserError

#: Bit rates of a bus on machines, kbit/s: SAE J1939-11 and -14.
USUAL_BIT_RATE = 250_000
#: Error frames within this long of each other are one burst; bursts that are kept. Invented.
BURST_S = 1.0
MOST_BURSTS = 500
#: Names one address may be claimed with before the rest are counted alone. Invented.
MOST_NAMES = 8
#: Pairs of speakers are looked at for silences that go together up to this many of them. Invented.
MOST_PAIRED = 200

_WATCHED = np.array(
    [
        j1939.TRANSPORT_CONTROL, j1939.TRANSPORT_DATA, j1939.ADDRESS_CLAIM, j1939.ACTIVE_CODES, j1939.PREVIOUS_CODES,
        j1939.VEHICLE_POWER,
    ],
    np.uint32,
)  # fmt: skip
_CODE_KINDS: dict[int, Kind] = {j1939.ACTIVE_CODES: "active", j1939.PREVIOUS_CODES: "previous"}


@dataclass(frozen=True, slots=True)
class Burst:
    """Error frames close together."""

    channel: int
    from_s: float
    to_s: float
    count: int


@dataclass(frozen=True, slots=True)
class Assembled:
    """Messages of several packets of one group from one source: how many came whole, and how many did not."""

    channel: int
    source: int
    group: int
    complete: int
    incomplete: int
    lost_packets: int


@dataclass(frozen=True, slots=True)
class Claim:
    """An address and the names it was claimed with, with the time of the first claim; more than one is a conflict."""

    channel: int
    source: int
    names: tuple[Name, ...]
    at_s: float
    count: int


@dataclass(frozen=True, slots=True)
class Supply:
    """The lowest and highest supply a controller reported of itself, from the vehicle power message of SAE J1939-71.

    ``which`` is "battery" or "key switch".
    """

    channel: int
    source: int
    which: str
    lowest_v: float
    lowest_at_s: float
    highest_v: float


@dataclass(frozen=True, slots=True)
class ChannelLoad:
    """Frames and bits of one channel; loads are shares of the bit rate without stuffed bits."""

    channel: int
    name: str
    frames: int
    mean_share: float
    fullest_share: float


@dataclass(frozen=True, eq=False)
class Survey:
    """What a log said.

    Times are seconds of the straight clock from the log's first frame. ``recorded_s`` is the recorded time of that.
    """

    file: str
    frames: int
    plain_frames: int
    error_frames: int
    remote_frames: int
    recorded_s: float
    length_s: float
    bit_rate: int
    channels: tuple[ChannelLoad, ...]
    unreadable: int
    unreadable_listed: tuple[Unreadable, ...]
    bus_off: tuple[Unreadable, ...]
    errors_told: int
    jumps: tuple[Jump, ...]
    jump_count: int
    out_of_turn: int
    speakers: tuple[Habit, ...]
    messages: tuple[Habit, ...]
    uncounted: int
    joint: tuple[JointSilence, ...]
    pairs: tuple[Pair, ...]
    bursts: tuple[Burst, ...]
    burst_count: int
    codes: tuple[CodeHistory, ...]
    code_messages: int
    lamps: dict[tuple[int, int], Lamps]
    assembled: tuple[Assembled, ...]
    stray_packets: int
    claims: tuple[Claim, ...]
    supplies: tuple[Supply, ...]
    presence: Presence


class Surveyor:
    """Gathers from blocks in the order of the log."""

    def __init__(self) -> None:
        self.clock = Clock()
        self.speakers = Habits()
        self.messages = Habits()
        self.presence = Presence()
        self.load = Load()
        self.codes = CodeBook()
        self.assembly = Assembly()
        self.frames = self.plain = self.errors = self.remote = 0
        self.by_channel: dict[int, int] = {}
        self.end_s = 0.0
        self.burst_count = 0
        self.bursts: list[list[float]] = []
        self._assembled: dict[tuple[int, int, int], list[int]] = {}
        self._claims: dict[tuple[int, int], tuple[float, dict[int, Name], list[int]]] = {}
        self._supplies: dict[tuple[int, int, str], list[float]] = {}

    def add(self, block: Block) -> None:
        """Adds a block as the log gave it."""
        for place, piece in enumerate(self.clock.straighten(block)):
            if place or self.clock.broken:
                self._break_off()
            self._add(piece)

    def _break_off(self) -> None:
        self.speakers.break_off()
        self.messages.break_off()
        self._ended(self.assembly.finish())

    def _add(self, block: Block) -> None:
        self.frames += len(block)
        self.end_s = max(self.end_s, float(block.time_s.max()))
        flags = block.flags
        self.plain += int(np.count_nonzero((flags & EXTENDED) == 0))
        self.remote += int(np.count_nonzero(flags & REMOTE))
        for channel, count in zip(*np.unique(block.channel, return_counts=True), strict=True):
            self.by_channel[int(channel)] = self.by_channel.get(int(channel), 0) + int(count)
        self.load.add(block)
        heard = spoken(block)
        who = speaker_keys(block)
        self.speakers.add(block.time_s[heard], who[heard])
        self.messages.add(block.time_s[heard], message_keys(block)[heard])
        self.presence.add(block.time_s[heard], who[heard], MOST_SENDERS)
        wrong = np.flatnonzero(flags & ERROR)
        if len(wrong):
            self.errors += len(wrong)
            self.presence.add_errors(block.time_s[wrong])
            for place in wrong.tolist():
                self._error(float(block.time_s[place]), int(block.channel[place]))
        self._look_inside(block, heard & ((flags & EXTENDED) != 0))

    def _error(self, at_s: float, channel: int) -> None:
        for burst in reversed(self.bursts[-8:]):
            if burst[0] == channel and at_s - burst[2] <= BURST_S:
                burst[2] = at_s
                burst[3] += 1
                return
        self.burst_count += 1
        if len(self.bursts) < MOST_BURSTS:
            self.bursts.append([channel, at_s, at_s, 1])

    def _look_inside(self, block: Block, extended: np.typing.NDArray[np.bool_]) -> None:
        """Everything that needs a payload: a few frames in a hundred, one at a time."""
        watched = np.flatnonzero(extended & np.isin(j1939.groups(block.identifier), _WATCHED))
        for place in watched.tolist():
            head = j1939.header(int(block.identifier[place]))
            at_s, channel, data = float(block.time_s[place]), int(block.channel[place]), block.data[place]
            if head.group in _CODE_KINDS:
                self.codes.take(at_s, channel, head.source, _CODE_KINDS[head.group], data)
            elif head.group == j1939.ADDRESS_CLAIM:
                self._claim(at_s, channel, head.source, data)
            elif head.group == j1939.VEHICLE_POWER:
                self._power(at_s, channel, head.source, data)
            else:
                self._ended(self.assembly.take(at_s, channel, head, data))

    def _ended(self, messages: list[Message]) -> None:
        for message in messages:
            counts = self._assembled.setdefault((message.channel, message.source, message.group), [0, 0, 0])
            counts[0 if message.complete else 1] += 1
            counts[2] += len(message.missing)
            if message.complete and message.group in _CODE_KINDS:
                self.codes.take(
                    message.time_s, message.channel, message.source, _CODE_KINDS[message.group], message.data
                )

    def _claim(self, at_s: float, channel: int, source: int, data: bytes) -> None:
        name = j1939.name(data)
        if name is None:
            return
        _, names, count = self._claims.setdefault((channel, source), (at_s, {}, [0]))
        count[0] += 1
        if len(names) < MOST_NAMES:
            names.setdefault(name.raw, name)

    def _power(self, at_s: float, channel: int, source: int, data: bytes) -> None:
        # Battery potential in bytes 5 and 6, that of the key switch in 7 and 8, 0.05 V a bit, from FB00 hex on no value
        # (SAE J1939-71, from memory).
        for which, begin in (("battery", 4), ("key switch", 6)):
            raw = int.from_bytes(data[begin : begin + 2], "little")
            if len(data) < begin + 2 or raw >= 0xFB00:
                continue
            volts = raw * 0.05
            known = self._supplies.setdefault((channel, source, which), [volts, at_s, volts])
            if volts < known[0]:
                known[0], known[1] = volts, at_s
            known[2] = max(known[2], volts)

    def found(self, log: Log, bit_rate: int) -> Survey:
        """What was gathered. ``bit_rate`` in bit/s."""
        self._ended(self.assembly.finish())
        speakers = tuple(self.speakers.found())
        length_s = max(self.end_s, 1e-9)
        silent = [habit for habit in speakers if habit.silences][:MOST_PAIRED]
        channels = tuple(
            ChannelLoad(
                channel, log.channels[channel] if channel < len(log.channels) else "", count,
                self.load.bits.get(channel, 0) / bit_rate / max(length_s, 1.0),
                self.load.fullest.get(channel, 0) / bit_rate,
            )
            for channel, count in sorted(self.by_channel.items())
        )  # fmt: skip
        return Survey(
            file=log.path.name,
            frames=self.frames,
            plain_frames=self.plain,
            error_frames=self.errors,
            remote_frames=self.remote,
            recorded_s=self.clock.start_s or 0.0,
            length_s=self.end_s,
            bit_rate=bit_rate,
            channels=channels,
            unreadable=log.unreadable,
            unreadable_listed=log.listed,
            bus_off=tuple(log.bus_off),
            errors_told=log.errors_told,
            jumps=tuple(self.clock.jumps),
            jump_count=self.clock.jump_count,
            out_of_turn=self.clock.out_of_turn,
            speakers=speakers,
            messages=tuple(self.messages.found()),
            uncounted=self.messages.uncounted,
            joint=joint_silences(speakers),
            pairs=pairs(silent, length_s),
            bursts=tuple(Burst(int(c), a, b, int(n)) for c, a, b, n in self.bursts),
            burst_count=self.burst_count,
            codes=self.codes.histories(),
            code_messages=self.codes.read,
            lamps=dict(self.codes.lamps),
            assembled=tuple(Assembled(*key, *counts) for key, counts in sorted(self._assembled.items())),
            stray_packets=self.assembly.strays,
            claims=tuple(
                Claim(channel, source, tuple(names.values()), at_s, count[0])
                for (channel, source), (at_s, names, count) in sorted(self._claims.items())
            ),
            supplies=tuple(Supply(*key, *values) for key, values in sorted(self._supplies.items())),
            presence=self.presence,
        )


class Taking(Protocol):
    """Hears every data frame."""

    def __call__(self, identifier: int, data: bytes, *, extended: bool) -> None:
        """One frame."""


def survey(
    log: Log,
    *,
    bit_rate: int = USUAL_BIT_RATE,
    told: Callable[[int, int], None] | None = None,
    take: Taking | None = None,
) -> Survey:
    """Reads a log to its end. ``told`` is called with bytes read and bytes there are, ``take`` with every data frame.

    Raises UserError("log-empty") when not one frame could be read, and what ``Log.blocks`` raises.
    """
    surveyor = Surveyor()
    for block in log.blocks():
        surveyor.add(block)
        if take is not None:
            for place in np.flatnonzero(spoken(block)).tolist():
                take(int(block.identifier[place]), block.data[place], extended=bool(block.flags[place] & EXTENDED))
        if told is not None:
            told(log.position, log.size)
    if not surveyor.frames:
        reasons = "; ".join(f"{one.place} {one.what}" for one in log.listed[:3])
        raise UserError(
            "log-empty",
            f"{log.path.name} holds no frame that can be read." + (f" {reasons}." if reasons else ""),
            "Does the end of its name say the format it is in?",
        )
    return surveyor.found(log, bit_rate)
