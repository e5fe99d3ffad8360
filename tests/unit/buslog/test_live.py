"""Frames from an adapter: on the watch's clock, and adapters told to listen only where they can be."""

from __future__ import annotations

import threading
from typing import Any

import numpy as np
import pytest
from can import BusState, CanOperationError, Message
from can.interfaces.virtual import VirtualBus

from halfsplit.buslog.live import Ear, _settings, open_bus
from halfsplit.errors import UserError


class Adapter:
    """A bus that gives messages with the time at which each comes, then nothing, or its end."""

    def __init__(self, coming: list[tuple[float, Message]], failure: Exception | None = None) -> None:
        self.now_s = 0.0
        self.failure = failure
        self.empty = threading.Event()
        self._coming = list(coming)

    def recv(self, _timeout: float) -> Message | None:
        if self._coming:
            self.now_s, message = self._coming.pop(0)
            return message
        self.empty.set()
        if self.failure is not None:
            raise self.failure
        return None

    def shutdown(self) -> None:
        pass


def heard(coming: list[tuple[float, float]], **settings: Any) -> np.typing.NDArray[np.float64]:
    """The times of frames that come at the first and are stamped with the second of each pair."""
    adapter = Adapter([(at, Message(timestamp=stamp, arbitration_id=0x18FF0003, **settings)) for at, stamp in coming])
    ear = Ear(adapter, lambda: adapter.now_s)  # type: ignore[arg-type] # it has what an ear needs of a bus
    assert adapter.empty.wait(30.0)
    found = ear.take()
    ear.close()
    return found.time_s


def test_frames_keep_the_adapters_times_between_them_when_this_computer_stalls() -> None:
    # The third to fifth wait for half a second until somebody has time for them.
    coming = [100.0, 100.1, 100.7, 100.7, 100.7, 100.71]
    stamps = [5.0, 5.1, 5.2, 5.3, 5.4, 5.71]
    times = heard(list(zip(coming, stamps, strict=True)))
    assert np.diff(times) == pytest.approx(np.diff(stamps))
    assert times[0] == pytest.approx(100.0)


def test_a_slow_adapter_clock_is_followed() -> None:
    stamps = np.arange(0.1, 3600.0, 1.0)
    times = heard([(100.0 + stamp * 1.0002, stamp) for stamp in stamps.tolist()])
    assert np.abs(times - (100.0 + stamps * 1.0002)).max() < 0.01


def test_an_adapter_without_a_clock_gives_the_time_of_coming() -> None:
    assert heard([(100.0, 0.0), (100.2, 0.0), (101.0, 0.0)]) == pytest.approx([100.0, 100.2, 101.0])


def test_a_clock_that_was_set_begins_anew() -> None:
    times = heard([(100.0, 50.0), (100.1, 50.1), (100.2, 9000.2), (100.3, 9000.3), (100.4, 20.0)])
    assert times == pytest.approx([100.0, 100.1, 100.2, 100.3, 100.4])


def test_error_and_remote_frames_are_no_speech() -> None:
    assert len(heard([(1.0, 1.0)], is_error_frame=True)) == 0
    assert len(heard([(1.0, 1.0)], is_remote_frame=True)) == 0


def test_what_came_before_the_adapter_went_away_is_heard_first() -> None:
    adapter = Adapter([(1.0, Message(timestamp=1.0, arbitration_id=3))], CanOperationError("no such device"))
    ear = Ear(adapter, lambda: adapter.now_s)  # type: ignore[arg-type] # it has what an ear needs of a bus
    ear._thread.join(30.0)
    assert len(ear.take().time_s) == 1
    with pytest.raises(UserError, match="no such device") as raised:
        ear.take()
    assert raised.value.code == "bus-lost"
    ear.close()


def test_adapters_are_told_to_listen_only_in_their_own_words_unless_they_are_to_acknowledge() -> None:
    class Serial:
        def __init__(self, channel: str, bitrate: int = 0, *, listen_only: bool = False) -> None: ...

    class Stateful:
        def __init__(self, channel: str, state: BusState = BusState.ACTIVE, **more: object) -> None: ...

    class Plain:
        def __init__(self, channel: str) -> None: ...

    assert _settings(Serial, 250_000, acknowledge=False) == ({"bitrate": 250_000, "listen_only": True}, True)
    assert _settings(Serial, 250_000, acknowledge=True) == ({"bitrate": 250_000}, False)
    assert _settings(Stateful, 500_000, acknowledge=False) == ({"bitrate": 500_000, "state": BusState.PASSIVE}, True)
    assert _settings(Plain, 250_000, acknowledge=False) == ({}, False)


def test_a_bus_that_can_be_told_when_it_is_open_is_told_then(monkeypatch: pytest.MonkeyPatch) -> None:
    told: list[BusState] = []
    monkeypatch.setattr(
        VirtualBus, "state",
        property(lambda _: BusState.ACTIVE, lambda _, state: told.append(state)),
    )  # fmt: skip
    opened = open_bus("virtual", "quiet", 250_000)
    opened.bus.shutdown()
    assert opened.quiet
    assert told == [BusState.PASSIVE]
