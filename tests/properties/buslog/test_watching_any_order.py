"""A watched bus gives the same, however frames of several speakers are mixed and in whatever pieces they come."""

from __future__ import annotations

import itertools

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from halfsplit.buslog.joint import joint_silences
from halfsplit.buslog.silences import Habit, Silence
from halfsplit.buslog.watching import Watch, begin, drops, hear, move, pass_time

END_S = 60.0
STILL_S = 10.0


@st.composite
def buses(draw: st.DrawFn) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Frames of two to four speakers in order of time, with stretches cut out after the still phase."""
    times: list[NDArray[np.float64]] = []
    keys: list[NDArray[np.int64]] = []
    for key in range(draw(st.integers(2, 4))):
        period_s = draw(st.sampled_from([0.05, 0.1, 0.25]))
        own = np.arange(0.0, END_S, period_s) + key * 1e-3
        for _ in range(draw(st.integers(0, 3))):
            from_s = draw(st.floats(STILL_S + 1.0, END_S - 1.0))
            own = own[(own < from_s) | (own > from_s + draw(st.floats(0.05, 8.0)))]
        times.append(own)
        keys.append(np.full(len(own), key, np.int64))
    time_s, key_of = np.concatenate(times), np.concatenate(keys)
    order = np.argsort(time_s, kind="stable")
    return time_s[order], key_of[order]


def watched(bus: tuple[NDArray[np.float64], NDArray[np.int64]], ticks: list[float], mix: int | None = None) -> Watch:
    """The watch looked at at each tick; ``mix`` seeds the order of frames within each piece."""
    time_s, key = bus
    chance = np.random.default_rng(mix)
    watch, done = begin(0.0, STILL_S), 0
    for now_s in ticks:
        until = int(np.searchsorted(time_s, now_s))
        order = np.arange(done, until)
        if mix is not None:
            chance.shuffle(order)
        watch = pass_time(hear(watch, time_s[order], key[order]), now_s)
        done = until
    return watch


def same(one: Watch, other: Watch) -> None:
    assert dict(one.voices) == dict(other.voices)
    assert drops(one) == drops(other)
    assert one.deaf == other.deaf
    assert one.learned_s == other.learned_s


@settings(max_examples=40, deadline=None)
@given(buses(), st.lists(st.floats(0.1, END_S), max_size=40), st.integers(0, 2**32 - 1))
def test_the_order_of_frames_within_a_piece_does_not_matter(
    bus: tuple[NDArray[np.float64], NDArray[np.int64]], cuts: list[float], mix: int
) -> None:
    ticks = sorted({*cuts, STILL_S, END_S})
    same(watched(bus, ticks), watched(bus, ticks, mix))


@settings(max_examples=40, deadline=None)
@given(buses(), st.lists(st.floats(STILL_S, END_S), max_size=60))
def test_drops_do_not_depend_on_when_somebody_looks(
    bus: tuple[NDArray[np.float64], NDArray[np.int64]], cuts: list[float]
) -> None:
    few = watched(bus, [STILL_S, END_S])
    many = watched(bus, sorted({*cuts, STILL_S, END_S}))
    assert drops(few) == drops(many)
    assert {key: one.losses for key, one in few.voices.items()} == {key: one.losses for key, one in many.voices.items()}


@settings(max_examples=15, deadline=None)
@given(buses())
def test_the_same_drops_are_found_as_in_a_log_with_the_same_limits(
    bus: tuple[NDArray[np.float64], NDArray[np.int64]],
) -> None:
    time_s, key = bus
    watch = watched(bus, [*np.arange(0.1, END_S, 0.1).tolist(), END_S])
    found = []
    for voice in watch.judged:
        own = time_s[key == voice.key].tolist()
        assert voice.limit_s is not None
        gone = [Silence(voice.key, a, b) for a, b in itertools.pairwise(own) if b - a > voice.limit_s]
        if END_S - own[-1] > voice.limit_s:
            gone.append(Silence(voice.key, own[-1], END_S, to_end=True))
        found.append(
            Habit(voice.key, len(own), own[0], own[-1], voice.period_s, None, voice.late_s, voice.limit_s, tuple(gone))
        )
    expected = [
        (one.at_s, one.keys)
        for one in joint_silences(found)
        # Those that stand while nobody at all is heard may be switching off, and count only once somebody is back.
        if not (watch.all_lost and all(silence.to_end for silence in one.silences))
    ]
    assert [(one.at_s, one.keys) for one in drops(watch)] == expected


@settings(max_examples=20, deadline=None)
@given(buses(), st.floats(STILL_S, END_S))
def test_words_change_nothing_of_who_dropped_out(
    bus: tuple[NDArray[np.float64], NDArray[np.int64]], at_s: float
) -> None:
    watch = watched(bus, [STILL_S, at_s, END_S])
    assert drops(move(watch, at_s, "X1")) == drops(watch)
