"""A bus watched while somebody moves one place of the harness after another: a frozen state and what carries it on.

The state is carried on by frames (``hear``), by the passing of time (``pass_time``) and by the words of whoever moves
(``move``, ``halt``); all times are seconds of one clock that the caller reads. In a first still phase, hands off, each
speaker's habit is learned by the rule of ``silences``; from then on a speaker that is not heard for longer than its own
limit has dropped out. Which speakers dropped out together is told as ``joint`` does for a log: the same frames read
from a log with the same limits give the same drops.

The order of frames between speakers does not matter, only that time passes after the frames before it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from halfsplit.buslog.joint import MOMENT_S, joint_silences
from halfsplit.buslog.silences import MOST_SENDERS, Habit, Silence, habits

#: How long nothing is moved at first. A controller that speaks once a second, as all do that report active trouble
#: codes (SAE J1939-73), has sent its 20 frames by then; common practice, no source.
STILL_S = 30.0


@dataclass(frozen=True, slots=True)
class Voice:
    """One speaker. ``period_s``, ``late_s`` and ``limit_s`` are None while it is not judged.

    ``lost`` says that it has dropped out and was not heard since, ``losses`` how often it dropped out, ``fell_s`` when
    it was heard last before the latest of those, and ``gap_s`` how long the latest one that ended was. ``recent`` holds
    the moments it was heard last before those that are not yet put together with others'.
    """

    key: int
    count: int
    first_s: float
    last_s: float
    period_s: float | None = None
    late_s: float | None = None
    limit_s: float | None = None
    lost: bool = False
    losses: int = 0
    fell_s: float = 0.0
    gap_s: float = 0.0
    recent: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class Drop:
    """Speakers that dropped out together, between ``at_s`` and ``latest_s``: no bus tells that moment any closer."""

    at_s: float
    latest_s: float
    keys: frozenset[int]


@dataclass(frozen=True, slots=True)
class Spell:
    """One place being moved; ``to_s`` is None while it still is."""

    place: str
    from_s: float
    to_s: float | None = None


@dataclass(frozen=True, eq=False)
class Watch:
    """How a watch stands. ``learned_s`` is None in the still phase, ``now_s`` the time up to which all was heard.

    ``settled`` holds the drops nobody can still join, ``deaf`` stretches in which no judged speaker was heard.
    ``uncounted`` are frames of more speakers than are told apart.
    """

    began_s: float
    still_s: float = STILL_S
    now_s: float = 0.0
    learned_s: float | None = None
    voices: Mapping[int, Voice] = field(default_factory=dict)
    learning: tuple[tuple[NDArray[np.float64], NDArray[np.int64]], ...] = ()
    settled: tuple[Drop, ...] = ()
    deaf: tuple[tuple[float, float], ...] = ()
    spells: tuple[Spell, ...] = ()
    uncounted: int = 0

    @property
    def judged(self) -> tuple[Voice, ...]:
        """The speakers whose habit is known, by key."""
        return tuple(one for _, one in sorted(self.voices.items()) if one.limit_s is not None)

    @property
    def lost(self) -> tuple[Voice, ...]:
        """Those that have dropped out and were not heard since, by key."""
        return tuple(one for one in self.judged if one.lost)

    @property
    def all_lost(self) -> bool:
        """Whether nobody is heard any more who was judged; that may be a machine switched off."""
        judged = self.judged
        return bool(judged) and all(one.lost for one in judged)

    @property
    def moving(self) -> str:
        """The place being moved, "" when none is."""
        return self.spells[-1].place if self.spells and self.spells[-1].to_s is None else ""

    @property
    def places(self) -> tuple[str, ...]:
        """The places moved so far, in the order they were first moved."""
        return tuple(dict.fromkeys(one.place for one in self.spells))


def begin(at_s: float, still_s: float = STILL_S) -> Watch:
    """A watch that begins with its still phase."""
    return Watch(at_s, still_s, now_s=at_s)


def hear(watch: Watch, time_s: NDArray[np.float64], key: NDArray[np.int64]) -> Watch:
    """The watch after more frames: times (n,) in seconds, in any order, and whose each is (n,)."""
    if not len(time_s):
        return watch
    order = np.lexsort((time_s, key))
    times, keys = time_s[order], key[order]
    edges = np.flatnonzero(np.diff(keys)) + 1
    voices = dict(watch.voices)
    watch = replace(watch, deaf=(*watch.deaf, *_deaf_until(watch, times, keys)))
    uncounted = watch.uncounted
    for mine in np.split(np.arange(len(keys)), edges):
        number, own = int(keys[mine[0]]), times[mine]
        known = voices.get(number)
        if known is None and len(voices) >= MOST_SENDERS:
            uncounted += len(own)
            continue
        voices[number] = _heard(known or Voice(number, 0, float(own[0]), float(own[0])), own)
    learning = watch.learning if watch.learned_s is not None else (*watch.learning, (times, keys))
    return replace(watch, voices=voices, learning=learning, uncounted=uncounted)


def _heard(voice: Voice, times: NDArray[np.float64]) -> Voice:
    count, last_s = voice.count + len(times), max(voice.last_s, float(times[-1]))
    if voice.limit_s is None:
        return replace(voice, count=count, last_s=last_s)
    begins = np.maximum(np.concatenate(((voice.last_s,), times[:-1])), voice.last_s)
    gaps = times - begins
    places = np.flatnonzero(gaps > voice.limit_s)
    gap_s = float(gaps[places[-1]]) if len(places) else voice.gap_s
    known = 1 if voice.lost and len(places) and places[0] == 0 else 0  # that one was noticed while it lasted
    new = tuple(begins[places[known:]].tolist())
    back = not voice.lost or last_s > voice.last_s
    return replace(
        voice, count=count, last_s=last_s, gap_s=gap_s, lost=not back, losses=voice.losses + len(new),
        fell_s=new[-1] if new else voice.fell_s, recent=(*voice.recent, *new),
    )  # fmt: skip


def _deaf_until(
    watch: Watch, times: NDArray[np.float64], keys: NDArray[np.int64]
) -> tuple[tuple[float, float], ...]:
    """The stretch that ends with these frames if nobody was heard for longer than each one's limit."""
    judged = watch.judged
    own = times[np.isin(keys, [one.key for one in judged])]
    if not judged or not len(own):
        return ()
    until, since = float(own.min()), max(one.last_s for one in judged)
    return ((since, until),) if all(until - one.last_s > (one.limit_s or 0.0) for one in judged) else ()


def pass_time(watch: Watch, now_s: float) -> Watch:
    """The watch when all frames before ``now_s`` were heard: the still phase ends, or whoever is overdue drops out."""
    now_s = max(now_s, watch.now_s)
    watch = replace(watch, now_s=now_s)
    if watch.learned_s is None:
        if now_s - watch.began_s < watch.still_s:
            return watch
        watch = _learned(watch)
    voices = dict(watch.voices)
    for number, one in watch.voices.items():
        if one.limit_s is not None and not one.lost and now_s - one.last_s > one.limit_s:
            voices[number] = replace(
                one, lost=True, losses=one.losses + 1, fell_s=one.last_s, recent=(*one.recent, one.last_s)
            )
    return _settle(replace(watch, voices=voices))


def _learned(watch: Watch) -> Watch:
    """The watch with the habits of its still phase; one in which nobody spoke often enough goes on."""
    if not watch.learning:
        return watch
    times = np.concatenate([one for one, _ in watch.learning])
    keys = np.concatenate([one for _, one in watch.learning])
    order = np.argsort(times, kind="stable")
    voices = dict(watch.voices)
    judged = False
    for habit in habits(times[order], keys[order]):
        if habit.limit_s is None:
            continue
        judged = True
        over = [one for one in habit.silences if not one.to_end]  # who still is silent drops out when its time is up
        voices[habit.key] = replace(
            voices[habit.key], period_s=habit.period_s, late_s=habit.late_s, limit_s=habit.limit_s, losses=len(over),
            fell_s=over[-1].from_s if over else 0.0, gap_s=over[-1].seconds if over else 0.0,
            recent=tuple(one.from_s for one in over),
        )  # fmt: skip
    return replace(watch, voices=voices, learned_s=watch.now_s, learning=()) if judged else watch


def _joined(voices: Sequence[Voice]) -> list[Drop]:
    """The recent drops of all speakers, put together where they began together."""
    found = [
        Habit(
            one.key, one.count, one.first_s, one.last_s, one.period_s, None, one.late_s, one.limit_s,
            tuple(Silence(one.key, begin, begin + (one.limit_s or 0.0)) for begin in one.recent),
        )
        for one in voices
        if one.recent
    ]  # fmt: skip
    late = {one.key: max(one.late_s or 0.0, MOMENT_S) for one in found}
    return [
        Drop(event.at_s, min(one.from_s + late[one.key] for one in event.silences), event.keys)
        for event in joint_silences(found)
    ]


def _settle(watch: Watch) -> Watch:
    """Puts aside the drops that nobody can join any more: whoever is overdue by then is known to be."""
    judged = watch.judged
    if not any(one.recent for one in judged):
        return watch
    longest = max(one.limit_s or 0.0 for one in judged)
    settled = []
    for drop in _joined(judged):
        if drop.latest_s + longest >= watch.now_s:
            break
        settled.append(drop)
    if not settled:
        return watch
    voices = dict(watch.voices)
    for drop in settled:
        for number in drop.keys:
            voices[number] = replace(voices[number], recent=voices[number].recent[1:])
    return replace(watch, voices=voices, settled=(*watch.settled, *settled))


def move(watch: Watch, at_s: float, place: str) -> Watch:
    """The watch when ``place`` begins to be moved; what was being moved before is let go."""
    watch = halt(watch, at_s)
    return replace(watch, spells=(*watch.spells, Spell(place, max(at_s, watch.began_s))))


def halt(watch: Watch, at_s: float) -> Watch:
    """The watch when nothing is moved any more."""
    if not watch.moving:
        return watch
    last = watch.spells[-1]
    return replace(watch, spells=(*watch.spells[:-1], replace(last, to_s=max(at_s, last.from_s))))


def drops(watch: Watch) -> tuple[Drop, ...]:
    """All drops in order of time, but for those that stand while nobody at all is heard: that may be switching off."""
    found = (*watch.settled, *_joined(watch.judged))
    if not watch.all_lost:
        return found
    return tuple(
        one for one in found if not all(watch.voices[number].last_s <= one.at_s for number in one.keys)
    )


def heard_s(watch: Watch, from_s: float, to_s: float) -> float:
    """Seconds between two times in which a drop would have shown: those in which anybody was heard."""
    silent = list(watch.deaf)
    if watch.all_lost:
        silent.append((max(one.last_s for one in watch.judged), watch.now_s))
    return max(0.0, to_s - from_s - sum(max(0.0, min(to, to_s) - max(begin, from_s)) for begin, to in silent))
