"""The state of a watched bus: who dropped out when, and whether that is tied to what was being moved."""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable

import numpy as np
import pytest

from halfsplit.buslog.silences import habits
from halfsplit.buslog.tied import CHANCE, place_of, tied
from halfsplit.buslog.watching import Watch, begin, drops, halt, hear, heard_s, move, pass_time

Hole = tuple[int, float, float]


def frames(until_s: float, holes: Collection[Hole] = (), keys: Collection[int] = (1, 2, 3)) -> list[tuple[float, int]]:
    """Each speaker every 0.1 s, but where a hole names it from its first second to its last."""
    return sorted(
        (n / 10 + key / 1000, key)
        for key in keys
        for n in range(round(until_s * 10))
        if not any(who == key and a <= n / 10 < b for who, a, b in holes)
    )


def watched(
    heard: Iterable[tuple[float, int]], until_s: float, words: Collection[tuple[float, str]] = (), step_s: float = 0.05
) -> Watch:
    """A watch of 10 s still phase, fed as a loop would; a word "" lets go."""
    watch, waiting, said = begin(0.0, 10.0), list(heard), sorted(words)
    for tick in range(1, round(until_s / step_s) + 1):
        now_s = tick * step_s
        count = sum(1 for time_s, _ in waiting[:400] if time_s < now_s)
        now, waiting = waiting[:count], waiting[count:]
        watch = hear(watch, np.array([one[0] for one in now]), np.array([one[1] for one in now], np.int64))
        watch = pass_time(watch, now_s)
        while said and said[0][0] <= now_s:
            at_s, place = said.pop(0)
            watch = move(watch, at_s, place) if place else halt(watch, at_s)
    return watch


def test_habits_are_learned_in_the_still_phase_by_the_rule_of_logs() -> None:
    heard = frames(12.0)
    watch = watched(heard, 12.0)
    early = np.array([time_s for time_s, _ in heard if time_s < 10.0])
    keys = np.array([key for time_s, key in heard if time_s < 10.0])
    expected = {one.key: one.limit_s for one in habits(early, keys)}
    assert {one.key: one.limit_s for one in watch.judged} == pytest.approx(expected)
    assert watch.learned_s == pytest.approx(10.0)
    assert not watch.lost


def test_a_speaker_drops_out_when_its_own_limit_is_over_and_comes_back_with_its_next_frame() -> None:
    heard = frames(30.0, [(2, 20.0, 21.0)])
    during = watched(heard, 20.5)
    assert [one.key for one in during.lost] == [2]
    assert not watched(heard, 20.35).lost  # last heard at 19.902 s, limit 0.5 s
    after = watched(heard, 22.0)
    assert not after.lost
    assert after.voices[2].losses == 1
    assert after.voices[2].gap_s == pytest.approx(21.002 - 19.902)


def test_a_drop_that_is_over_before_anybody_looked_is_found_in_the_frames() -> None:
    watch = watched(frames(30.0, [(2, 20.0, 21.0)]), 30.0, step_s=5.0)
    assert watch.voices[2].losses == 1
    (drop,) = drops(watch)
    assert drop.keys == {2}
    assert drop.at_s == pytest.approx(19.902)


def test_who_drops_out_together_is_one_drop() -> None:
    watch = watched(frames(40.0, [(1, 20.0, 21.0), (2, 20.0, 25.0), (3, 30.0, 31.0)]), 40.0)
    assert [one.keys for one in drops(watch)] == [{1, 2}, {3}]


def test_who_spoke_too_seldom_is_not_judged() -> None:
    heard = sorted(frames(20.0) + [(n + 0.5, 9) for n in range(12)])
    watch = watched(heard, 20.0)
    assert [one.key for one in watch.judged] == [1, 2, 3]
    assert watch.voices[9].count == 12
    assert not watch.lost


def test_a_still_phase_in_which_nobody_is_heard_goes_on_until_somebody_is() -> None:
    assert watched([], 30.0).learned_s is None
    late = [(time_s + 25.0, key) for time_s, key in frames(10.0)]
    assert watched(late, 35.0).learned_s == pytest.approx(26.95)


def test_a_drop_in_the_still_phase_counts_for_the_time_without() -> None:
    watch = watched(frames(30.0, [(2, 4.0, 8.0)]), 30.0, [(15.0, "X1")])
    assert watch.voices[2].losses == 1
    assert (tied(watch, "X1").others, tied(watch, "X1").together) == (1, ())


def test_drops_are_compared_with_the_rest_of_the_watch_exactly() -> None:
    holes = [(2, 22.0 + 4 * n, 23.0 + 4 * n) for n in range(4)] + [(3, 70.0, 71.0)]
    found = tied(watched(frames(100.0, holes), 100.0, [(20.0, "X1"), (40.0, "X2"), (60.0, "")]), "X1")
    assert (len(found.together), found.others, found.unsure) == (4, 1, 0)
    assert [found.moved_s, found.rest_s] == pytest.approx([20.0, 80.0])
    by_hand = sum(math.comb(5, k) * 0.2**k * 0.8 ** (5 - k) for k in (4, 5))
    assert found.p == pytest.approx(by_hand)
    assert found.sure is (by_hand <= CHANCE) is True


def test_a_place_moved_twice_is_one_place() -> None:
    watch = watched(frames(60.0, [(2, 22.0, 23.0), (2, 42.0, 43.0)]), 60.0, [(20.0, "X1"), (30.0, ""), (40.0, "X1")])
    found = tied(watch, "X1")
    assert len(found.together) == 2
    assert found.moved_s == pytest.approx(30.0)
    assert watch.places == ("X1",)


def test_a_drop_that_may_lie_on_either_side_of_a_word_counts_for_neither() -> None:
    # Last heard at 19.902 s and due by 20.002 s: whether it was lost before or after the word nobody can tell.
    watch = watched(frames(60.0, [(2, 20.0, 21.0)]), 60.0, [(15.0, "X1"), (19.95, "X2")])
    for place in ("X1", "X2"):
        found = tied(watch, place)
        assert (found.together, found.others, found.unsure) == ((), 0, 1)
    assert place_of(watch, drops(watch)[0]) == ""


def test_nobody_heard_to_the_end_counts_as_switched_off_and_somebody_back_makes_it_a_drop() -> None:
    everybody = [(key, 30.0, 40.0) for key in (1, 2, 3)]
    words = [(20.0, "X1")]
    off = watched(frames(30.0), 39.0, words)
    assert off.all_lost
    assert drops(off) == ()
    assert tied(off, "X1").moved_s == pytest.approx(9.9, abs=0.05)  # the time in which somebody was heard
    back = watched(frames(60.0, everybody), 60.0, words)
    assert [one.keys for one in drops(back)] == [{1, 2, 3}]
    assert heard_s(back, 0.0, 60.0) == pytest.approx(60.0 - 10.1, abs=0.05)


def test_the_state_before_is_left_as_it_was() -> None:
    before = watched(frames(20.0), 20.0)
    voices, spells = dict(before.voices), before.spells
    move(hear(pass_time(before, 25.0), np.array([25.1]), np.array([1])), 25.2, "X1")
    assert dict(before.voices) == voices
    assert before.spells == spells
    assert before.now_s == pytest.approx(20.0)


def test_sound_places_react_by_chance_less_often_than_the_belief_takes_them_to() -> None:
    """1,000 watches with drops that have nothing to do with what is moved, looked at again at every drop.

    The belief takes a sound place to react in 3 of 100 (``evidence.FALSE_MOVE``).
    """
    chance = np.random.default_rng(20310405)
    places = wrong = 0
    for _ in range(1000):
        rate_hz = 10 ** chance.uniform(-2.5, -0.7)
        still_s, each_s, count = 30.0, chance.uniform(15.0, 40.0), int(chance.integers(2, 12))
        end_s = still_s + each_s * count
        moments = np.sort(chance.uniform(0.0, end_s, chance.poisson(rate_hz * end_s)))
        for at in range(count):
            begin_s = still_s + at * each_s
            looks = [one for one in moments if begin_s <= one < begin_s + each_s] + [begin_s + each_s, end_s]
            places += 1
            wrong += any(_sure(moments, begin_s, min(begin_s + each_s, look), look) for look in looks)
    assert places > 5000
    print(f"{wrong} of {places} sound places reacted by chance")
    assert 0 < wrong / places <= 0.03


def _sure(moments: np.typing.NDArray[np.float64], begin_s: float, until_s: float, now_s: float) -> bool:
    """As ``tied`` judges at a moment; by scipy's binomial distribution, which is the same sum."""
    from scipy.special import bdtrc

    inside = int(np.count_nonzero((moments >= begin_s) & (moments <= until_s)))
    total = int(np.count_nonzero(moments <= now_s))
    return inside > 0 and float(bdtrc(inside - 1, total, (until_s - begin_s) / now_s)) <= CHANCE
