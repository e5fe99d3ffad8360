"""What a bus log says, for a person and as data with stable keys."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from halfsplit.buslog.codes import COUNT_UNKNOWN, failure_modes
from halfsplit.buslog.naming import Names, SignalValues, read_dbc
from halfsplit.buslog.reading import open_log
from halfsplit.buslog.silences import Habit
from halfsplit.buslog.speakers import message_id, speaker
from halfsplit.buslog.survey import USUAL_BIT_RATE, Survey, survey
from halfsplit.buslog.timeline import Row, letters, picture, speech_rows
from halfsplit.errors import UserError
from halfsplit.service.new_files import write_new

CODES: dict[str, str] = {
    "bit-rate": "A bit rate is not a number with kbit/s or Mbit/s.",
    "timeline-there": "A file of that name is there already and is not written over.",
    "timeline-unwritable": "The timeline cannot be written there.",
}

#: Active codes of one controller that speak for wiring from which on what they share is looked at first; common
#: practice, no source.
MANY_CODES = 4


@dataclass(frozen=True, slots=True)
class Place:
    """A place of the file, in words, and what was wrong or said there."""

    place: str
    what: str


@dataclass(frozen=True, slots=True)
class ChannelSaid:
    """One channel. Loads are shares of the bit rate, stuffed bits left out."""

    name: str
    frames: int
    mean_share: float
    fullest_share: float


@dataclass(frozen=True, slots=True)
class SpeakerSaid:
    """One speaker; times in seconds. ``silent_after_s`` is None below 20 frames."""

    name: str
    frames: int
    first_s: float
    last_s: float
    period_s: float | None
    jitter_s: float | None
    silent_after_s: float | None


@dataclass(frozen=True, slots=True)
class MessageSaid(SpeakerSaid):
    """One message: the same, its name from a DBC file, who sends it, and how often it stayed away."""

    sender: str
    silences: int


@dataclass(frozen=True, slots=True)
class SilenceSaid:
    """A silence of one speaker. ``to_end`` when it was never heard again."""

    speaker: str
    from_s: float
    to_s: float
    to_end: bool


@dataclass(frozen=True, slots=True)
class JointSaid:
    """Speakers that fell silent together, or one alone."""

    at_s: float
    everybody: bool
    silences: tuple[SilenceSaid, ...]


@dataclass(frozen=True, slots=True)
class PairSaid:
    """Two speakers that fell silent together more often than by chance."""

    first: str
    second: str
    times: int
    expected: float
    p: float


@dataclass(frozen=True, slots=True)
class CodeSaid:
    """One trouble code. ``count`` is None when the controller does not know it; ``wiring`` strong, some or no."""

    speaker: str
    kind: str
    spn: int
    fmi: int
    meaning: str
    wiring: str
    count: int | None
    old_layout: bool
    messages: int
    spans: tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True)
class LampsSaid:
    """What a controller last asked of the warning lamps."""

    speaker: str
    malfunction: str
    red_stop: str
    amber: str
    protect: str


@dataclass(frozen=True, slots=True)
class LongMessages:
    """Messages of several packets of one group from one speaker."""

    speaker: str
    group: int
    complete: int
    incomplete: int
    lost_packets: int


@dataclass(frozen=True, slots=True)
class SupplySaid:
    """The supply a controller reported of itself."""

    speaker: str
    which: str
    lowest_v: float
    lowest_at_s: float
    highest_v: float


@dataclass(frozen=True, slots=True)
class ErrorsSaid:
    """A burst of error frames."""

    channel: str
    from_s: float
    to_s: float
    count: int


@dataclass(frozen=True, slots=True)
class JumpSaid:
    """A jump of the recorded clock."""

    frame: int
    at_s: float
    by_s: float


@dataclass(frozen=True, slots=True)
class LogSaid:
    """Everything a log said. Times are seconds from its first frame, jumps of its clock left out.

    ``misfits`` counts frames of signals that were asked for whose data does not fit the DBC file.
    """

    file: str
    frames: int
    length_s: float
    recorded_s: float
    bit_rate: int
    plain_frames: int
    error_frames: int
    remote_frames: int
    channels: tuple[ChannelSaid, ...]
    unreadable: int
    unreadable_places: tuple[Place, ...]
    bus_off: tuple[Place, ...]
    errors_told: int
    clock_jumps: int
    jumps: tuple[JumpSaid, ...]
    out_of_turn: int
    speakers: tuple[SpeakerSaid, ...]
    messages: tuple[MessageSaid, ...]
    frames_of_too_many: int
    silences: tuple[JointSaid, ...]
    together: tuple[PairSaid, ...]
    error_bursts: int
    errors: tuple[ErrorsSaid, ...]
    code_messages: int
    codes: tuple[CodeSaid, ...]
    many_codes: tuple[str, ...]
    lamps: tuple[LampsSaid, ...]
    long_messages: tuple[LongMessages, ...]
    stray_packets: int
    address_conflicts: tuple[str, ...]
    supplies: tuple[SupplySaid, ...]
    signals: tuple[SignalValues, ...]
    misfits: int


def bit_rate(text: str) -> int:
    """A bit rate in bit/s from text like "250 kbit/s". Raises UserError("bit-rate")."""
    match = re.fullmatch(r"\s*(\d+(?:\.\d+)?)\s*([kM])bit/s\s*", text)
    found = round(float(match[1]) * (1000 if match[2] == "k" else 1_000_000)) if match else 0
    if not 1000 <= found <= 20_000_000:
        raise UserError("bit-rate", f'"{text}" is no bit rate of a bus.', "Write it like 250 kbit/s or 1 Mbit/s.")
    return found


class _Speaking:
    """Names of speakers: with the channel where there is more than one."""

    def __init__(self, found: Survey) -> None:
        self._all = {one.channel: one.name or str(one.channel) for one in found.channels}
        self._names = self._all if len(self._all) > 1 else {}

    def channel(self, channel: int) -> str:
        return self._all.get(channel, str(channel))

    def key(self, key: int) -> str:
        one = speaker(key)
        return self._with_channel(one.said, one.channel)

    def source(self, channel: int, source: int) -> str:
        return self._with_channel(f"source {source}", channel)

    def _with_channel(self, said: str, channel: int) -> str:
        return f"{said} on {self._names[channel]}" if channel in self._names else said


def read_log(
    path: Path,
    *,
    rate: str = "",
    dbc: Path | None = None,
    signals: tuple[str, ...] = (),
    told: Callable[[int, int], None] | None = None,
) -> LogSaid:
    """Reads a log and says what is in it. ``told`` hears bytes read of bytes there are.

    Raises UserError with the codes of ``buslog.reading`` and ``buslog.naming``, and "bit-rate".
    """
    return say_log(*_surveyed(path, rate, dbc, signals, told))


def _surveyed(
    path: Path, rate: str, dbc: Path | None, signals: tuple[str, ...], told: Callable[[int, int], None] | None
) -> tuple[Survey, Names | None]:
    bits = bit_rate(rate) if rate else USUAL_BIT_RATE
    if signals and dbc is None:
        raise UserError("dbc-unreadable", "Signals need a DBC file to be read.", "Give it with --dbc FILE.")
    names = read_dbc(dbc, signals) if dbc else None
    take = names.take if names and names.reads_values else None
    return survey(open_log(path), bit_rate=bits, told=told, take=take), names


def say_log(found: Survey, names: Names | None = None) -> LogSaid:
    """The survey in words and numbers."""
    speaking = _Speaking(found)
    codes = _codes(found, speaking)
    everybody = {one.key for one in found.speakers if one.limit_s is not None}
    return LogSaid(
        file=found.file,
        frames=found.frames,
        length_s=found.length_s,
        recorded_s=found.recorded_s,
        bit_rate=found.bit_rate,
        plain_frames=found.plain_frames,
        error_frames=found.error_frames,
        remote_frames=found.remote_frames,
        channels=tuple(
            ChannelSaid(one.name or str(one.channel), one.frames, one.mean_share, one.fullest_share)
            for one in found.channels
        ),
        unreadable=found.unreadable,
        unreadable_places=tuple(Place(one.place, one.what) for one in found.unreadable_listed),
        bus_off=tuple(Place(one.place, one.what) for one in found.bus_off),
        errors_told=found.errors_told,
        clock_jumps=found.jump_count,
        jumps=tuple(JumpSaid(one.frame, one.at_s, one.after_s - one.before_s) for one in found.jumps),
        out_of_turn=found.out_of_turn,
        speakers=tuple(SpeakerSaid(speaking.key(one.key), *_habit(one)) for one in found.speakers),
        messages=tuple(_message(one, names) for one in found.messages),
        frames_of_too_many=found.uncounted,
        silences=tuple(
            JointSaid(
                event.at_s,
                len(everybody) > 1 and event.keys == everybody,
                tuple(SilenceSaid(speaking.key(one.key), one.from_s, one.to_s, one.to_end) for one in event.silences),
            )
            for event in found.joint
        ),
        together=tuple(
            PairSaid(speaking.key(one.first), speaking.key(one.second), both.count, both.expected, one.p)
            for one in found.pairs
            for both in (one.coincidence,)
        ),
        error_bursts=found.burst_count,
        errors=tuple(
            ErrorsSaid(speaking.channel(one.channel), one.from_s, one.to_s, one.count) for one in found.bursts
        ),
        code_messages=found.code_messages,
        codes=tuple(codes),
        many_codes=_many(codes),
        lamps=tuple(
            LampsSaid(speaking.source(*who), lamps.malfunction, lamps.red_stop, lamps.amber, lamps.protect)
            for who, lamps in sorted(found.lamps.items(), key=lambda item: item[0])
        ),
        long_messages=tuple(
            LongMessages(
                speaking.source(one.channel, one.source), one.group, one.complete, one.incomplete, one.lost_packets
            )
            for one in found.assembled
        ),
        stray_packets=found.stray_packets,
        address_conflicts=tuple(
            f"{speaking.source(one.channel, one.source)} was claimed under {len(one.names)} names"
            for one in found.claims
            if len(one.names) > 1
        ),
        supplies=tuple(
            SupplySaid(
                speaking.source(one.channel, one.source), one.which, one.lowest_v, one.lowest_at_s, one.highest_v
            )
            for one in found.supplies
        ),
        signals=tuple(names.values.values()) if names else (),
        misfits=names.misfits if names else 0,
    )


def _habit(one: Habit) -> tuple[int, float, float, float | None, float | None, float | None]:
    return one.count, one.first_s, one.last_s, one.period_s, one.jitter_s, one.limit_s


def _message(one: Habit, names: Names | None) -> MessageSaid:
    found = message_id(one.key)
    digits = f"{found.identifier:08X}" if found.extended else f"{found.identifier:03X}"
    name = names.message(found.identifier, extended=found.extended) if names else ""
    sender = names.sender(found.identifier, extended=found.extended) if names else ""
    said = f"{digits} {name}".strip()
    return MessageSaid(said, *_habit(one), sender=sender, silences=len(one.silences))


def _codes(found: Survey, speaking: _Speaking) -> list[CodeSaid]:
    modes = failure_modes()
    return [
        CodeSaid(
            speaking.source(one.channel, one.source), one.kind, one.spn, one.fmi, modes[one.fmi].said,
            modes[one.fmi].wiring, None if one.count == COUNT_UNKNOWN else one.count, one.old_layout, one.messages,
            one.spans,
        )
        for one in found.codes
    ]  # fmt: skip


def _many(codes: list[CodeSaid]) -> tuple[str, ...]:
    """Controllers with several active codes at once that speak for wiring: one shared reason needs one coincidence."""
    counts = Counter(one.speaker for one in codes if one.kind == "active" and one.wiring == "strong")
    return tuple(speaker for speaker, count in counts.items() if count >= MANY_CODES)


@dataclass(frozen=True, slots=True)
class Timeline:
    """Who spoke when: rows with their stretches in seconds, as data, as letters and as an SVG picture."""

    file: str
    length_s: float
    rows: tuple[Row, ...]

    def lines(self, columns: int) -> tuple[tuple[str, str], ...]:
        """Label and letters of each row, the letters ``columns`` wide."""
        return tuple((row.label, letters(row, max(self.length_s, 1e-6), columns)) for row in self.rows)

    def svg(self) -> str:
        """The picture."""
        return picture(f"Who spoke when in {self.file}", self.rows, self.length_s)


def timeline(path: Path, *, told: Callable[[int, int], None] | None = None) -> Timeline:
    """Reads a log for its timeline. Raises what ``read_log`` does."""
    found, _ = _surveyed(path, "", None, (), told)
    speaking = _Speaking(found)
    names = {one.key: speaking.key(one.key) for one in found.speakers}
    rows = list(speech_rows(found.speakers, found.presence, names))
    active: dict[tuple[int, int], list[tuple[float, float]]] = {}
    for code in found.codes:
        if code.kind == "active":
            active.setdefault((code.channel, code.source), []).extend(code.spans)
    for who, spans in sorted(active.items()):
        rows.append(Row(f"codes of {speaking.source(*who)}", coded=tuple(sorted(set(spans)))))
    if found.bursts:
        rows.append(Row("error frames", coded=tuple((one.from_s, one.to_s) for one in found.bursts)))
    return Timeline(found.file, found.length_s, tuple(rows))


def write_timeline(found: Timeline, file: Path) -> None:
    """Writes the picture to a new file. Raises UserError("timeline-there") or ("timeline-unwritable")."""
    try:
        write_new(file, found.svg().encode("utf-8"))
    except FileExistsError:
        raise UserError("timeline-there", f"{file} is there already.", "Give another file name.") from None
    except OSError as error:
        raise UserError("timeline-unwritable", f"{file} cannot be written: {error.strerror or error}.") from error
