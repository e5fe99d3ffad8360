"""Logs of the bus of a hidden machine: what a recorder beside one controller writes down.

Everything comes from the hidden machine's own circuit (``World``), whose parts, severity and switching points differ
from the tables. Each controller sends a quick message in the period of the machine file, a slow one, its supply and its
active codes once a second. It stops with its supply and starts again a moment after it; it is written down while the
recorder's place can make it out, and where it sends and is not understood there are error frames until it leaves the
bus. A code stands a moment after its condition and goes a moment after that has gone, or with the supply.

All figures below are invented for practice, and differ from those that evidence is weighed with.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from halfsplit.circuit.controllers import device_name
from halfsplit.diagnosis.world import World
from halfsplit.machine.model import Controller

LENGTH_S = 60.0
JITTER_SHARE = 0.06
SLOW_PERIODS = 6
BOOT_S = (0.3, 0.9)
#: How long a fault that comes and goes shows at a time, and sleeps at a time for a duty of a half: medians, and the
#: standard deviation of the natural logarithm.
SHOWS_S, SPELL_SPREAD = 3.0, 0.9
#: Seconds after which a code stands, for a partner that is missing and for all else, and until it goes again.
MISSING_S, SET_S, CLEARS_S = (1.0, 2.5), (0.2, 0.6), (0.0, 2.5)
#: Share of recorders that write error frames down, of senders not understood that disturb the recorder's place, and of
#: logs with a burst of errors for no reason.
WRITES_ERRORS, DISTURBS, CHANCE_BURST = 0.85, 0.8, 0.04
ERRORS_BEFORE_OFF, BACK_ON_S = 32, 1.0
#: A frame in so many is lost for no reason; a code stands in so many logs for no reason; a controller's own volts are
#: off by this share.
LOST, STRAY_CODE, SUPPLY_SHARE = 0.002, 0.03, 0.01
STEP_S = 0.1
CYCLE_S = 0.5


@dataclass(frozen=True, slots=True)
class Moment:
    """From when on the machine stands so: who is alive, who is made out at the recorder, active codes, own volts."""

    from_s: float
    alive: Mapping[str, bool]
    heard: Mapping[str, bool]
    active: frozenset[tuple[str, str]]
    volts: Mapping[str, float]


class Recording:
    """One log, made from a hidden machine with a generator of its own."""

    def __init__(self, world: World, beside: str, state: str, rng: np.random.Generator) -> None:
        self.world, self.beside, self.state, self.rng = world, beside, state, rng
        self.controllers: dict[str, Controller] = {
            part.id: part.controller
            for part in world.machine.parts.values()
            if part.controller is not None and part.controller.buses
        }
        self.moments = list(self._moments())
        self.lines: list[tuple[float, str]] = []

    def write(self, path: Path) -> None:
        """Writes the log as candump text."""
        self.lines = []
        errors = bool(self.rng.random() < WRITES_ERRORS)
        for name in self.controllers:
            self._sender(name, errors=errors)
        if self.rng.random() < CHANCE_BURST:
            self._burst(float(self.rng.uniform(0, LENGTH_S)), int(self.rng.integers(3, 30)))
        self.lines.sort()
        path.write_text("".join(f"({at:.6f}) can0 {text}\n" for at, text in self.lines), encoding="ascii")

    def _moments(self) -> Iterator[Moment]:
        """How the machine stands, change by change."""
        at = 0.0
        hidden = [self.world.hidden[number] for number in sorted(self.world.present)]
        one = hidden[0]
        shows = not one.sleeps or bool(self.rng.random() < one.duty)
        while at < LENGTH_S:
            awake = frozenset(sorted(self.world.present)) if shows else frozenset[int]()
            middle = SHOWS_S if shows else SHOWS_S * (1.0 - one.duty) / one.duty
            lasts = float(middle * np.exp(SPELL_SPREAD * self.rng.standard_normal())) if one.sleeps else LENGTH_S
            yield from self._stretch(at, min(at + lasts, LENGTH_S), awake)
            at, shows = at + lasts, not shows

    def _stretch(self, begin: float, end: float, awake: frozenset[int]) -> Iterator[Moment]:
        outcome = self.world.settled(self.state, awake)
        netlist, reads = self.world.netlist(self.state)
        amps = np.array([[outcome.currents[netlist.branch_index[name]] for name in reads.carriers]])
        at, turn = begin, 0
        while at < end:
            booleans = outcome.cycle[turn % len(outcome.cycle)] if outcome.cycle else outcome.booleans

            def true(device: str, values: np.typing.NDArray[np.bool_] = booleans) -> bool:
                return device in netlist.device_index and bool(values[netlist.device_index[device]])

            active = reads.active(amps, booleans[None, :])[0]
            alive = {name: true(device_name(name, "alive")) for name in self.controllers}
            heard = {
                name: any(true(f"link:{self.beside}<{name}.{member.bus}") for member in controller.buses)
                for name, controller in self.controllers.items()
            }
            yield Moment(
                at, alive, heard, frozenset(one for one, on in zip(reads.code_names, active, strict=True) if on),
                {
                    name: outcome.volts(f"{name}.{one.supply.pin}") - outcome.volts(f"{name}.{one.supply.ground}")
                    for name, one in self.controllers.items()
                },
            )  # fmt: skip
            at, turn = (at + CYCLE_S, turn + 1) if outcome.cycle else (end, turn)

    def _at(self, at: float) -> Moment:
        number = int(np.searchsorted([one.from_s for one in self.moments], at, side="right")) - 1
        return self.moments[max(number, 0)]

    def _sender(self, name: str, *, errors: bool) -> None:
        controller, rng = self.controllers[name], self.rng
        member = controller.buses[0]
        if member.address is None or member.period_s is None:
            raise ValueError(f"{name} has no address or period in the machine file")
        disturbs = errors and bool(rng.random() < DISTURBS)
        codes = self._codes(name)
        gain = 1.0 + SUPPLY_SHARE * float(rng.standard_normal())
        awake_from = self._boots(name)
        times: list[tuple[float, str]] = []
        for number, period in ((0xFF10, member.period_s), (0xFF11, SLOW_PERIODS * member.period_s), (0xFEF7, 1.0),
                              (0xFECA, 1.0)):  # fmt: skip
            start = float(rng.uniform(0, period))
            ticks = start + period * np.arange(int((LENGTH_S - start) / period) + 1)
            ticks = ticks + JITTER_SHARE * period * rng.standard_normal(len(ticks))
            times += [(float(at), f"{number:04X}") for at in ticks]
        off_until = -1.0
        for at, group in sorted(times):
            if not 0.0 <= at < LENGTH_S or not awake_from[int(at / STEP_S)] or at < off_until:
                continue
            moment = self._at(at)
            if not moment.alive[name] or rng.random() < LOST:
                continue
            if not moment.heard[name]:
                if disturbs:
                    self._burst(at, ERRORS_BEFORE_OFF)
                    off_until = at + BACK_ON_S
                continue
            for offset, text in self._frames(name, member.address, group, moment, codes[int(at / STEP_S)], gain):
                self.lines.append((at + offset, text))

    def _frames(
        self, name: str, address: int, group: str, moment: Moment, codes: tuple[str, ...], gain: float
    ) -> Iterator[tuple[float, str]]:
        if group == "FEF7":
            raw = max(0, min(0xFAFF, round(moment.volts[name] * gain / 0.05)))
            yield 0.0, f"18{group}{address:02X}#FFFFFFFF{raw & 255:02X}{raw >> 8:02X}FFFF"
        elif group == "FECA":
            yield from self._diagnostic(name, address, codes)
        else:
            yield 0.0, f"18{group}{address:02X}#{bytes(self.rng.integers(0, 256, 8, dtype=np.uint8)).hex().upper()}"

    def _diagnostic(self, name: str, address: int, codes: tuple[str, ...]) -> Iterator[tuple[float, str]]:
        """Active codes as SAE J1939-73 has them, in packets of SAE J1939-21 where they are several."""
        content = bytes([0x04 if codes else 0x00, 0xFF])
        for code in (self.controllers[name].codes[one] for one in codes):
            spn = code.spn
            content += bytes([spn & 255, spn >> 8 & 255, (spn >> 16) << 5 | code.fmi, 1])
        if len(codes) < 2:
            content = (content if codes else content + bytes(4)) + b"\xff\xff"
            yield 0.0, f"18FECA{address:02X}#{content[:8].hex().upper()}"
            return
        packets = -(-len(content) // 7)
        size = len(content).to_bytes(2, "little").hex().upper()
        yield 0.0, f"1CECFF{address:02X}#20{size}{packets:02X}FFCAFE00"
        for number in range(packets):
            piece = content[7 * number : 7 * number + 7].ljust(7, b"\xff")
            yield 0.055 * (number + 1), f"1CEBFF{address:02X}#{number + 1:02X}{piece.hex().upper()}"

    def _boots(self, name: str) -> list[bool]:
        """Whether a controller has started, step by step: a moment after its supply came."""
        started, since = [], -10.0
        wait = float(self.rng.uniform(*BOOT_S))
        up = True
        for step in range(int(LENGTH_S / STEP_S) + 1):
            at = step * STEP_S
            alive = self._at(at).alive[name]
            if alive and not up:
                since, wait = at, float(self.rng.uniform(*BOOT_S))
            up = alive
            started.append(alive and at - since >= wait)
        return started

    def _codes(self, name: str) -> list[tuple[str, ...]]:
        """Active codes of a controller step by step."""
        rng, controller = self.rng, self.controllers[name]
        possible = [code for code in controller.codes if any((name, code) in one.active for one in self.moments)]
        waits = {
            code: float(rng.uniform(*(MISSING_S if controller.codes[code].fmi == 9 else SET_S))) for code in possible
        }
        clears = {code: float(rng.uniform(*CLEARS_S)) for code in possible}
        stray = str(rng.choice(list(controller.codes))) if controller.codes and rng.random() < STRAY_CODE else ""
        # At the beginning the machine stood so for a while.
        since = {code: (-10.0 if (name, code) in self.moments[0].active else None) for code in possible}
        last: dict[str, float] = {}
        found = []
        for step in range(int(LENGTH_S / STEP_S) + 1):
            at = step * STEP_S
            moment = self._at(at)
            if not moment.alive[name]:
                since, last = dict.fromkeys(possible), {}
            standing = []
            for code in possible:
                begun = since[code]
                if (name, code) in moment.active:
                    since[code] = begun = at if begun is None else begun
                    if at - begun >= waits[code]:
                        last[code] = at
                else:
                    since[code] = None
                if code in last and at - last[code] <= clears[code]:
                    standing.append(code)
            found.append(tuple(dict.fromkeys([*standing, *([stray] if stray else [])])))
        return found

    def _burst(self, at: float, count: int) -> None:
        self.lines += [(at + 0.0004 * number, "20000004#0004000000000000") for number in range(count)]
