"""Periods, silences, clocks that jump, and who fell silent together."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from halfsplit.buslog.clock import Clock
from halfsplit.buslog.frames import EXTENDED, Block
from halfsplit.buslog.joint import joint_silences, pairs, places
from halfsplit.buslog.silences import FEWEST_FRAMES, MOST_LONGEST, MOST_SENDERS, Habits, habits


def block(times: NDArray[np.float64], first: int = 1) -> Block:
    count = len(times)
    return Block(
        times, np.zeros(count, np.uint32), np.full(count, EXTENDED, np.uint8), np.zeros(count, np.uint16),
        (b"",) * count, first,
    )  # fmt: skip


def regular(period: float, until: float, *holes: tuple[float, float]) -> NDArray[np.float64]:
    times = np.arange(0.0, until, period)
    for begin, end in holes:
        times = times[(times < begin) | (times >= end)]
    return times


def merged(*senders: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.uint16]]:
    times = np.concatenate(senders)
    keys = np.concatenate([np.full(len(one), key, np.uint16) for key, one in enumerate(senders)])
    order = np.argsort(times, kind="stable")
    return times[order], keys[order]


def test_a_silence_begins_with_the_last_frame_heard_and_ends_with_the_next() -> None:
    (one,) = habits(*merged(regular(0.1, 60.0, (20.05, 25.0))))
    assert one.period_s == pytest.approx(0.1)
    (silence,) = one.silences
    assert [silence.from_s, silence.to_s] == pytest.approx([20.0, 25.0])
    assert not silence.to_end


def test_a_sender_that_is_never_heard_again_is_silent_to_the_end_and_a_late_one_is_not_before_its_first() -> None:
    late = regular(0.1, 60.0)[300:]
    found = habits(*merged(regular(0.1, 60.0), regular(0.1, 40.0), late))
    assert [len(one.silences) for one in found] == [0, 1, 0]
    assert found[1].silences[0].to_end
    assert found[1].silences[0].to_s == pytest.approx(59.9)
    assert found[2].first_s == pytest.approx(30.0)


def test_senders_of_a_few_frames_have_no_period_and_no_silences() -> None:
    few = np.array([*range(FEWEST_FRAMES - 2), 500.0])
    assert len(few) == FEWEST_FRAMES - 1
    (one, _) = habits(*merged(few, regular(0.5, 1000.0)))
    assert one.period_s is None
    assert one.silences == ()


def test_messages_sent_in_bursts_are_not_silent_between_them() -> None:
    bursts = np.concatenate([np.arange(5) * 0.001 + second for second in range(100)])
    (one,) = habits(bursts, np.zeros(len(bursts), np.uint16))
    assert one.period_s == pytest.approx(0.001)
    assert one.silences == ()


def test_the_same_comes_out_block_by_block_and_beyond_the_gaps_that_are_kept() -> None:
    chance = np.random.default_rng(1)
    senders = [np.cumsum(chance.exponential(0.02, 20_000)) for _ in range(3)]
    senders[1] = senders[1] + np.where(np.arange(20_000) >= 9_000, 7.0, 0.0)
    times, keys = merged(*senders)
    whole = habits(times, keys)
    for most_exact, close in ((10**9, 1e-12), (5_000, 0.012)):
        pieces = Habits(most_exact)
        for begin in range(0, len(times), 777):
            pieces.add(times[begin : begin + 777], keys[begin : begin + 777])
        for one, other in zip(whole, pieces.found(), strict=True):
            assert (one.key, one.count, one.last_s) == (other.key, other.count, other.last_s)
            assert other.period_s == pytest.approx(one.period_s, rel=close)
            assert other.limit_s == pytest.approx(one.limit_s, rel=close)
        assert [s.from_s for h in pieces.found() for s in h.silences if s.seconds > 5] == [
            s.from_s for h in whole for s in h.silences if s.seconds > 5
        ]


def test_of_very_many_silences_the_longest_are_kept() -> None:
    # Bursts of 2,000 frames with pauses between them that grow: the 99th percentile stays at the burst's own gap.
    starts = np.cumsum(np.linspace(5.0, 6.0, MOST_LONGEST + 100))
    times = (starts[:, None] + np.arange(2000)[None, :] * 0.001).ravel()
    pieces = Habits(10_000)
    for begin in range(0, len(times), 100_000):
        pieces.add(times[begin : begin + 100_000], np.zeros(len(times[begin : begin + 100_000]), np.uint16))
    (one,) = pieces.found()
    assert len(one.silences) == MOST_LONGEST
    assert min(s.seconds for s in one.silences) > 5.0 - 2.0 + 0.15


def test_no_log_makes_more_senders_than_so_many() -> None:
    count = MOST_SENDERS + 500
    gathered = Habits()
    gathered.add(np.linspace(0.0, 1.0, count), np.arange(count, dtype=np.uint32))
    assert len(list(gathered.found())) == MOST_SENDERS
    assert gathered.uncounted == 500


def straightened(times: NDArray[np.float64], size: int) -> tuple[Clock, Habits, list[float]]:
    clock, gathered, straight = Clock(), Habits(), []
    for begin in range(0, len(times), size):
        for place, piece in enumerate(clock.straighten(block(times[begin : begin + size], begin + 1))):
            if place or clock.broken:
                gathered.break_off()
            gathered.add(piece.time_s, np.zeros(len(piece), np.uint16))
            straight += piece.time_s.tolist()
    return clock, gathered, straight


@pytest.mark.parametrize("size", [7, 50, 100, 1000])
@pytest.mark.parametrize("jump", [-3600.0, 86_400.0])
def test_a_clock_that_jumps_is_noted_and_makes_no_silence(size: int, jump: float) -> None:
    times: NDArray[np.float64] = 1e9 + np.arange(0.0, 19.95, 0.1) + np.where(np.arange(200) >= 100, jump, 0.0)
    clock, gathered, straight = straightened(times, size)
    (noted,) = clock.jumps
    assert noted.frame == 101
    assert [noted.before_s, noted.after_s] == pytest.approx([times[99], times[100]])
    assert straight == sorted(straight)
    assert straight[0] == 0.0
    assert straight[-1] == pytest.approx(19.8)
    (one,) = gathered.found()
    assert one.count == 200
    assert one.silences == ()


def test_frames_slightly_out_of_turn_are_counted_and_no_jump() -> None:
    times = np.linspace(0.0, 9.9, 100)
    times[[50, 51]] = times[[51, 50]]
    clock, _, _ = straightened(times, 30)
    assert (clock.jump_count, clock.out_of_turn) == (0, 1)


def test_silences_that_begin_together_are_one_event_and_others_their_own() -> None:
    hole = (20.0, 24.0)
    found = habits(
        *merged(
            regular(0.1, 60.0, hole, (40.0, 45.0)),
            regular(0.25, 60.0, hole),
            regular(0.05, 60.0, (22.0, 26.0)),
            regular(0.1, 60.0),
        )
    )
    events = joint_silences(found)
    assert [sorted(event.keys) for event in events] == [[0, 1], [2], [0]]
    assert events[0].at_s == pytest.approx(19.95, abs=0.06)
    assert events[0].until_s == pytest.approx(24.0, abs=0.26)


def test_two_that_fall_silent_together_again_and_again_are_told_from_two_that_do_not() -> None:
    holes = [(t, t + 3.0) for t in (50.0, 150.0, 300.0, 420.0)]
    apart = [(t, t + 3.0) for t in (20.0, 200.0, 350.0, 500.0)]
    found = habits(
        *merged(regular(0.1, 600.0, *holes), regular(0.1, 600.0, *holes), regular(0.1, 600.0, *apart))
    )
    (pair,) = pairs(found, 600.0)
    assert (pair.first, pair.second, pair.coincidence.count) == (0, 1, 4)
    assert pair.p < 1e-8


def test_places_with_the_same_controllers_behind_them_share_their_odds() -> None:
    behind = {"feed": ["A", "B"], "ground": ["A", "B"], "stub": ["A"]}
    odds = places([["A", "B"]], behind, ["A", "B", "C"])
    assert [one.places for one in odds] == [("feed", "ground"), ("stub",)]
    assert odds[0].share > 0.98
    assert places([], {}, []) == ()
