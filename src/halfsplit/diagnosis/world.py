"""A simulated machine with a hidden fault, for practice and for measuring the planner.

It is never the planner's own table: parts differ within tolerance, the severity lies off the grid, looks are a
little worse than stated, switching points differ, faults sleep in spells, and now and then the wrong pin is
probed. All randomness comes from the generator that is passed in.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from halfsplit.circuit.expansion import expand
from halfsplit.circuit.meters import lamp, unplugged
from halfsplit.circuit.netlist import Netlist, OverCurrent, Threshold
from halfsplit.circuit.observing import Readout, readout
from halfsplit.circuit.settle import Outcome, settle
from halfsplit.diagnosis.checks import METERED, Check, round_functions
from halfsplit.diagnosis.clamps import CLAMP_A, CLAMP_SHARE, branch_of
from halfsplit.diagnosis.evidence import FALSE_FIND, FALSE_MOVE
from halfsplit.diagnosis.lamps import GLOWS_AT, LIT_AT, lamp_ohm
from halfsplit.diagnosis.load_ohms import at_rest
from halfsplit.diagnosis.ohms import (
    LEADS_OHM,
    OPEN_OHM,
    OVER_RANGE_OHM,
    dead_netlist,
    ohms_from_volts,
    pulled_fuses,
)
from halfsplit.faults.applying import changes
from halfsplit.faults.catalogue import Effect, Fault
from halfsplit.faults.curing import cure_chances
from halfsplit.faults.signatures import scatter
from halfsplit.machine.model import Machine
from halfsplit.observations import (
    RELIABILITY_OPERATOR,
    Action,
    CodeSeen,
    Complaint,
    Look,
    Move,
    Observation,
    Reading,
    Showing,
    Symptom,
)

#: How the hidden machine differs from the tables; all invented for practice.
SEVERITY_SPREAD = 0.5  # natural logarithm, around a grid severity
LOOK_WORSE = 0.9
WRONG_PIN = 0.01
REPORT_WRONG = 0.01
SPELL = 0.6  # chance that a sleeping fault stays as it was from one check to the next
THRESHOLD_SPREAD = 0.04
DUTY_SPREAD = 0.15
SAYS_SLEEPS = (0.8, 0.05)
#: How a person's own edges between dark, dim and lit differ from the stated ones, natural logarithm.
LAMP_EDGE = 0.06
#: Share of a clamp's stated error that it really has, on top of a machine's own spread.
CLAMP_TRUE = 0.5
#: What loads have at rest scatters by so much more than stated.
AT_REST_TRUE = 1.2


@dataclass(frozen=True, slots=True)
class Hidden:
    """A hidden fault: which one, what it really does, whether it sleeps and how often it is there."""

    fault: int
    effects: tuple[Effect, ...]
    sleeps: bool
    duty: float
    label: str


class Drawings:
    """The machine as drawn, settled in each state when first asked; shared by every hidden machine of its kind."""

    def __init__(self, machine: Machine) -> None:
        self.machine = machine
        self._settled: dict[str, Outcome] = {}

    def state(self, name: str) -> Outcome:
        """The sound machine as drawn in a state."""
        if name not in self._settled:
            self._settled[name] = settle(expand(self.machine, self.machine.states[name]), second_start=False)
        return self._settled[name]


class World:
    """The machine in the yard. ``present`` shrinks as repairs cure; ``answer`` does a check."""

    def __init__(
        self,
        machine: Machine,
        faults: Sequence[Fault],
        hidden: Sequence[Hidden],
        rng: np.random.Generator,
        drawn: Drawings | None = None,
    ) -> None:
        self.drawn = Drawings(machine) if drawn is None else drawn
        self.machine = machine
        self.faults = tuple(faults)
        self.hidden = tuple(hidden)
        self.present: set[int] = set(range(len(hidden)))
        self.blown: set[str] = set()
        self.first_blown: frozenset[str] = frozenset()
        self._rng = rng
        self._seed = int(rng.integers(2**31))
        self._awake: set[int] = set()
        self._deviation: dict[str, float] = {}
        self._netlists: dict[str, tuple[Netlist, Readout]] = {}
        self._settled: dict[tuple[str, frozenset[int], frozenset[str]], Outcome] = {}
        self._apart: dict[tuple[str, tuple[str, ...], frozenset[int], frozenset[str]], Outcome] = {}
        self._unseen: dict[tuple[int, str], bool] = {}

    def fresh(self, rng: np.random.Generator) -> World:
        """The same machine as it was first met, for another go at it; what was solved already is shared."""
        again = World(self.machine, self.faults, self.hidden, rng, self.drawn)
        again._seed, again._deviation = self._seed, self._deviation
        again._netlists, again._settled, again._apart = self._netlists, self._settled, self._apart
        again.blown = set(self.first_blown)
        return again

    def _factor(self, name: str, spread: float) -> float:
        """The same deviation for the same part in every state."""
        if name not in self._deviation:
            local = np.random.default_rng([self._seed, *name.encode()])
            self._deviation[name] = float(local.standard_normal())
        return math.exp(spread * self._deviation[name])

    def netlist(self, state: str) -> tuple[Netlist, Readout]:
        """This machine's own circuit in a state, with its own tolerances."""
        if state not in self._netlists:
            ideal = self.drawn.state(state).netlist
            share, emf = scatter(self.machine, ideal)
            branches = []
            for at, branch in enumerate(ideal.branches):
                ohm = branch.resistance_ohm * self._factor(branch.name, float(share[at]))
                volts = branch.emf_v
                if emf[at] > 0.0:
                    volts += emf[at] * float(np.log(self._factor(f"{branch.name} emf", 1.0)))
                branches.append(replace(branch, resistance_ohm=ohm, emf_v=volts))
            devices = tuple(
                replace(
                    device,
                    pull_in_v=device.pull_in_v * (scale := self._factor(device.name, THRESHOLD_SPREAD)),
                    drop_out_v=device.drop_out_v * scale,
                )
                if isinstance(device, Threshold)
                else device
                for device in ideal.devices
            )
            own = replace(ideal, branches=tuple(branches), devices=devices)
            self._netlists[state] = (own, readout(self.machine, own))
        return self._netlists[state]

    def effects(self, awake: frozenset[int]) -> tuple[Effect, ...]:
        """Everything wrong with the machine right now."""
        blown = tuple(Effect("series", f"fuse:{name}", "", float("inf")) for name in sorted(self.blown))
        return (*(effect for number in sorted(awake) for effect in self.hidden[number].effects), *blown)

    def settled(self, state: str, awake: frozenset[int]) -> Outcome:
        """The machine at rest in a state; fuses that blow stay blown."""
        key = (state, awake, frozenset(self.blown))
        if key not in self._settled:
            netlist, _ = self.netlist(state)
            # The fault comes to a machine that was sound: history decides where an input has hysteresis.
            sound = self._sound(state)
            wrong = changes(netlist, self.effects(awake))
            outcome = settle(netlist, wrong, sound.booleans, second_start=False, start_v=sound.junction_v)
            self._settled[key] = outcome
            blown = {
                device.name.partition(":")[2]
                for device, value in zip(netlist.devices, outcome.booleans, strict=True)
                if isinstance(device, OverCurrent) and device.name.startswith("blown:") and value
            }
            self._settled[(state, awake, key[2] | blown)] = outcome
        outcome = self._settled[key]
        for device, value in zip(outcome.netlist.devices, outcome.booleans, strict=True):
            if value and isinstance(device, OverCurrent) and device.name.startswith("blown:"):
                self.blown.add(device.name.partition(":")[2])
        return outcome

    def apart(self, state: str, awake: frozenset[int], out: tuple[str, ...]) -> Outcome:
        """The machine at rest in a state with connectors held apart and fuses pulled; what was blown stays blown."""
        self.settled(state, awake)  # the fault was there with everything plugged before: fuses may have blown
        key = (state, tuple(sorted(out)), awake, frozenset(self.blown))
        if key not in self._apart:
            plugged = self.netlist(state)[0]
            contacts = tuple(f"contact:{name}." for name in out if name in self.machine.connectors)
            names = [branch.name for branch in plugged.branches if contacts and branch.name.startswith(contacts)]
            netlist = unplugged(plugged, names)
            sound = settle(netlist, second_start=False)
            wrong = changes(netlist, (*self.effects(awake), *pulled_fuses(self.machine, out)))
            self._apart[key] = settle(netlist, wrong, sound.booleans, second_start=False, start_v=sound.junction_v)
        return self._apart[key]

    def _sound(self, state: str) -> Outcome:
        key = (state, frozenset[int](), frozenset[str]())
        if key not in self._settled:
            drawn = self.drawn.state(state)
            self._settled[key] = settle(
                self.netlist(state)[0], start=drawn.booleans, second_start=False, start_v=drawn.junction_v
            )
        return self._settled[key]

    def wake(self) -> frozenset[int]:
        """Which faults are there for the next check; sleeping ones come and go in spells."""
        now = set()
        for number in sorted(self.present):
            one = self.hidden[number]
            if not one.sleeps:
                now.add(number)
            elif self._rng.random() < SPELL:
                if number in self._awake:
                    now.add(number)
            elif self._rng.random() < one.duty:
                now.add(number)
        self._awake = now
        return frozenset(now)

    def level(self, function: str, state: str, awake: frozenset[int], out: tuple[str, ...] = ()) -> str:
        """What a person would see of a function: off, weak or on; with ``out`` unplugged meanwhile."""
        netlist, reads = self.netlist(state)
        outcome = self.apart(state, awake, out) if out else self.settled(state, awake)
        amps = np.array([[outcome.currents[netlist.branch_index[name]] for name in reads.carriers]])
        at = list(self.machine.functions).index(function)
        value = float(reads.levels(amps, outcome.booleans[None, :])[0, at])
        what = self.machine.functions[function]
        if outcome.kind == "chatters" and what.measure in ("alive", "pulled", "message"):
            values = {bool(reads.levels(amps, one[None, :])[0, at]) for one in outcome.cycle}
            if len(values) > 1:
                return "weak"
        return "on" if value >= what.full else "weak" if value >= what.weak else "off"

    def answer(self, check: Check, watched: Sequence[Symptom] = ()) -> tuple[Observation, ...]:
        """Does a check on the hidden machine and says what was found.

        Whoever measures in a state in which a function of the complaint can be seen (``watched``) sees it too,
        so a reading comes with what that function did at that moment.
        """
        awake = self.wake()
        if check.kind == "round":
            return tuple(self._symptom(one, check.state, awake) for one in round_functions(self.machine, check.state))
        seen = next((one for one in watched if one.state == check.state), None)
        if check.kind in (*METERED, "code") and seen is not None and not check.unplugged:
            now = self._symptom(seen.function, check.state, awake)
            expected = self.machine.functions[seen.function].expected.get(check.state, "on")
            found = self._answer(check, awake)
            showing: Showing = "no" if now.level == expected else "yes"
            return now, _told(found, showing)
        return (self._answer(check, awake),)

    def _symptom(
        self, function: str, state: str, awake: frozenset[int], out: tuple[str, ...] = ()
    ) -> Symptom:
        level = self.level(function, state, awake, out)
        if self._rng.random() < REPORT_WRONG:
            level = str(self._rng.choice(["off", "weak", "on"]))
        return Symptom(function, state, level, unplugged=out)  # type: ignore[arg-type] # one of the three levels

    def _answer(self, check: Check, awake: frozenset[int]) -> Observation:
        match check.kind:
            case "operate":
                return self._symptom(check.function, check.state, awake)
            case "watch":
                return self._symptom(check.function, check.state, awake, check.unplugged)
            case "lamp":
                return self._lamp(check, awake)
            case "amps":
                return self._amps(check, awake)
            case "code":
                return CodeSeen(check.controller, check.code, check.state, self._code(check, awake))
            case "volts" | "drop":
                return self._volts(check, awake)
            case "ohms":
                netlist, _ = self.netlist(check.state)
                dead = dead_netlist(netlist, check.plus, check.minus, check.unplugged)
                pulled = pulled_fuses(self.machine, check.unplugged)
                outcome = settle(dead, changes(dead, (*self.effects(awake), *pulled)), second_start=False)
                across = np.array([outcome.volts(check.plus) - outcome.volts(check.minus)])
                shown = float(ohms_from_volts(across)[0]) * float(np.exp(0.02 * self._rng.standard_normal()))
                share, spread = at_rest(self.machine, check.plus, check.minus)
                if shown < OPEN_OHM:  # whole: cold, or standing still, it is another one than at work
                    shown *= share * self._factor(f"{check.place} at rest", AT_REST_TRUE * spread * math.log(10.0))
                shown = max(0.0, shown + LEADS_OHM * float(self._rng.standard_normal()))
                shown = min(shown, OVER_RANGE_OHM)
                return Reading("ohms", check.plus, check.minus, check.state, round(shown, 1), check.unplugged)
            case "move":
                return Move(check.place, "", "", self._sees(check.place, "move", FALSE_MOVE) is not None)
            case _:
                seen = self._sees(check.place, check.look, FALSE_FIND)
                return Look(check.look, seen or check.place, seen is not None)  # type: ignore[arg-type] # a look check names its look

    def _code(self, check: Check, awake: frozenset[int]) -> bool:
        netlist, reads = self.netlist(check.state)
        outcome = self.settled(check.state, awake)
        amps = np.array([[outcome.currents[netlist.branch_index[name]] for name in reads.carriers]])
        active = reads.active(amps, outcome.booleans[None, :])[0]
        return bool(active[reads.code_names.index((check.controller, check.code))])

    def _lamp(self, check: Check, awake: frozenset[int]) -> Reading:
        outcome = self.settled(check.state, awake)
        plus = check.plus
        if self._rng.random() < WRONG_PIN:
            plus = outcome.netlist.nodes[int(self._rng.integers(len(outcome.netlist.nodes)))]
        across = abs(lamp(outcome, plus, check.minus, lamp_ohm(self.machine)).volts) / self.machine.system_v
        edge = math.exp(LAMP_EDGE * self._rng.standard_normal())
        value = 2.0 if across >= LIT_AT * edge else 1.0 if across >= GLOWS_AT * edge else 0.0
        return Reading("lamp", check.plus, check.minus, check.state, value)

    def _amps(self, check: Check, awake: frozenset[int]) -> Reading:
        name = branch_of(self.machine, check.plus)
        assert name is not None  # a clamp check names what a clamp goes around
        value = abs(self.settled(check.state, awake).amps(name))
        value += CLAMP_TRUE * (CLAMP_A + CLAMP_SHARE * value) * float(self._rng.standard_normal())
        return Reading("amps", check.plus, "", check.state, round(abs(value), 2))

    def _volts(self, check: Check, awake: frozenset[int]) -> Reading:
        if check.unplugged:
            outcome = self.apart(check.state, awake, check.unplugged)
        else:
            outcome = self.settled(check.state, awake)
        value = outcome.volts(check.plus) - outcome.volts(check.minus)
        if self._rng.random() < WRONG_PIN:
            other = outcome.netlist.nodes[int(self._rng.integers(len(outcome.netlist.nodes)))]
            value = outcome.volts(other) - outcome.volts(check.minus)
        value += (0.01 + 0.003 * abs(value)) * float(self._rng.standard_normal())
        return Reading("volts", check.plus, check.minus, check.state, round(value, 2), check.unplugged)

    def _sees(self, place: str, kind: str, false: float) -> str | None:
        """The place of what is seen when looking at ``place``: one cavity where it is one, or None."""
        if self._rng.random() < false:
            return place
        if kind == "by-eye" and place in self.blown and self._blown_seen(place):
            return place
        for number in sorted(self.present):
            one = self.hidden[number]
            fault = self.faults[one.fault]
            if place not in (fault.owner, fault.place) or kind not in fault.mode.looks:
                continue
            chance = fault.mode.looks[kind] * LOOK_WORSE
            if kind == "move":
                chance *= 1.0 if one.sleeps else 0.25
            else:
                key = (number, kind)
                if key not in self._unseen:
                    self._unseen[key] = bool(self._rng.random() < fault.mode.hidden)
                if self._unseen[key]:
                    continue
            if self._rng.random() < chance:
                return fault.place if kind == "thorough" and fault.mode.applies == "contact" else place
        return None

    def _blown_seen(self, fuse: str) -> bool:
        """Whether a person who looks at a blown fuse sees it; as well as one that is blown of itself."""
        mode = next((one.mode for one in self.faults if one.place == fuse and one.mode.id == "fuse-open"), None)
        if mode is None:
            return False
        return bool(self._rng.random() < (1.0 - mode.hidden) * mode.looks["by-eye"] * LOOK_WORSE)

    def act(self, action: Action) -> None:
        """Does a piece of work; what it cures is gone. Blown fuses are replaced with every repair."""
        chances = cure_chances(self.machine, self.faults, action.action, action.place)
        for number in sorted(self.present):
            if self._rng.random() < chances[self.hidden[number].fault]:
                self.present.discard(number)
        self.blown.clear()
        self._unseen = {
            key: value
            for key, value in self._unseen.items()
            if self.faults[self.hidden[key[0]].fault].owner != action.place
        }

    def deviations(self, awake: frozenset[int]) -> list[Symptom]:
        """Every function that is not as expected in some state while the given faults are there."""
        wrong: list[Symptom] = []
        for state in self.machine.states:
            for name, function in self.machine.functions.items():
                if state not in function.expected:
                    continue
                level = self.level(name, state, awake)
                if level != function.expected[state]:
                    wrong.append(Symptom(name, state, level, RELIABILITY_OPERATOR, "yes"))  # type: ignore[arg-type] # one of the levels
        return wrong

    def complaint(self, most: int = 2) -> Complaint | None:
        """What an operator would report, at most ``most`` symptoms for each hidden fault.

        None when one of the faults shows nowhere.
        """
        everything = frozenset(self.present)
        wrong = self.deviations(everything)
        told: dict[Symptom, None] = {}
        for number in sorted(everything):
            own = wrong
            if len(everything) > 1:
                alone = {(one.function, one.state) for one in self.deviations(frozenset({number}))}
                others = {
                    (one.function, one.state)
                    for other in everything - {number}
                    for one in self.deviations(frozenset({other}))
                }
                own = [one for one in wrong if (one.function, one.state) in alone - others]
            if not own:
                return None
            state = own[int(self._rng.integers(len(own)))].state
            choice = [symptom for symptom in own if symptom.state == state]
            for at in self._rng.permutation(len(choice))[:most]:
                told[choice[int(at)]] = None
        self.first_blown = frozenset(self.blown)
        sleeps = any(self.hidden[number].sleeps for number in self.present)
        said = bool(self._rng.random() < (SAYS_SLEEPS[0] if sleeps else SAYS_SLEEPS[1]))
        wet = any(self.faults[one.fault].mode.id.startswith("wet") for one in self.hidden)
        conditions = ("rain",) if self._rng.random() < (0.7 if wet else 0.2) else ()
        return Complaint(tuple(told), conditions, (), said)  # type: ignore[arg-type] # "rain" is a condition


def _told(found: Observation, showing: Showing) -> Observation:
    """A reading or code with what is known of the fault at that moment."""
    return replace(found, showing=showing) if isinstance(found, Reading | CodeSeen) else found


def draw(
    faults: Sequence[Fault],
    weights: np.typing.NDArray[np.float64],
    rng: np.random.Generator,
    fault: int | None = None,
) -> Hidden:
    """A hidden fault drawn from prior weights ``[faults]`` (or the one given), its severity off the grid."""
    number = int(rng.choice(len(faults), p=weights)) if fault is None else fault
    chosen = faults[number]
    share = np.array([severity.weight for severity in chosen.severities])
    severity = chosen.severities[int(rng.choice(len(share), p=share / share.sum()))]
    scale = float(np.exp(SEVERITY_SPREAD * rng.standard_normal()))
    effects = tuple(
        replace(
            effect,
            value=effect.value * (1.0 + 0.2 * np.tanh(np.log(scale)))
            if effect.kind == "emf"
            else effect.value * scale,
        )
        for effect in severity.effects
    )
    mode = chosen.mode
    sleeps = bool(rng.random() < mode.sleeps)
    duty = float(np.clip(mode.duty + DUTY_SPREAD * rng.standard_normal(), 0.15, 0.95))
    return Hidden(number, effects, sleeps, duty, severity.label)
