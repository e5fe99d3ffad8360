"""Frames of a bus as they come, through any interface python-can knows. Nothing is ever sent.

A thread of its own takes the frames from the adapter, so that none is lost while a screen is drawn or a finding is
written down. Each frame has the time its adapter gave it, carried over to the clock of the watch; a stall of this
program therefore shows as no silence. Where the adapter can be told to listen only, it is: then it does not even
acknowledge what it hears.
"""

from __future__ import annotations

import importlib
import inspect
import threading
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from halfsplit.buslog.clock import BACK_S, FORWARD_S
from halfsplit.buslog.frames import ERROR, EXTENDED, REMOTE, Block
from halfsplit.buslog.speakers import speaker_keys, spoken
from halfsplit.errors import UserError, nearest

if TYPE_CHECKING:
    from can import BusABC, Message

CODES: dict[str, str] = {
    "bus-interface": "There is no way to a bus of that name.",
    "bus-unavailable": "The adapter to the bus cannot be opened.",
    "bus-lost": "The adapter to the bus went away during a watch; what was written down until then stays.",
}

#: Longest wait for one frame, seconds: how late the end of a watch or the silence of everybody is noticed. Invented.
WAIT_S = 0.05
#: How long the least delay of a frame stands: two clocks that differ by 0.01 % move 1 ms apart in it. Invented.
STRETCH_S = 10.0
#: How adapters are told to listen only, by the name of the argument their class has for it.
_QUIET: tuple[tuple[str, Any], ...] = (("listen_only", True), ("monitor", True), ("operation_mode", "silent"))


@dataclass(frozen=True, slots=True)
class Opened:
    """A bus that was opened. ``quiet`` says that its adapter does not even acknowledge frames."""

    bus: BusABC
    quiet: bool


def open_bus(interface: str, channel: str, bit_rate: int, *, acknowledge: bool = False) -> Opened:
    """Opens a bus to listen on it. Raises UserError("bus-interface") or ("bus-unavailable")."""
    import can
    from can.interfaces import BACKENDS

    if interface not in BACKENDS:
        near = nearest(interface, BACKENDS)
        hint = f"Did you mean {near}?" if near else f"Known are: {', '.join(sorted(BACKENDS))}."
        raise UserError("bus-interface", f'There is no interface called "{interface}".', hint)
    try:
        module, name = BACKENDS[interface]
        kind = getattr(importlib.import_module(module), name)
        settings, quiet = _settings(kind, bit_rate, acknowledge=acknowledge)
        bus = can.Bus(interface=interface, channel=channel, ignore_config=True, **settings)
    # Drivers raise whatever their makers thought of when an adapter is not there; all of it means the same here.
    except Exception as error:
        raise UserError(
            "bus-unavailable",
            f"The adapter {channel} cannot be opened by way of {interface}: {str(error).rstrip('.') or error!r}.",
            "Is it plugged in, switched on and free, is its driver installed, and is the channel's name right?",
        ) from error
    if not quiet and not acknowledge:
        quiet = _hushed(bus)
    return Opened(bus, quiet)


def _settings(kind: Any, bit_rate: int, *, acknowledge: bool) -> tuple[dict[str, Any], bool]:
    """Arguments for an adapter's class, and whether they tell it to listen only."""
    from can import BusState

    taken = inspect.signature(kind.__init__).parameters
    open_ended = any(one.kind is inspect.Parameter.VAR_KEYWORD for one in taken.values())
    settings: dict[str, Any] = {"bitrate": bit_rate} if "bitrate" in taken or open_ended else {}
    if acknowledge:
        return settings, False
    for name, value in (*_QUIET, ("state", BusState.PASSIVE)):
        if name in taken:
            return {**settings, name: value}, True
    return settings, False


def _hushed(bus: BusABC) -> bool:
    """Tells an open adapter to listen only; whether it can."""
    from can import BusState, CanError

    try:
        bus.state = BusState.PASSIVE
    except (NotImplementedError, AttributeError, CanError, OSError):
        return False
    return True


@dataclass(frozen=True, slots=True)
class Heard:
    """Frames since the last time: times (n,) on the clock of the watch, whose each is (n,), and error frames.

    All frames before ``until_s`` were heard.
    """

    time_s: NDArray[np.float64]
    key: NDArray[np.int64]
    errors: int
    until_s: float


class Ear:
    """Takes frames from an open bus in a thread of its own until it is closed. ``clock`` is the clock of the watch."""

    def __init__(self, bus: BusABC, clock: Callable[[], float]) -> None:
        self._bus = bus
        self._clock = clock
        self._lock = threading.Lock()
        self._frames: list[tuple[float, int, int]] = []  # time, identifier, flags
        self._until_s = clock()
        self._apart_s = (float("inf"), float("inf"))  # least time from stamp to coming, the last stretch and this one
        self._turn_s = self._until_s
        self._stamp_s = 0.0
        self._closing = threading.Event()
        self._failure: Exception | None = None
        self._thread = threading.Thread(target=self._listen, name="bus", daemon=True)
        self._thread.start()

    def take(self) -> Heard:
        """What came since the last time. Raises UserError("bus-lost") when no more can come."""
        with self._lock:
            frames, self._frames, failure = self._frames, [], self._failure
            until_s = self._until_s
        if failure is not None and not frames:
            raise _lost(failure) from failure
        times = np.array([one[0] for one in frames], np.float64)
        block = Block(
            times, np.array([one[1] for one in frames], np.uint32), np.array([one[2] for one in frames], np.uint8),
            np.zeros(len(frames), np.uint16), (),
        )  # fmt: skip
        kept = spoken(block)
        errors = int(np.count_nonzero(block.flags & ERROR))
        return Heard(times[kept], speaker_keys(block)[kept].astype(np.int64), errors, until_s)

    def close(self) -> None:
        """Ends the thread and closes the bus."""
        self._closing.set()
        self._thread.join()
        self._bus.shutdown()

    def _listen(self) -> None:
        try:
            while not self._closing.is_set():
                asked_s = self._clock()
                message = self._bus.recv(WAIT_S)
                with self._lock:
                    if message is None:
                        self._until_s = max(self._until_s, asked_s)
                    else:
                        self._keep(message)
        # Whatever an adapter's driver raises here, no more frames come from it; ``take`` says so.
        except Exception as error:  # noqa: BLE001 # drivers raise errors of their own kinds
            with self._lock:
                self._failure = error

    def _keep(self, message: Message) -> None:
        at_s = self._carried_over(message.timestamp)
        flags = (
            (EXTENDED if message.is_extended_id else 0)
            | (ERROR if message.is_error_frame else 0)
            | (REMOTE if message.is_remote_frame else 0)
        )
        self._frames.append((at_s, message.arbitration_id, flags))
        self._until_s = max(self._until_s, at_s)

    def _carried_over(self, stamp_s: float) -> float:
        """The time of a frame on our clock.

        A frame comes some time after its stamp; the least of that within the last ``STRETCH_S`` or two is what the two
        clocks are apart, since they need not run alike. An adapter without a clock gives 0; one whose clock was set has
        jumped as in a log, and begins anew.
        """
        now_s = self._clock()
        apart_s, step_s = now_s - stamp_s, stamp_s - self._stamp_s
        self._stamp_s = stamp_s
        if stamp_s == 0.0 or not -BACK_S <= step_s <= FORWARD_S or apart_s < self._apart_s[1] - BACK_S:
            self._apart_s = (apart_s, apart_s)
        elif now_s >= self._turn_s:
            self._turn_s = now_s + STRETCH_S
            self._apart_s = (self._apart_s[1], apart_s)
        else:
            self._apart_s = (self._apart_s[0], min(self._apart_s[1], apart_s))
        return stamp_s + min(self._apart_s)


def _lost(failure: Exception) -> UserError:
    return UserError(
        "bus-lost",
        f"The adapter went away: {str(failure).rstrip('.') or repr(failure)}.",
        "Is its plug in, and is it powered? What was written down until now stays; start the watch again.",
    )
