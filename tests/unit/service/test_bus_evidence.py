"""A bus log as evidence: who fell silent beside whom points to the shared feed, the stub or the stretch of bus."""

from __future__ import annotations

import itertools
from collections.abc import Collection, Iterator
from datetime import UTC, datetime, timedelta
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from halfsplit.circuit.observing import BUS_ERRORS
from halfsplit.diagnosis import likelihood
from halfsplit.diagnosis.hunt import Bench
from halfsplit.errors import NotFound, UserError
from halfsplit.jobs.events import ObservationRecorded
from halfsplit.jobs.memory import MemoryStore
from halfsplit.jobs.store import fingerprint_of
from halfsplit.machine.reading import load_machine
from halfsplit.observations import CodeSeen, Reading
from halfsplit.service import keeping, working
from halfsplit.service.bus_evidence import addresses, known_addresses, take_log
from halfsplit.service.complaints import complaint_of
from halfsplit.service.desk import Desk, machine_files

#: Invented: three controllers on a bus, the second and third on one fuse and splice.
MACHINE = """format: halfsplit-machine/1
machine: {name: Three on a bus, invented: yes, buses: [CAN1]}
parts:
  BAT: {kind: battery}
  F1: {kind: fuse, rating: 5 A}
  F2: {kind: fuse, rating: 5 A}
  G1: {kind: stud}
  JF: {kind: splice}
  J1: {kind: splice}
  J2: {kind: splice}
  J3: {kind: splice}
  J4: {kind: splice}
  J5: {kind: splice}
  J6: {kind: splice}
  R1: {kind: terminator}
  R2: {kind: terminator}
  E1:
    kind: controller
    plugs: {X1: {1: B+, 2: GND, 3: CANH, 4: CANL}}
    bus: {CAN1: {}}
    codes:
      third-missing: {spn: 520301, fmi: 9, when: "not heard.E3"}
      second-missing: {spn: 520302, fmi: 9, when: "not heard.E2"}
  E2: {kind: controller, plugs: {X2: {1: B+, 2: GND, 3: CANH, 4: CANL}}, bus: {CAN1: {}}}
  E3: {kind: controller, plugs: {X3: {1: B+, 2: GND, 3: CANH, 4: CANL}}, bus: {CAN1: {}}}
connectors:
  X1: {grid: 1x4}
  X2: {grid: 1x4}
  X3: {grid: 1x4}
wires: wires.csv
states:
  on: {name: Battery connected}
functions:
  third: {name: Third controller, watch: E3}
"""
WIRES = """wire,from,to,size,length
W1,BAT.+,F1.1,2.5 mm2,0.5 m
W2,F1.2,X1.1,1 mm2,2 m
W3,BAT.+,F2.1,2.5 mm2,0.5 m
W4,F2.2,JF,1 mm2,2 m
W5,JF,X2.1,1 mm2,1 m
W6,JF,X3.1,1 mm2,3 m
W7,X1.2,G1,1 mm2,1 m
W8,X2.2,G1,1 mm2,2 m
W9,X3.2,G1,1 mm2,3 m
W10,G1,BAT.-,10 mm2,1 m
H1,X1.3,J1,0.5 mm2,0.1 m
L1,X1.4,J4,0.5 mm2,0.1 m
H2,R1.H,J1,0.5 mm2,0.1 m
L2,R1.L,J4,0.5 mm2,0.1 m
H3,J1,J2,0.5 mm2,3 m
L3,J4,J5,0.5 mm2,3 m
H4,X2.3,J2,0.5 mm2,0.3 m
L4,X2.4,J5,0.5 mm2,0.3 m
H5,J2,J3,0.5 mm2,3 m
L5,J5,J6,0.5 mm2,3 m
H6,X3.3,J3,0.5 mm2,0.3 m
L6,X3.4,J6,0.5 mm2,0.3 m
H7,R2.H,J3,0.5 mm2,0.1 m
L7,R2.L,J6,0.5 mm2,0.1 m
"""
EXAMPLES = Path(__file__).resolve().parents[3] / "examples"
ADDRESSES = ("E1=10", "E2=20", "E3=30")
Hole = tuple[Collection[int], float, float]


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("three")
    (made / "machine.yaml").write_text(MACHINE)
    (made / "wires.csv").write_text(WIRES)
    return made


@cache
def bench(folder: Path) -> tuple[str, Bench]:
    return fingerprint_of(machine_files(folder)), Bench(load_machine(folder))


def moments() -> Iterator[datetime]:
    return (datetime(2031, 4, 2, 7, tzinfo=UTC) + timedelta(minutes=n) for n in itertools.count())


@pytest.fixture
def desk(folder: Path) -> Desk:
    fingerprint, own = bench(folder)
    ticking = moments()
    made = Desk(MemoryStore(), lambda: next(ticking), "Rosa", {fingerprint: own})
    complaint = complaint_of(own.machine, ["third unsteady in on"], comes_and_goes=True)
    working.open_job(made, folder, complaint, job_id="monday")
    return made


def log(
    tmp_path: Path, *holes: Hole, senders: Collection[int] = (10, 20, 30), codes: str = "", until: float = 60
) -> Path:
    """A log of senders every 0.1 s, without those that a hole names from its first second to its last."""
    lines = []
    for n in range(int(until * 10)):
        at = n / 10
        silent = {one for who, begin, end in holes if begin <= at < end for one in who}
        lines += [
            f"({at + sender / 1e4:.6f}) can0 18FF00{sender:02X}#{n:016X}" for sender in senders if sender not in silent
        ]
        if codes and n % 10 == 0:
            lines.append(f"({at + 0.05:.6f}) can0 18FECA0A#{codes}")
    path = tmp_path / "drive.log"
    path.write_text("\n".join(lines))
    return path


def supply(volts: float, sender: int) -> str:
    """The vehicle power message with a battery potential, 0.05 V a bit in bytes 5 and 6."""
    raw = round(volts / 0.05)
    return f"18FEF7{sender:02X}#FFFFFFFF{raw & 255:02X}{raw >> 8:02X}FFFF"


def with_lines(path: Path, lines: Collection[tuple[float, str]]) -> Path:
    """The log with more lines, in the order of their times."""
    whole = [*path.read_text().splitlines(), *(f"({at:.6f}) can0 {text}" for at, text in lines)]
    path.write_text("\n".join(sorted(whole, key=lambda line: float(line[1 : line.index(")")]))))
    return path


def observed(desk: Desk, kind: type) -> list:
    whats = [entry.what for entry in desk.job().entries]
    return [one.observation for one in whats if isinstance(one, ObservationRecorded) and type(one.observation) is kind]


def odds(desk: Desk) -> dict[str, float]:
    """Odds by repair."""
    hunt = desk.standing(desk.job()).hunt
    groups = hunt.bench.space.groups
    return {one.id: share for one, share in zip(groups, hunt.belief.group_odds().tolist(), strict=True)}


def share(odds: dict[str, float], repairs: Collection[str]) -> float:
    return sum(odds[name] for name in repairs)


def seen(desk: Desk) -> list[tuple[str, str, bool, str]]:
    whats = [entry.what for entry in desk.job().entries]
    found = [one.observation for one in whats if isinstance(one, ObservationRecorded)]
    codes = [one for one in found if isinstance(one, CodeSeen) and one.code != BUS_ERRORS and one.showing != "no"]
    return [(one.controller, one.code, one.active, one.showing) for one in codes]


def take(desk: Desk, path: Path, **more: object) -> None:
    given: dict = {"who": ADDRESSES, "beside": "E1", "state": "on", **more}
    take_log(desk, path, **given)


#: Repairs of what the second and the third controller share, and of what the third has for itself. A wire of their own
#: that rubs through blows the shared fuse, or shorts the bus, and belongs to neither.
SHARED = (
    "replace-fuse:F2", "renew-terminal:W3@BAT.+", "renew-terminal:W3@F2.1", "renew-terminal:W4@F2.2", "repair-wire:W3",
    "repair-wire:W4",
)  # fmt: skip
OWN = (
    "renew-contact:X3.1", "renew-contact:X3.2", "renew-contact:X3.3", "renew-contact:X3.4", "replace-part:E3",
    "renew-terminal:W9@G1", "repair-wire:W9",
)  # fmt: skip


def test_two_that_fall_silent_together_point_to_what_they_share(desk: Desk, tmp_path: Path) -> None:
    before = odds(desk)
    take(desk, log(tmp_path, ((20, 30), 20, 24), ((20, 30), 40, 43)))
    after = odds(desk)
    assert seen(desk) == [
        ("E1", "silent@E1", False, "yes"), ("E2", "silent@E1", True, "yes"), ("E3", "silent@E1", True, "yes"),
    ]  # fmt: skip
    assert share(after, SHARED) > 4 * share(before, SHARED)
    assert share(after, OWN) < share(before, OWN) / 4
    assert share(after, SHARED) > 10 * share(after, OWN)


def test_one_that_falls_silent_alone_points_to_its_own_feed_ground_plug_and_stub(desk: Desk, tmp_path: Path) -> None:
    before = odds(desk)
    take(desk, log(tmp_path, ((30,), 20, 24)))
    after = odds(desk)
    assert seen(desk) == [
        ("E1", "silent@E1", False, "yes"), ("E2", "silent@E1", False, "yes"), ("E3", "silent@E1", True, "yes"),
    ]  # fmt: skip
    assert share(after, OWN) > 0.5
    assert share(after, OWN) > 4 * share(before, OWN)
    assert share(after, OWN) > 10 * share(after, SHARED)


def test_a_controller_never_heard_is_silent_throughout(desk: Desk, tmp_path: Path) -> None:
    take(desk, log(tmp_path, senders=(10, 20)))
    assert [(one, active, showing) for one, _, active, showing in seen(desk)] == [
        ("E1", False, "yes"), ("E2", False, "yes"), ("E3", True, "yes"),
    ]  # fmt: skip


def test_a_log_without_silences_says_that_everybody_was_heard_and_not_that_the_fault_showed(
    desk: Desk, tmp_path: Path
) -> None:
    take(desk, log(tmp_path))
    assert {(active, showing) for _, _, active, showing in seen(desk)} == {(False, "unknown")}


def test_switching_off_at_the_end_is_no_silence(desk: Desk, tmp_path: Path) -> None:
    path = log(tmp_path, ((10, 20, 30), 40, 60), codes="0000000000000000")
    # Another bus, or the recorder itself, goes on; on this one all three stop for good.
    lines = [line for line in path.read_text().splitlines() if "18FECA" not in line or float(line[1:8]) < 40]
    path.write_text("\n".join([*lines, "(60.000000) can0 123#00"]))
    take(desk, path)
    assert {active for _, code, active, _ in seen(desk) if code.startswith("silent")} == {False}


def test_the_same_controllers_again_and_again_are_written_down_once_for_each_set(desk: Desk, tmp_path: Path) -> None:
    again = [((20, 30), float(begin), begin + 2.0) for begin in range(5, 45, 10)]
    take(desk, log(tmp_path, *again, ((30,), 50.0, 52.0)))
    assert [active for *_, active, _ in seen(desk)] == [False, True, True, False, False, True]


def test_active_codes_are_taken_and_others_of_who_reports_are_taken_as_not_there(desk: Desk, tmp_path: Path) -> None:
    # SPN 520301 is 7F06D hex; failure mode 9, counted once.
    spn = 520301
    code = bytes([4, 255, spn & 255, spn >> 8 & 255, (spn >> 16) << 5 | 9, 1, 255, 255]).hex()
    take(desk, log(tmp_path, ((30,), 20, 24), codes=code))
    assert [one for one in seen(desk) if not one[1].startswith("silent")] == [
        ("E1", "third-missing", True, "yes"), ("E1", "second-missing", False, "yes"),
    ]  # fmt: skip


#: Repairs of one line of the third controller's stub, and of what feeds it.
STUB = ("renew-contact:X3.3", "renew-contact:X3.4", "repair-wire:H6", "repair-wire:L6")
FEED = ("renew-contact:X3.1", "renew-contact:X3.2", "repair-wire:W6", "repair-wire:W9", "renew-terminal:W9@G1")
ERRORS = [(20.5 + n / 100, "20000004#0004000000000000") for n in range(60)]


def test_errors_while_one_is_silent_speak_for_its_lines_and_none_for_its_feed_and_ground(
    desk: Desk, folder: Path, tmp_path: Path
) -> None:
    take(desk, with_lines(log(tmp_path, ((30,), 20, 24)), ERRORS))
    (errors,) = (one for one in observed(desk, CodeSeen) if one.code == BUS_ERRORS)
    assert (errors.controller, errors.active, errors.showing) == ("E1", True, "yes")
    with_errors = odds(desk)
    keeping.undo(desk)
    take(desk, log(tmp_path, ((30,), 20, 24)))
    (errors,) = (one for one in observed(desk, CodeSeen)[-5:] if one.code == BUS_ERRORS)
    assert not errors.active
    without = odds(desk)
    assert share(with_errors, STUB) > 2.0 * share(without, STUB)
    assert share(with_errors, FEED) < share(without, FEED) / 2.0


def test_a_few_errors_are_chance_and_say_nothing_where_nobody_is_silent(desk: Desk, tmp_path: Path) -> None:
    take(desk, with_lines(log(tmp_path), ERRORS[:5]))
    assert not [one for one in observed(desk, CodeSeen) if one.code == BUS_ERRORS]


def test_supplies_that_are_as_usual_say_nothing(desk: Desk, tmp_path: Path) -> None:
    take(desk, with_lines(log(tmp_path), [(n / 2, supply(12.2, 30)) for n in range(100)]))
    assert observed(desk, Reading) == []


def test_a_supply_that_is_too_low_is_a_reading_at_the_pins_of_who_reports_it(desk: Desk, tmp_path: Path) -> None:
    lines = [(n / 2, supply(9.4 if n == 60 else 12.6, 30)) for n in range(100)]
    lines += [(n / 2 + 0.1, supply(12.5, 20)) for n in range(100)]
    before = odds(desk)
    take(desk, with_lines(log(tmp_path), lines))
    assert observed(desk, Reading) == [
        Reading("volts", "E2.B+", "E2.GND", "on", 12.5, showing="yes"),
        Reading("volts", "E3.B+", "E3.GND", "on", 9.4, showing="yes"),
    ]  # fmt: skip
    assert share(odds(desk), FEED) > 4 * share(before, FEED)
    assert "9.4 V" in " ".join(line.words for line in keeping.log(desk).lines)


def test_who_is_heard_again_shows_that_the_fault_comes_and_goes(desk: Desk, tmp_path: Path) -> None:
    take(desk, log(tmp_path, ((30,), 20, 24)))
    assert [one.controller for one in observed(desk, CodeSeen) if one.showing == "no"] == ["E3"]


def test_who_was_silent_tells_nothing_of_the_codes_it_does_not_report(desk: Desk, tmp_path: Path) -> None:
    none = "18FECA0A#00FF00000000FFFF"
    path = with_lines(log(tmp_path, ((30,), 20, 24)), [(n + 0.5, none) for n in range(60)])
    take(desk, path)
    codes = [(one.code, one.active, one.showing) for one in observed(desk, CodeSeen) if one.code.endswith("missing")]
    assert codes == [("third-missing", False, "yes"), ("second-missing", False, "yes")]
    keeping.undo(desk)
    # Too short a silence for a partner to be reported.
    take(desk, with_lines(log(tmp_path, ((30,), 20, 22)), [(n + 0.5, none) for n in range(60)]))
    codes = [(one.code, one.active, one.showing) for one in observed(desk, CodeSeen) if one.code.endswith("missing")]
    assert codes[-2:] == [("third-missing", False, "unknown"), ("second-missing", False, "unknown")]


def test_what_the_log_cannot_tell_apart_is_said_with_the_meter_check_that_would(desk: Desk, tmp_path: Path) -> None:
    taken = take_log(desk, log(tmp_path, ((20, 30), 20, 24)), who=ADDRESSES, beside="E1", state="on")
    alike = taken.alike
    assert alike is not None
    assert {one.group for one in alike.suspects} <= {*SHARED, "renew-splice:JF"}
    assert alike.count >= len(alike.suspects) > 2
    assert sum(one.odds for one in alike.suspects) <= alike.odds + 1e-9 <= 1.0 + 1e-9
    kind = alike.check.split()[0]
    assert kind in ("volts", "drop", "lamp", "amps", "ohms")
    assert alike.check_words


def test_a_log_without_a_frame_is_refused_and_taken_as_nobody_speaking_when_that_is_said(
    desk: Desk, tmp_path: Path
) -> None:
    path = tmp_path / "empty.log"
    path.write_text("")
    with pytest.raises(UserError) as caught:
        take(desk, path)
    assert caught.value.code == "log-empty"
    take(desk, path, nobody=True)
    assert [(who, silent) for who, _, silent, _ in seen(desk)] == [("E1", True), ("E2", True), ("E3", True)]
    # Nobody sends and is not understood either: a line of the bus is no likelier than a feed.
    assert [one.active for one in observed(desk, CodeSeen) if one.code == BUS_ERRORS] == [False]


def test_the_one_beside_the_recorder_is_silent_too_where_nobody_was_heard_and_the_recorder_worked(
    desk: Desk, tmp_path: Path
) -> None:
    take(desk, log(tmp_path, ((10, 20, 30), 20, 24)))
    assert {who for who, _, silent, _ in seen(desk) if silent} == {"E1", "E2", "E3"}
    keeping.undo(desk)
    only_errors = tmp_path / "errors.log"
    only_errors.write_text("".join(f"({at:.6f}) can0 {text}\n" for at, text in ERRORS))
    before = len(seen(desk))
    take(desk, only_errors)
    assert {(who, silent) for who, _, silent, _ in seen(desk)[before:]} == {("E1", True), ("E2", True), ("E3", True)}


def test_who_would_not_have_been_missed_so_soon_is_not_taken_as_heard(desk: Desk, tmp_path: Path) -> None:
    # E2 and E3 lose their feed, but E2 sends so seldom that a second of it is no silence yet.
    seldom = log(tmp_path, ((20, 30), 20, 21.5))
    kept = [line for line in seldom.read_text().splitlines() if "18FF0014" not in line or float(line[1:8]) % 1.0 < 0.05]
    seldom.write_text("\n".join(kept))
    take(desk, seldom)
    assert {(who, silent) for who, _, silent, _ in seen(desk)} == {("E1", False), ("E3", True)}


def test_a_log_too_short_for_a_controllers_period_says_nothing_of_it(desk: Desk, tmp_path: Path) -> None:
    made = tmp_path / "slow"
    made.mkdir()
    head, _, tail = MACHINE.partition("plugs: {X3:")
    text = f"{head}plugs: {{X3:{tail.replace('CAN1: {}', 'CAN1: {address: 30, period: 5 s}', 1)}"
    (made / "machine.yaml").write_text(text)
    (made / "wires.csv").write_text(WIRES)
    working.open_job(desk, made, complaint_of(load_machine(made), ["third unsteady in on"]), job_id="slow")
    for until, told in ((20, []), (40, ["E3"])):
        take(desk, log(tmp_path, senders=(10, 20), until=until))
        assert [one.controller for one in observed(desk, CodeSeen) if one.active] == told


def test_addresses_come_from_the_machine_file_and_what_is_said_goes_before_it() -> None:
    machine = load_machine(EXAMPLES / "orchard-platform")
    own = {11: "ECU1", 12: "ECU2", 13: "ECU3", 14: "ECU4"}
    assert known_addresses(machine, "ECU1", ()) == own
    assert known_addresses(machine, "ECU1", ("ECU2=40",)) == {11: "ECU1", 13: "ECU3", 14: "ECU4", 40: "ECU2"}
    assert known_addresses(machine, "ECU1", ("ECU2=13",)) == {11: "ECU1", 13: "ECU2", 14: "ECU4"}


def test_what_was_taken_stands_in_the_log_in_words_and_can_be_undone(desk: Desk, tmp_path: Path) -> None:
    before = odds(desk)
    take(desk, log(tmp_path, ((30,), 20, 24)), minutes=4.0)
    words = " / ".join(line.words for line in keeping.log(desk).lines)
    assert "E3 on the bus beside E1 [Battery connected]: silent, fault showing (drive.log, 4.1 s in the log)" in words
    assert "E2 on the bus beside E1 [Battery connected]: heard, fault showing (drive.log)" in words
    assert desk.job().minutes == pytest.approx(4.0)
    keeping.undo(desk)  # all of it at once: it was written in one step
    assert odds(desk) == pytest.approx(before)


@pytest.mark.parametrize(
    ("more", "code"),
    [
        ({"who": ()}, "log-address"),
        ({"who": ("E1",)}, "log-address"),
        ({"who": ("E1=300",)}, "log-address"),
        ({"who": ("E1=1", "E2=1")}, "log-address"),
        ({"who": ("E1=10",)}, "log-beside"),
        ({"who": ("E1=10", "E9=11")}, "not-found"),
        ({"beside": "F1"}, "not-found"),
        ({"state": "off"}, "not-found"),
    ],
)
def test_mistakes_have_their_code_and_nothing_is_written(
    desk: Desk, tmp_path: Path, more: dict, code: str
) -> None:
    with pytest.raises(UserError) as caught:
        take(desk, log(tmp_path, until=5), **more)
    assert caught.value.code == code
    assert seen(desk) == []


@pytest.mark.parametrize("active", [True, False])
@pytest.mark.parametrize(("code", "there", "not_there"), [("silent@E1", 0.9, 0.01), ("errors@bus", 0.6, 0.05)])
def test_the_phone_weighs_what_a_log_tells_as_codes_and_comes_to_the_same(
    code: str, there: float, not_there: float, active: bool
) -> None:
    lines = np.array([True, False, True])
    seen = CodeSeen("E2", code, "on", active=active)
    ours = likelihood.told_by_log(seen, lines)
    assert likelihood.code(seen, likelihood.told_as_code(code, lines)) == pytest.approx(ours, rel=1e-12)
    chances = np.array([there, not_there, there])
    assert ours.tolist() == pytest.approx((chances if active else 1.0 - chances).tolist())


def test_addresses_are_read_from_what_is_typed(folder: Path) -> None:
    machine = bench(folder)[1].machine
    assert addresses(machine, ("E1 = 3", "E2=0")) == {3: "E1", 0: "E2"}
    with pytest.raises(NotFound, match="no controller called"):
        addresses(machine, ("E4=3",))
