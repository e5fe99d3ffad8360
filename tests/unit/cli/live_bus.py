"""A live bus on which time goes on only when a test says so: frames, words and the clock in step with each other.

The command under test listens on python-can's virtual bus in this process. A thread plays the machine and whoever moves
its connectors: it lets time pass, sends the frames that fall into it and waits until they were taken in, types words,
and waits for what is printed. Nothing depends on how fast the computer is; waits end with an error after half a minute.
"""

from __future__ import annotations

import io
import itertools
import os
import sys
import threading
from collections.abc import Callable, Collection
from types import TracebackType
from typing import Self

import can
import pytest

from halfsplit.buslog.live import Ear
from halfsplit.cli import buslog_watch, main

PATIENCE_S = 30.0
STEP_S = 0.05
_numbers = itertools.count(1)


class Printed(io.StringIO):
    """Standard output that others can wait on."""

    def __init__(self) -> None:
        super().__init__()
        self.changed = threading.Condition()

    def write(self, text: str) -> int:
        with self.changed:
            written = super().write(text)
            self.changed.notify_all()
        return written

    @property
    def plain(self) -> str:
        """Everything with line ends as spaces, so that it does not matter where lines are broken."""
        return " ".join(self.getvalue().split())


class Machine:
    """Plays the machine: ``senders`` are source addresses, each sending ten times a second."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, senders: Collection[int] = (10, 20, 30)) -> None:
        self.now_s = 1000.0
        self.channel = f"test-{next(_numbers)}"
        self.senders = senders
        self.printed = Printed()
        self._ticks = 0
        self._sent = self._kept = 0
        self._taken = threading.Condition()
        self._out: int | None = None
        self._listening = threading.Event()
        keep, begin = Ear._keep, Ear.__init__

        def counted(ear: Ear, message: can.Message) -> None:
            keep(ear, message)
            with self._taken:
                self._kept += 1
                self._taken.notify_all()

        def begun(ear: Ear, bus: can.BusABC, clock: Callable[[], float]) -> None:
            begin(ear, bus, clock)
            self.heard_by = bus
            self._listening.set()

        read, self._out = os.pipe()
        self.stdin = os.fdopen(read)
        self._monkeypatch = monkeypatch
        monkeypatch.setattr(Ear, "_keep", counted)
        monkeypatch.setattr(Ear, "__init__", begun)
        monkeypatch.setattr(buslog_watch, "clock", lambda: self.now_s)
        monkeypatch.setattr(sys, "stdin", self.stdin)

    def __enter__(self) -> Self:
        self.bus = can.Bus(
            interface="virtual", channel=self.channel, preserve_timestamps=True, receive_own_messages=False
        )
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.hang_up()
        self.bus.shutdown()
        for one in threading.enumerate():
            if one.name == "words":  # it reads until the input ends, which it now has
                one.join(PATIENCE_S)
        self.stdin.close()

    def run(self, seconds: float, silent: Collection[int] = ()) -> None:
        """Lets time pass; who is not ``silent`` speaks."""
        for _ in range(round(seconds / STEP_S)):
            self.now_s += STEP_S
            self._ticks += 1
            if self._ticks % 2:
                continue
            for sender in self.senders:
                if sender not in silent:
                    self.send(0x18FF0000 | sender)
        with self._taken:
            assert self._taken.wait_for(lambda: self._kept >= self._sent, PATIENCE_S), "frames were not taken in"

    def send(self, identifier: int) -> None:
        self._sent += 1
        self.bus.send(can.Message(timestamp=self.now_s, arbitration_id=identifier, data=bytes(8)))
        with self._taken:
            assert self._taken.wait_for(lambda: self._kept >= self._sent, PATIENCE_S), "a frame was not taken in"

    def type(self, line: str) -> None:
        assert self._out is not None
        os.write(self._out, f"{line}\n".encode())

    def hang_up(self) -> None:
        """Ends the input."""
        if self._out is not None:
            os.close(self._out)
            self._out = None

    def wait_for(self, text: str, times: int = 1) -> None:
        with self.printed.changed:
            found = self.printed.changed.wait_for(lambda: self.printed.plain.count(text) >= times, PATIENCE_S)
        assert found, f"{text!r} was not printed {times} times:\n{self.printed.getvalue()}"

    def watch(self, story: Callable[[Machine], None], *arguments: str, status: int = 0) -> str:
        """Runs the command while ``story`` is played; what it printed, or with --json what it told meanwhile."""
        self.data = Printed()
        as_json = "--json" in arguments
        self._monkeypatch.setattr(sys, "stdout", self.data if as_json else self.printed)
        self._monkeypatch.setattr(sys, "stderr", self.printed if as_json else sys.stderr)
        wrong: list[BaseException] = []

        def play() -> None:
            try:
                assert self._listening.wait(PATIENCE_S), "nobody listens"
                story(self)
            except BaseException as error:  # noqa: BLE001 # whatever it is, the test must end and say it
                wrong.append(error)
            finally:
                self.hang_up()

        player = threading.Thread(target=play)
        player.start()
        found = main([
            "buslog", "watch", "--interface", "virtual", "--channel", self.channel, "--still", "10 s", *arguments,
        ])  # fmt: skip
        player.join()
        if wrong:
            raise wrong[0]
        assert found == status, self.printed.getvalue()
        return self.printed.plain
