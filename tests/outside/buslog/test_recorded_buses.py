"""Recorded buses, code vectors and joint silences: the reference numbers through our own reading."""

from __future__ import annotations

import json
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from tests.outside.conftest import Near

from halfsplit.buslog import j1939
from halfsplit.buslog.codes import Lamps, read_codes
from halfsplit.buslog.joint import JointSilence, coincidence, joint_silences, places
from halfsplit.buslog.reading import open_log
from halfsplit.buslog.silences import Habit, habits
from halfsplit.buslog.speakers import speaker_keys
from halfsplit.buslog.survey import Survey, survey
from halfsplit.buslog.transport import Assembly

Oracle = Callable[[str], tuple[Any, Any]]
DATA = Path(__file__).resolve().parents[2] / "data"
LAMPS = {"off": 0, "on": 1, "reserved": 2, "not available": 3}


def lamps_as_numbers(lamps: Lamps) -> dict[str, int]:
    return {
        "mil": LAMPS[lamps.malfunction],
        "red_stop": LAMPS[lamps.red_stop],
        "amber": LAMPS[lamps.amber],
        "protect": LAMPS[lamps.protect],
    }


@cache
def surveyed(file: str) -> Survey:
    return survey(open_log(DATA / file))


def code_payloads(file: str) -> list[bytes]:
    """Every multi-packet DM1 of a recording, whole."""
    found: list[bytes] = []
    assembly = Assembly()
    for block in open_log(DATA / file).blocks():
        for time_s, identifier, channel, data in zip(
            block.time_s.tolist(), block.identifier.tolist(), block.channel.tolist(), block.data, strict=True
        ):
            ended = assembly.take(time_s, channel, j1939.header(identifier), data)
            found += [one.data for one in ended if one.group == j1939.ACTIVE_CODES and one.complete]
    return found


@pytest.mark.outside(
    what="29-bit identifiers taken apart",
    against="bus-1: layout of SAE J1939-21",
    source="tests/data/oracles.json",
    status="published",
    tolerance="none, bits",
)
def test_identifiers_are_taken_apart_as_the_standard_lays_them_out(oracle: Oracle) -> None:
    told, wanted = oracle("bus-1")
    heads = [j1939.header(int(text, 16)) for text in told["ids"]]
    assert [one.group for one in heads] == wanted["pgn"]
    assert [one.source for one in heads] == wanted["source"]
    assert [one.destination for one in heads] == wanted["destination"]
    assert [one.priority for one in heads] == wanted["priority"]
    identifiers = np.array([int(text, 16) for text in told["ids"]], np.uint32)
    assert j1939.groups(identifiers).tolist() == wanted["pgn"]
    assert j1939.sources(identifiers).tolist() == wanted["source"]


@pytest.mark.outside(
    what="lamps and trouble codes of single frames and of announced messages",
    against="bus-2: seven vectors, two of them from the tests of a public library",
    source="tests/data/oracles.json; tests/data/j1939-dm1-vectors",
    status="as SOURCE.md says of each: published, or computed from the layout of SAE J1939-73",
    tolerance="none, bits",
)
def test_code_vectors_are_read_exactly(oracle: Oracle) -> None:
    told, wanted = oracle("bus-2")
    vectors = json.loads((DATA / told["file"]).read_text("utf-8"))["vectors"]
    for vector in vectors:
        assembly = Assembly()
        payloads = []
        for place, text in enumerate(vector["frames"]):
            identifier, _, payload = text.partition("#")
            head, data = j1939.header(int(identifier, 16)), bytes.fromhex(payload)
            assert head.source == vector["source"]
            if head.group == j1939.ACTIVE_CODES:
                payloads.append(data)
            payloads += [one.data for one in assembly.take(place * 0.05, 0, head, data)]
        (content,) = map(read_codes, payloads)
        assert content is not None
        assert lamps_as_numbers(content.lamps) == vector["lamps"], vector["id"]
        codes = [{"spn": c.spn, "fmi": c.fmi, "oc": c.count, "cm": int(c.old_layout)} for c in content.codes]
        assert codes == vector["dtcs"], vector["id"]
    assert len(vectors) == wanted["all"]


@pytest.mark.outside(
    what="long code messages put together from packets, recording of an engine with a retarder",
    against="bus-3: counts read with a script of its own",
    source="tests/data/oracles.json; tests/data/can-logs",
    status="derived",
    tolerance="none, counts",
)
def test_long_code_messages_of_a_recording_are_put_together(oracle: Oracle) -> None:
    told, wanted = oracle("bus-3")
    payloads = code_payloads(told["file"])
    assert len(payloads) == wanted["complete_dm1"]
    for payload in payloads:
        content = read_codes(payload)
        assert content is not None
        assert len(payload) == wanted["bytes"]
        assert len(content.codes) == wanted["dtc_entries"]
        assert len({code.spn for code in content.codes}) == wanted["unique_spn"]
        assert lamps_as_numbers(content.lamps) == wanted["lamps"]
        assert [[c.spn, c.fmi, c.count] for c in content.codes[:3]] == wanted["first_three"]
    found = {f"source{one.source}_pgn{one.group}": one.complete for one in surveyed(told["file"]).assembled}
    assert found.pop("source0_pgn65226") == wanted["complete_dm1"]
    assert found == wanted["other_complete"]


@pytest.mark.outside(
    what="long code messages put together from packets, recording of an engine over two minutes",
    against="bus-4: counts read with a script of its own",
    source="tests/data/oracles.json; tests/data/can-logs",
    status="derived",
    tolerance="none, counts",
)
def test_codes_of_a_longer_recording_are_read(oracle: Oracle) -> None:
    told, wanted = oracle("bus-4")
    payloads = code_payloads(told["file"])
    assert len(payloads) == wanted["complete_dm1"]
    for payload in payloads:
        content = read_codes(payload)
        assert content is not None
        assert [[c.spn, c.fmi, c.count] for c in content.codes] == wanted["dtcs"]
        assert lamps_as_numbers(content.lamps) == wanted["lamps"]
    histories = surveyed(told["file"]).codes
    assert sorted([one.spn, one.fmi, one.count] for one in histories) == sorted(wanted["dtcs"])
    assert {one.messages for one in histories} == {wanted["complete_dm1"]}


@pytest.mark.outside(
    what="the one silence of a tractor's engine controller, and no other",
    against="bus-5: read off the recording",
    source="tests/data/oracles.json; tests/data/can-logs",
    status="derived",
    tolerance="0.02 s",
)
def test_the_silent_source_of_a_recording_is_found_and_no_other(oracle: Oracle, near: Near) -> None:
    told, wanted = oracle("bus-5")
    ((one,),) = (event.silences for event in surveyed(told["file"]).joint)
    assert one.key == wanted["silent_source"]
    near([one.from_s, one.to_s], [wanted["from_s"], wanted["to_s"]], 0.02, "s")
    assert [h.key for h in surveyed(told["file"]).speakers if h.silences and h.key != one.key] == []
    assert wanted["others_silent"] == []


@pytest.mark.outside(
    what="how often two controllers fall silent together by chance",
    against="bus-6: event coincidence analysis worked by hand",
    source="tests/data/oracles.json",
    status="derived",
    tolerance="1e-4 of each figure",
)
def test_coincidences_are_counted_and_their_chance_computed(oracle: Oracle, near: Near) -> None:
    told, wanted = oracle("bus-6")
    both = coincidence(told["A"], told["B"], 1.0, 600.0)
    assert both.count == wanted["AB"]
    near.relative(both.expected, wanted["expected_AB"], 1e-4, "of each figure")
    near.relative(both.binomial_p, wanted["binomial_p"], 1e-4, "of each figure")
    near.relative(both.poisson_p, wanted["poisson_p"], 1e-4, "of each figure")
    assert coincidence(told["A"], told["C"], 1.0, 600.0).count == wanted["AC"]
    assert coincidence(told["B"], told["C"], 1.0, 600.0).count == wanted["BC"]


@pytest.mark.outside(
    what="which stretch of a feed explains who went silent together",
    against="bus-7, bus-8: Bayes by hand for one and two events",
    source="tests/data/oracles.json",
    status="derived",
    tolerance="2e-6",
)
def test_the_place_behind_joint_silences_has_the_odds_worked_by_hand(oracle: Oracle, near: Near) -> None:
    behind = {f"s{n}": range(n, 5) for n in (1, 2, 3, 4)} | {f"d{n}": [n] for n in (1, 2, 3, 4)}
    prior = dict.fromkeys(behind, 1.0) | {"s4": 0.5, "d4": 0.5}
    for entry in ("bus-7", "bus-8"):
        told, wanted = oracle(entry)
        odds = places(told["events"], behind, [1, 2, 3, 4], prior, miss=0.1, false=0.01)
        found = {"/".join(one.places): one.share for one in odds}
        near([found[name] for name in wanted["post"]], list(wanted["post"].values()), 2e-6)
        assert sum(found.values()) == pytest.approx(1.0)


Planted = tuple[frozenset[int], float, float]


@pytest.fixture(scope="module")
def boat() -> tuple[NDArray[np.float64], NDArray[np.uint16], tuple[Habit, ...]]:
    blocks = list(open_log(DATA / "can-logs/nmea2000-boat-60s.log.gz").blocks())
    (block,) = blocks
    keys = speaker_keys(block)
    return block.time_s, keys, habits(block.time_s, keys)


def planted_and_found(
    time_s: NDArray[np.float64], keys: NDArray[np.uint16], who: frozenset[int], begin: float, length: float
) -> tuple[bool, int]:
    """Whether the silence of ``who`` comes out as one event of exactly those, and how many other events do."""
    gone = np.isin(keys, sorted(who)) & (time_s >= begin) & (time_s < begin + length)
    events = joint_silences(habits(time_s[~gone], keys[~gone]))

    def hit(event: JointSilence) -> bool:
        return event.keys == who and all(s.from_s < begin + length and s.to_s > begin for s in event.silences)

    hits = [event for event in events if hit(event)]
    return len(hits) == 1, len(events) - min(len(hits), 1)


@pytest.mark.outside(
    what="joint silences of one to three controllers, 0.5 to 5 s, cut out of a boat's recording in 200 trials",
    against="what was cut out; controllers that speak too seldom for the length to show are not drawn",
    source="tests/data/can-logs",
    status="computed",
    tolerance="found in 98 % at least, under one false alarm an hour",
)
def test_silences_cut_out_of_a_recording_are_found(
    boat: tuple[NDArray[np.float64], NDArray[np.uint16], tuple[Habit, ...]],
    record_property: Callable[..., None],
) -> None:
    time_s, keys, known = boat
    chance = np.random.default_rng(20261127)
    found = false = 0
    sizes = []
    for _ in range(200):
        length = float(chance.uniform(0.5, 5.0))
        fit = [one.key for one in known if one.limit_s is not None and one.limit_s < length]
        assert len(fit) >= 2
        who = frozenset(chance.choice(fit, size=int(chance.integers(1, min(3, len(fit)) + 1)), replace=False).tolist())
        begin = float(chance.uniform(1.0, float(time_s[-1]) - length - 1.0))
        hit, others = planted_and_found(time_s, keys, who, begin, length)
        found += hit
        false += others
        sizes.append(len(who))
    hours = 200 * float(time_s[-1]) / 3600
    record_property("largest_deviation", f"found {found / 2:g} %, {false} false alarms in {hours:.1f} h")
    assert set(sizes) == {1, 2, 3}
    assert found >= 196
    assert false / hours < 1.0


def test_a_silence_shorter_than_a_controllers_habit_is_not_claimed(
    boat: tuple[NDArray[np.float64], NDArray[np.uint16], tuple[Habit, ...]],
) -> None:
    time_s, keys, known = boat
    seldom = [one for one in known if one.limit_s is not None and one.limit_s > 5.0]
    assert [one.key for one in seldom] == [3, 142, 143]
    for one in seldom:
        assert planted_and_found(time_s, keys, frozenset({one.key}), 20.0, 4.0) == (False, 0)
