"""A watch of a live bus: frames and words go in, what is to be told at once comes out, and findings are kept.

Frames and words come with their times; nothing here reads a clock or a bus. ``keeper`` writes into a job what is found,
or is None: then nothing is written down, and the watch only tells.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Protocol

from halfsplit.buslog.live import Heard
from halfsplit.buslog.silences import FEWEST_FRAMES
from halfsplit.buslog.speakers import speaker
from halfsplit.buslog.tied import Tied, place_of, tied
from halfsplit.buslog.watching import (
    STILL_S,
    Drop,
    Voice,
    Watch,
    begin,
    drops,
    halt,
    hear,
    move,
    pass_time,
)
from halfsplit.errors import UserError, nearest
from halfsplit.quantities import duration_s
from halfsplit.service.watch_results import (
    Board,
    BoardRow,
    DropSaid,
    PlaceSaid,
    State,
    Told,
    Verdict,
    WatchSaid,
    moved_words,
    per_min,
    times,
)

CODES: dict[str, str] = {
    "watch-word": "A word given during a watch of the bus is not known.",
    "watch-still": "A place is to be moved while the watch still learns how often each controller speaks.",
    "watch-job": "A watch of the bus is to write into a job, and it was not said where and how it listens.",
    "watch-time": "A time of a watch is too short or too long.",
}

#: A place moved for this long without a drop was moved enough to say that nothing changed; common practice, no source.
ENOUGH_S = 20.0
#: Only controllers that are missed within this time tell that nothing happened: what contact a hand makes and breaks
#: comes back sooner. Common practice, no source.
QUICK_S = 1.0
#: Longest still phase and watch, seconds: frames of the still phase are kept in memory. Invented.
LONGEST_STILL_S = 600.0
LONGEST_S = 24 * 3600.0
#: Seconds for which the board says that somebody is back. Invented.
BACK_SHOWN_S = 3.0
#: Drops of one place that are each noted in the job; more are counted in what is written at its end. Invented.
MOST_NOTED = 20
WORDS = ("now", "stop", "note", "quit")


class Keeping(Protocol):
    """What writes into a job and gives in words what it wrote; see ``watch_job.Keeper``."""

    written: int

    def note(self, text: str, minutes: float = 0.0) -> list[str]:
        """Words for the record."""

    def fell(self, who: frozenset[str], judged: frozenset[str], note: str) -> list[str]:
        """Controllers that dropped out together."""

    def moved(self, found: Tied, watched: frozenset[str], words: str, minutes: float) -> list[str]:
        """A place that reacted, or that was moved enough without; in words what was written, or why nothing was."""

    def find(self, text: str) -> str:
        """The place meant."""

    def cautions(self, place: str) -> tuple[str, ...]:
        """What to mind at a place."""


def still_s(text: str) -> float:
    """The length of the still phase. Raises UserError("watch-time") or of quantities."""
    return _within(duration_s(text), 1.0, LONGEST_STILL_S) if text else STILL_S


def length_s(text: str) -> float | None:
    """The length of the watch, None when it has no end of its own. Raises UserError("watch-time")."""
    return _within(duration_s(text), 0.1, LONGEST_S) if text else None


def _within(seconds: float, least_s: float, most_s: float) -> float:
    if not least_s <= seconds <= most_s:
        raise UserError("watch-time", f"{seconds:g} s is too short or too long.", f"Give {least_s:g} to {most_s:g} s.")
    return seconds


@dataclass
class Watching:
    """A watch under way. ``named`` tells controllers by source address."""

    at_s: float
    still_s: float = STILL_S
    named: Mapping[int, str] = field(default_factory=dict)
    keeper: Keeping | None = None
    job: str = ""

    def __post_init__(self) -> None:
        self.watch: Watch = begin(self.at_s, self.still_s)
        self.errors = 0
        self.not_written: list[str] = []
        self._settled = 0  # drops of watch.settled that were worked in
        self._due: list[tuple[float, str]] = []  # places let go, and when what happened meanwhile is known
        self._said: dict[str, Verdict] = {}  # verdicts reached, by place
        self._noted: dict[str, int] = {}
        self._counted_s: dict[str, float] = {}  # seconds of moving that were written down, by place
        self._silent_told = False

    def restart(self, at_s: float) -> None:
        """Begins anew at a time, before anything was heard: making ready takes a while."""
        self.watch = begin(at_s, self.still_s)

    def name(self, key: int) -> str:
        """A speaker in words."""
        one = speaker(key)
        return self.named.get(one.source, one.said) if one.source is not None else one.said

    def hear(self, heard: Heard) -> list[Told]:
        """Works in frames that came, and the time up to which all came."""
        before = self.watch
        self.errors += heard.errors
        self.watch = pass_time(hear(self.watch, heard.time_s, heard.key), heard.until_s)
        told: list[Told] = []
        if before.learned_s is None:
            told += self._learning()
        told += self._changes(before)
        told += self._joint()
        if _losses(self.watch) > _losses(before):
            for place in dict.fromkeys((self.watch.moving, *(place for _, place in self._due))):
                told += self._judge(place) if place else []
        for due_s, place in self._due:
            if self.watch.now_s >= due_s:
                told += self._judge(place, over=True)
        self._due = [one for one in self._due if self.watch.now_s < one[0]]
        return told

    def _learning(self) -> list[Told]:
        watch = self.watch
        if watch.learned_s is None:
            over = watch.now_s - watch.began_s >= watch.still_s
            if over and not self._silent_told:
                self._silent_told = True
                who = "Nobody is heard" if not watch.voices else "Nobody speaks often enough to be judged"
                return [
                    Told(
                        "trouble",
                        f"{who}. Is the key on, the adapter at the bus, and the bit rate right? The still phase goes "
                        "on until somebody is heard.",
                    )
                ]
            return []
        limits = ", ".join(f"{self.name(one.key)} after {one.limit_s:.2g} s" for one in watch.judged)
        told = [Told("phase", f"Learned. Lost when not heard: {limits}. Now move, and say what: now X12.")]
        seldom = [self.name(one.key) for one in watch.voices.values() if one.limit_s is None]
        if seldom:
            told.append(
                Told("phase", f"Spoke fewer than {FEWEST_FRAMES} times and cannot be judged: {', '.join(seldom)}.")
            )
        return told

    def _changes(self, before: Watch) -> list[Told]:
        """Who dropped out and who is back, told and noted at once."""
        watch = self.watch
        fallen = [one for one in watch.judged if one.losses > _known(before, one.key).losses]
        back = [
            one
            for one in watch.judged
            if not one.lost and (_known(before, one.key).lost or one in fallen) and one.losses
        ]
        told = []
        if fallen:
            text = self._fallen(fallen)
            told.append(Told("drop", text))
            told += self._note_drop(text)
        for one in back:
            told.append(Told("back", f"{self.name(one.key)} is heard again after {one.gap_s:.2f} s."))
        return told

    def _fallen(self, fallen: list[Voice]) -> str:
        watch = self.watch
        moment = Drop(
            max(one.fell_s for one in fallen), min(one.fell_s + (one.late_s or 0.0) for one in fallen), frozenset()
        )
        place = place_of(watch, moment) if moment.at_s <= moment.latest_s else watch.moving
        who = ", ".join(self.name(one.key) for one in fallen)
        everybody = "; nobody is heard any more" if watch.all_lost and len(watch.judged) > 1 else ""
        while_moving = f" while {place} is moved" if place else "; nothing is being moved" if not watch.moving else ""
        return f"{who} dropped out at {moment.at_s - watch.began_s:.1f} s{while_moving}{everybody}."

    def _note_drop(self, text: str) -> list[Told]:
        place = self.watch.moving
        self._noted[place] = self._noted.get(place, 0) + 1
        if self.keeper is None or self._noted[place] > MOST_NOTED:
            return []
        return self._keep(f"bus watch: {text}", lambda keeper: keeper.note(f"bus watch: {text}"))

    def _joint(self) -> list[Told]:
        """Writes down who dropped out together, once nobody can join any more and somebody is heard."""
        told: list[Told] = []
        while self._settled < len(self.watch.settled) and not self.watch.all_lost:
            told += self._fell(self.watch.settled[self._settled])
            self._settled += 1
        return told

    def _fell(self, drop: Drop) -> list[Told]:
        who = frozenset(self.name(key) for key in drop.keys)
        # Of the others only those were surely heard that would have been missed within the time it lasted.
        lasted_s = min(self._lasted_s(drop, self.watch.voices[key]) for key in drop.keys)
        heard = (self.name(one.key) for one in self.watch.judged if (one.limit_s or 0.0) <= lasted_s)
        judged = who | frozenset(heard)
        note = f"dropped out at {drop.at_s - self.watch.began_s:.1f} s of a bus watch"
        return self._keep(
            f"{', '.join(sorted(who))} {note}", lambda keeper: keeper.fell(who, judged, note)
        )

    def _lasted_s(self, drop: Drop, one: Voice) -> float:
        """How long a speaker was silent in a drop, at least."""
        if not drop.at_s - (one.limit_s or 0.0) <= one.fell_s <= drop.at_s:
            return one.limit_s or 0.0  # it dropped out again since
        return self.watch.now_s - one.fell_s if one.lost else one.gap_s

    @property
    def _quick_s(self) -> float:
        """The longest limit of those that are missed soon."""
        limits = [one.limit_s for one in self.watch.judged if one.limit_s is not None]
        return max((one for one in limits if one <= QUICK_S), default=max(limits, default=0.0))

    def _judge(self, place: str, *, over: bool = False) -> list[Told]:
        """What is known of a place now; when its moving is ``over`` also that nothing changed, or is undecided."""
        found = tied(self.watch, place)
        quick = frozenset(self.name(one.key) for one in self.watch.judged if (one.limit_s or 0.0) <= QUICK_S)
        told: list[Told] = []
        words = moved_words(found)
        if found.sure and self._said.get(place) != "reacted":
            self._said[place] = "reacted"
            told.append(Told("result", words))
            told += self._keep(words, lambda keeper: keeper.moved(found, quick, words, self._minutes(found)))
        elif over:
            told.append(Told("result", words))
            unknown_s = max((due_s - self.watch.now_s for due_s, one in self._due if one == place), default=0.0)
            enough = self._enough(found, max(0.0, unknown_s))
            if enough and place not in self._said:
                self._said[place] = "nothing"
                told += self._keep(words, lambda keeper: keeper.moved(found, quick, words, self._minutes(found)))
            else:
                if not found.together and not found.unsure and found.moved_s < ENOUGH_S:
                    told.append(Told("result", f"Too short to say that nothing changes: move it {ENOUGH_S:.0f} s."))
                told += self._keep(words, lambda keeper: keeper.note(f"bus watch: {words}"))
        return told

    def _minutes(self, found: Tied) -> float:
        """Minutes a place was moved that were not written down yet; they then are."""
        before, self._counted_s[found.place] = self._counted_s.get(found.place, 0.0), found.moved_s
        return max(0.0, found.moved_s - before) / 60

    @staticmethod
    def _enough(found: Tied, unknown_s: float = 0.0) -> bool:
        """Whether a place was moved long enough without a drop, ``unknown_s`` of which nobody can tell yet."""
        return not found.together and not found.unsure and found.moved_s - unknown_s >= ENOUGH_S

    def _keep(self, what: str, write: Callable[[Keeping], list[str]]) -> list[Told]:
        """Writes into the job; what it does not take is told, and told again at the end."""
        if self.keeper is None:
            return []
        try:
            return [Told("written", one) for one in write(self.keeper)]
        except UserError as error:
            self.not_written.append(f"{what} ({error})")
            return [Told("trouble", f"Not written down: {error}")]

    def word(self, line: str, at_s: float) -> list[Told]:
        """A word of whoever moves: now PLACE, stop, note WORDS.

        One that is not understood lets go of what was being moved: the hand may be elsewhere by then.
        """
        head, _, rest = line.strip().rstrip(".!").partition(" ")
        rest = rest.strip()
        try:
            match head.casefold():
                case "note" if rest:
                    return [Told("word", "Noted."), *self._keep(rest, lambda keeper: keeper.note(rest))]
                case "stop" if not rest and not self.watch.moving:
                    return [Told("word", "Nothing was being moved.")]
                case "stop" if not rest:
                    return self._halt(at_s)
            told = self._halt(at_s)
            if head.casefold() == "now" and rest:
                return told + self._move(rest, at_s)
            raise _unknown(head, line)
        except UserError as error:
            return [*told, Told("trouble", f"{error} Nothing is being moved now.")]

    def _move(self, text: str, at_s: float) -> list[Told]:
        if self.watch.learned_s is None:
            left = self.watch.began_s + self.watch.still_s - at_s
            raise UserError(
                "watch-still",
                "Hands off: how often each controller speaks is still being learned.",
                f"Say it again in {left:.0f} s." if left > 0 else "Nobody is heard yet.",
            )
        place = text if self.keeper is None else self.keeper.find(text)
        first = place not in self.watch.places
        self.watch = move(self.watch, at_s, place)
        told = [Told("word", f"Moving {place}.")]
        if first and self.keeper is not None:
            told += [Told("caution", one) for one in self.keeper.cautions(place)]
        return told

    def _halt(self, at_s: float) -> list[Told]:
        place = self.watch.moving
        if not place:
            return []
        self.watch = halt(self.watch, at_s)
        self._due.append((at_s + self._quick_s, place))
        return [Told("word", f"{place} let go.")]

    def finish(self, at_s: float) -> list[Told]:
        """Ends the watch: what is being moved is let go, and every place looked at once more against all of it."""
        told = self._halt(at_s)
        for place in dict.fromkeys(place for _, place in self._due):
            told += self._judge(place, over=True)
        if self.watch.learned_s is not None:
            left = drops(self.watch)[self._settled :]
            for one in left:
                told += self._fell(one)
            self._settled += len(left)
            for place in self.watch.places:
                if self._said.get(place) != "reacted":
                    told += self._judge(place)
        if self.keeper is not None and self.watch.learned_s is not None:
            counted_s = sum(self._counted_s.values())
            minutes = max(0.0, self.watch.now_s - self.watch.began_s - counted_s) / 60
            text = (
                f"bus watch of {self.watch.now_s - self.watch.began_s:.0f} s: {len(self.watch.judged)} controllers "
                f"judged, {times(len(drops(self.watch)), 'drop')}, {times(len(self.watch.places), 'place')} moved"
            )
            told += self._keep(text, lambda keeper: keeper.note(text, minutes))
        return told

    def board(self, now_s: float) -> Board:
        """The board at a time."""
        watch = self.watch
        learning = None if watch.learned_s is not None else max(0.0, watch.began_s + watch.still_s - now_s)
        return Board(
            learning, watch.moving, now_s - watch.spells[-1].from_s if watch.moving else 0.0, self._rows(now_s),
            tuple(self.name(one.key) for one in watch.lost),
            tuple(
                self.name(one.key)
                for one in watch.judged
                if one.losses and not one.lost and now_s - one.fell_s - one.gap_s < BACK_SHOWN_S
            ),
            watch.all_lost and len(watch.judged) > 1,
            len(drops(watch)), self.errors, now_s - watch.began_s,
        )  # fmt: skip

    def _rows(self, now_s: float) -> tuple[BoardRow, ...]:
        watch = self.watch
        rows = []
        for key, one in sorted(watch.voices.items()):
            state: State = "LOST" if one.lost else "HEARD"
            if one.limit_s is None and watch.learned_s is not None:
                state = "NEW" if one.first_s > watch.learned_s else "SELDOM"
            rows.append(
                BoardRow(self.name(key), state, max(0.0, now_s - one.last_s), one.period_s, one.limit_s, one.losses)
            )
        return tuple(rows)

    def _place(self, place: str) -> PlaceSaid:
        found = tied(self.watch, place)
        return PlaceSaid(
            place, found.moved_s, len(found.together), per_min(len(found.together), found.moved_s), found.others,
            found.rest_s, per_min(found.others, found.rest_s), found.share, found.p, found.unsure,
            self._verdict(found),
            moved_words(found),
        )  # fmt: skip

    def _verdict(self, found: Tied) -> Verdict:
        said = self._said.get(found.place, "undecided")
        return "undecided" if said == "nothing" and (found.together or found.unsure) else said

    def summary(self) -> WatchSaid:
        """Everything the watch found."""
        watch = self.watch
        everybody = {one.key for one in watch.judged}
        rows = self._rows(watch.now_s)
        return WatchSaid(
            job=self.job,
            seconds=watch.now_s - watch.began_s,
            learned=watch.learned_s is not None,
            speakers=rows,
            not_judged=tuple(one.name for one in rows if one.state in ("NEW", "SELDOM")),
            drops=tuple(
                DropSaid(
                    one.at_s - watch.began_s, tuple(sorted(map(self.name, one.keys))),
                    len(everybody) > 1 and one.keys == everybody, place_of(watch, one),
                )
                for one in drops(watch)
            ),
            switched_off=watch.all_lost,
            places=tuple(map(self._place, watch.places)),
            errors=self.errors,
            written=self.keeper.written if self.keeper is not None else 0,
            not_written=tuple(self.not_written),
        )  # fmt: skip


def _losses(watch: Watch) -> int:
    return sum(one.losses for one in watch.voices.values())


def _known(watch: Watch, key: int) -> Voice:
    return watch.voices.get(key) or Voice(key, 0, 0.0, 0.0)


def _unknown(head: str, line: str) -> UserError:
    near = nearest(head, WORDS)
    known = "Say now PLACE, stop, note WORDS or quit."
    return UserError(
        "watch-word", f'"{line.strip()}" is no word of a watch.', f"Did you mean {near}? {known}" if near else known
    )
