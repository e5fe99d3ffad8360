"""Messages of more than 8 bytes put together again from their packets (SAE J1939-21), as seen by a listener.

Announced to everybody (BAM) or to one partner (request to send), the packets follow numbered from 1, 7 bytes each.
Messages of different senders, and of one sender to different partners, may come between each other's packets. A
listener cannot ask again: a message of which a packet is missing is given as incomplete, with the numbers that are.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from halfsplit.buslog.j1939 import EVERYBODY, TRANSPORT_CONTROL, TRANSPORT_DATA, Header

#: Control bytes of TP.CM.
REQUEST_TO_SEND, CLEAR_TO_SEND, ALL_RECEIVED, TO_EVERYBODY, ABORT = 16, 17, 19, 32, 255

#: Bytes and packets a message may have (SAE J1939-21).
SHORTEST, LONGEST = 9, 1785
#: After this long without a packet the message is given up; SAE J1939-21's T2 and T3, from memory. Between partners a
#: receiver may hold the sender for a while, so the same time counts from any sign of either.
PATIENCE_S = 1.25
#: Messages that may be under way at once; a real bus has a handful, a hostile log 65,536. The oldest is given up.
MOST_OPEN = 1024


@dataclass(frozen=True, slots=True)
class Message:
    """One message put together, or what there was of it: then ``data`` is empty and ``missing`` not.

    ``began_s`` is the time of its announcement, ``time_s`` that of its last packet.
    """

    channel: int
    source: int
    destination: int
    group: int
    data: bytes
    began_s: float
    time_s: float
    announced_bytes: int
    missing: tuple[int, ...] = ()

    @property
    def complete(self) -> bool:
        """Whether every packet was seen."""
        return not self.missing


@dataclass(slots=True)
class _Open:
    group: int
    size: int
    packets: int
    began_s: float
    last_s: float
    got: dict[int, bytes] = field(default_factory=dict)


class Assembly:
    """Takes the transport frames of a log in their order and gives messages as they end."""

    def __init__(self) -> None:
        self._open: dict[tuple[int, int, int], _Open] = {}
        #: Packets that belonged to no announced message, as at the beginning of a recording.
        self.strays = 0
        #: Announcements that cannot be ones: wrong sizes, or too short.
        self.nonsense = 0

    def take(self, time_s: float, channel: int, head: Header, data: bytes) -> list[Message]:
        """One frame; gives the messages that ended with it, whole or not."""
        destination = EVERYBODY if head.destination is None else head.destination
        if head.group == TRANSPORT_CONTROL:
            return self._control(time_s, channel, head.source, destination, data)
        if head.group == TRANSPORT_DATA:
            return self._packet(time_s, channel, head.source, destination, data)
        return []

    def finish(self) -> list[Message]:
        """The messages that were under way when the log ended or its clock jumped."""
        ended = [_incomplete(key, one) for key, one in self._open.items()]
        self._open.clear()
        return ended

    def _control(self, time_s: float, channel: int, source: int, destination: int, data: bytes) -> list[Message]:
        if len(data) < 8:
            self.nonsense += 1
            return []
        kind = data[0]
        if kind in (TO_EVERYBODY, REQUEST_TO_SEND):
            size, packets = int.from_bytes(data[1:3], "little"), data[3]
            group = int.from_bytes(data[5:8], "little")
            if not SHORTEST <= size <= LONGEST or packets != -(-size // 7) or group > 0x3FFFF:
                self.nonsense += 1
                return []
            key = (channel, source, destination)
            ended = self._give_up(key)
            while len(self._open) >= MOST_OPEN:
                ended += self._give_up(next(iter(self._open)))
            self._open[key] = _Open(group, size, packets, time_s, time_s)
            return ended
        # What the receiver says goes the other way.
        key = (channel, destination, source)
        under_way = self._open.get(key)
        if under_way is None:
            return self._give_up((channel, source, destination)) if kind == ABORT else []
        if kind == CLEAR_TO_SEND:
            under_way.last_s = time_s
            return []
        return self._give_up(key) if kind in (ABORT, ALL_RECEIVED) else []

    def _packet(self, time_s: float, channel: int, source: int, destination: int, data: bytes) -> list[Message]:
        key = (channel, source, destination)
        under_way = self._open.get(key)
        if under_way is None:
            self.strays += 1
            return []
        if time_s - under_way.last_s > PATIENCE_S:
            self.strays += 1
            return self._give_up(key)
        number = data[0] if len(data) == 8 else 0
        if not 1 <= number <= under_way.packets:
            self.strays += 1
            return []
        under_way.got[number] = data[1:]
        under_way.last_s = time_s
        if len(under_way.got) < under_way.packets:
            # A message to everybody is never sent twice: its last packet ends it even when one before is missing.
            return self._give_up(key) if destination == EVERYBODY and number == under_way.packets else []
        del self._open[key]
        whole = b"".join(under_way.got[each] for each in range(1, under_way.packets + 1))[: under_way.size]
        return [
            Message(
                channel, source, destination, under_way.group, whole, under_way.began_s, time_s, under_way.size
            )
        ]

    def _give_up(self, key: tuple[int, int, int]) -> list[Message]:
        under_way = self._open.pop(key, None)
        return [] if under_way is None else [_incomplete(key, under_way)]


def _incomplete(key: tuple[int, int, int], one: _Open) -> Message:
    channel, source, destination = key
    missing = tuple(number for number in range(1, one.packets + 1) if number not in one.got)
    return Message(channel, source, destination, one.group, b"", one.began_s, one.last_s, one.size, missing)
