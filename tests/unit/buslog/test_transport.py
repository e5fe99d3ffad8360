"""Long messages: interleaved, with packets missing, between partners, and nonsense."""

from __future__ import annotations

import pytest

from halfsplit.buslog import transport
from halfsplit.buslog.j1939 import TRANSPORT_CONTROL, TRANSPORT_DATA, Header
from halfsplit.buslog.transport import Assembly, Message

CONTENT = bytes(range(20))


def control(kind: int, content: bytes, group: int = 65226) -> bytes:
    packets = -(-len(content) // 7)
    return bytes([kind, *len(content).to_bytes(2, "little"), packets, 255, *group.to_bytes(3, "little")])


def packet(number: int, content: bytes = CONTENT) -> bytes:
    return bytes([number]) + content[7 * (number - 1) : 7 * number].ljust(7, b"\xff")


class Bus:
    """An assembly with a clock of its own."""

    def __init__(self) -> None:
        self.assembly = Assembly()
        self.now = 0.0

    def send(self, source: int, destination: int, data: bytes, *, wait: float = 0.05) -> list[Message]:
        self.now += wait
        group = TRANSPORT_DATA if data[0] in range(1, 16) else TRANSPORT_CONTROL
        return self.assembly.take(self.now, 0, Header(7, group, destination, source), data)


def test_messages_of_two_sources_between_each_others_packets_both_come_whole() -> None:
    bus = Bus()
    other = bytes(reversed(CONTENT))
    bus.send(0, 255, control(32, CONTENT))
    bus.send(3, 255, control(32, other))
    found = []
    for number in (1, 2, 3):
        found += bus.send(0, 255, packet(number))
        found += bus.send(3, 255, packet(number, other))
    assert [(one.source, one.data) for one in found] == [(0, CONTENT), (3, other)]
    assert bus.assembly.strays == 0


@pytest.mark.parametrize("lost", [1, 2])
def test_a_lost_packet_makes_the_message_incomplete_and_is_named(lost: int) -> None:
    bus = Bus()
    bus.send(0, 255, control(32, CONTENT))
    found = [one for number in (1, 2, 3) if number != lost for one in bus.send(0, 255, packet(number))]
    assert [(one.complete, one.missing, one.data) for one in found] == [(False, (lost,), b"")]


def test_a_lost_last_packet_shows_at_the_next_announcement_or_the_end() -> None:
    bus = Bus()
    bus.send(0, 255, control(32, CONTENT))
    bus.send(0, 255, packet(1))
    bus.send(0, 255, packet(2))
    (first,) = bus.send(0, 255, control(32, CONTENT))
    (second,) = bus.assembly.finish()
    assert (first.missing, second.missing) == ((3,), (1, 2, 3))


def test_packets_that_come_too_late_belong_to_nothing() -> None:
    bus = Bus()
    bus.send(0, 255, control(32, CONTENT))
    bus.send(0, 255, packet(1))
    (given_up,) = bus.send(0, 255, packet(2), wait=transport.PATIENCE_S + 0.01)
    assert given_up.missing == (2, 3)
    assert bus.send(0, 255, packet(3)) == []
    assert bus.assembly.strays == 2


def test_between_partners_packets_asked_for_again_count_and_the_receiver_may_hold_the_sender() -> None:
    bus = Bus()
    bus.send(0, 3, control(16, CONTENT))
    bus.send(3, 0, bytes([17, 3, 1, 255, 255, 0xCA, 0xFE, 0]))
    bus.send(0, 3, packet(1))
    bus.send(0, 3, packet(3))
    for _ in range(3):  # "wait" is a clear to send of no packets
        bus.send(3, 0, bytes([17, 0, 255, 255, 255, 0xCA, 0xFE, 0]), wait=1.0)
    bus.send(3, 0, bytes([17, 1, 2, 255, 255, 0xCA, 0xFE, 0]))
    (whole,) = bus.send(0, 3, packet(2))
    assert whole.data == CONTENT
    assert (whole.source, whole.destination) == (0, 3)


@pytest.mark.parametrize(("source", "destination"), [(3, 0), (0, 3)])
def test_an_abort_of_either_partner_ends_the_message(source: int, destination: int) -> None:
    bus = Bus()
    bus.send(0, 3, control(16, CONTENT))
    bus.send(0, 3, packet(1))
    (ended,) = bus.send(source, destination, bytes([255, 1, 255, 255, 255, 0xCA, 0xFE, 0]))
    assert ended.missing == (2, 3)


@pytest.mark.parametrize(
    "data",
    [
        control(32, CONTENT)[:6],
        bytes([32, 20, 0, 2, 255, 0xCA, 0xFE, 0]),  # 20 bytes in 2 packets
        bytes([32, 8, 0, 2, 255, 0xCA, 0xFE, 0]),  # 8 bytes need no transport
        bytes([32, 255, 255, 255, 255, 0xCA, 0xFE, 0]),
        bytes([32, 20, 0, 3, 255, 0xCA, 0xFE, 0xFF]),  # no such group
    ],
)
def test_announcements_that_cannot_be_ones_are_counted(data: bytes) -> None:
    bus = Bus()
    assert bus.send(0, 255, data) == []
    assert bus.assembly.nonsense == 1
    assert bus.assembly.finish() == []


def test_no_log_can_make_the_assembly_hold_more_than_so_many_messages() -> None:
    assembly = Assembly()
    given_up = 0
    for source in range(256):
        for destination in range(0, 256, 32):
            head = Header(7, TRANSPORT_CONTROL, destination, source)
            given_up += len(assembly.take(0.0, 0, head, control(16, CONTENT)))
    assert given_up == 2048 - transport.MOST_OPEN
    assert len(assembly.finish()) == transport.MOST_OPEN
