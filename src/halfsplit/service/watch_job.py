"""What a watched bus writes into a job: each drop as it happens, who dropped out together, and places that were moved.

Each thing is written in a step of its own as soon as it is known, so that whatever ends the watch takes nothing away,
and each can be taken back by itself. A drop is a note at once. Controllers that dropped out together are observations
as ``bus_evidence`` writes them from a log. A place that was moved becomes the ordinary observation of moving: that it
reacted when chance is out of the question, that nothing changed when it was moved long enough and a fault there would
have shown, see ``Places``.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from halfsplit.buslog.tied import Tied
from halfsplit.circuit.observing import silence_code
from halfsplit.diagnosis.checks import Check, check_zones
from halfsplit.diagnosis.explaining import check_words
from halfsplit.diagnosis.naming import named, state_name
from halfsplit.errors import NotFound, UserError
from halfsplit.jobs.events import AccessOpened, Happening, NoteAdded, ObservationRecorded
from halfsplit.jobs.model import Job
from halfsplit.jobs.recording import record_all
from halfsplit.jobs.store import Overtaken
from halfsplit.machine.model import Machine
from halfsplit.observations import CodeSeen, Move, Showing
from halfsplit.service.bus_evidence import MOST_SETS
from halfsplit.service.desk import Desk, Standing

CODES: dict[str, str] = {
    "watch-barred": "Nobody may be at a place in the state the machine is set to.",
}

#: Moving a spot tells something when faults with this share of its odds would silence a controller. Invented.
SHOWS = 0.5
#: Times that somebody else may write first before a finding is given up. Invented.
MOST_OVERTAKEN = 20


class Places:
    """The places of a machine that can be moved, and what the bus tells of each, worked out before the watch."""

    def __init__(self, standing: Standing, state: str, beside: str) -> None:
        self._standing = standing
        self._state = state
        self._beside = beside
        self.machine: Machine = standing.machine
        space = standing.hunt.bench.space
        self._numbers: dict[str, list[int]] = {}
        for number, fault in enumerate(space.faults):
            if "move" in fault.mode.looks:
                for place in {fault.owner, fault.place}:
                    self._numbers.setdefault(place, []).append(number)
        self._table = standing.hunt.bench.signatures.state(state)

    @property
    def names(self) -> tuple[str, ...]:
        """Everything that can be named as being moved."""
        machine = self.machine
        return tuple(dict.fromkeys((*machine.connectors, *machine.runs, *machine.parts, *self._numbers)))

    def find(self, text: str) -> str:
        """The place meant, whatever the case of its letters. Raises NotFound, or UserError("watch-barred")."""
        names = self.names
        folded = {one.casefold(): one for one in reversed(names)}
        place = text if text in names else folded.get(text.casefold(), "")
        if not place:
            whole = [one for one in names if "." not in one and "@" not in one]
            raise NotFound("place", text, names if "." in text or "@" in text else whole)
        self._look_out(place)
        return place

    def _look_out(self, place: str) -> None:
        check = self.check(place)
        if check is None:
            return
        barred = self.machine.kept_out_by(check_zones(self.machine, check), check.steps)
        there = [one for one in barred if one in self.machine.states[self._state].dangers]
        if there:
            raise UserError(
                "watch-barred",
                f"Nobody goes to {place} in the state {state_name(self.machine, self._state)}: {', '.join(there)}.",
                " ".join(dict.fromkeys(self.machine.ends(one) for one in there)),
            )

    def check(self, place: str) -> Check | None:
        """The check that moves a place or the connector it belongs to."""
        found = self._standing.check(f"move {place}") or self._standing.check(f"move {place.partition('.')[0]}")
        return found or self._standing.check(f"look by-eye {place.partition('@')[0]}")

    def cautions(self, place: str) -> tuple[str, ...]:
        """What to mind on the way to a place and at it."""
        check = self.check(place)
        return () if check is None else check_words(self._standing.hunt, check, self._standing.hunt.situation).cautions

    def said(self, place: str) -> str:
        """The place in words."""
        return named(self.machine, place)

    def tells(self, place: str, watched: Collection[str]) -> tuple[str, ...]:
        """Of what it tells that ``place`` was moved and none of the ``watched`` controllers dropped out.

        That is the place itself when each spot at it would have shown, else the spots that would: those where faults
        that silence one of them hold at least ``SHOWS`` of the odds.
        """
        space = self._standing.hunt.bench.space
        code = silence_code(self._beside)
        columns = [self._table.codes[name, code] for name in sorted(watched) if (name, code) in self._table.codes]
        silent: NDArray[np.bool_] = np.any(self._table.lines.codes[: space.rows, columns], axis=1)
        odds = np.zeros(space.rows)
        np.add.at(odds, space.hyp_row, self._standing.hunt.belief.there[: space.singles])
        numbers = self._numbers.get(place, [])
        spots: dict[str, list[int]] = {}
        for number in numbers:
            spots.setdefault(space.faults[number].place, []).append(number)
        shown = [
            spot for spot, members in spots.items() if _share(silent, odds, np.isin(space.row_fault, members)) >= SHOWS
        ]
        # A spot named like the place is its housing as a whole: written down alone it would speak for everything there.
        return (place,) if shown and len(shown) == len(spots) else tuple(one for one in shown if one != place)


def _share(silent: NDArray[np.bool_], odds: NDArray[np.float64], rows: NDArray[np.bool_]) -> float:
    """The share of the odds of some rows that silent ones hold."""
    whole = float(odds[rows].sum())
    return float(odds[rows & silent].sum()) / whole if whole > 0.0 else 0.0


@dataclass
class Keeper:
    """Writes what a watch finds into one job. ``others`` are the controllers on the bus of ``beside``, itself left out.

    ``opened`` are the access steps that stand open, ``written`` counts what was written.
    Each method gives what was written, in words. Raises UserError when the job does not take it.
    """

    desk: Desk
    job_id: str
    places: Places
    beside: str
    state: str
    others: frozenset[str]
    written: int = 0
    opened: list[str] = field(default_factory=list)
    _sets: list[frozenset[str]] = field(default_factory=list)

    def find(self, text: str) -> str:
        """The place meant. Raises NotFound, or UserError("watch-barred")."""
        return self.places.find(text)

    def cautions(self, place: str) -> tuple[str, ...]:
        """What to mind at a place."""
        return self.places.cautions(place)

    def note(self, text: str, minutes: float = 0.0) -> list[str]:
        """Words for the record."""
        self._keep([NoteAdded(text, minutes)])
        return []

    def fell(self, who: Collection[str], judged: Collection[str], note: str) -> list[str]:
        """Controllers that dropped out together while the other judged ones were heard; a set is written once."""
        silent = frozenset(who) & (self.others | {self.beside})
        if not silent - {self.beside} or silent in self._sets or len(self._sets) >= MOST_SETS:
            return []
        self._sets.append(silent)
        showing: Showing = "yes"
        seen = [
            CodeSeen(name, silence_code(self.beside), self.state, active=name in silent, showing=showing)
            for name in sorted(self.others & frozenset(judged))
        ]
        self._keep([ObservationRecorded(one, note=note if one.active else "") for one in seen])
        return [f"{one.controller} {'silent' if one.active else 'heard'}" for one in seen]

    def moved(self, found: Tied, watched: Collection[str], words: str, minutes: float) -> list[str]:
        """A place that reacted or was moved long enough without; of the latter only what ``watched`` would have shown.

        Gives what was written in words, or why nothing was.
        """
        place = found.place
        if found.sure:
            return self._moved(place, (place,), words, minutes, changed=True)
        spots = self.places.tells(place, self.others & frozenset(watched))
        if spots:
            return self._moved(place, spots, words, minutes, changed=False)
        self._keep([NoteAdded(f"bus watch: {words}", minutes)])
        return [f"a note only: no fault at {place} would silence a controller that is missed soon enough"]

    def _moved(self, place: str, spots: Sequence[str], note: str, minutes: float, *, changed: bool) -> list[str]:
        """The observations of moving, of the place or of spots at it, and what had to be opened for it."""
        check = self.places.check(place)
        own = check if check is not None and check.id == f"move {place}" else None
        opening: list[Happening] = [
            AccessOpened(step, self.places.machine.access[step].open_min)
            for step in (check.steps if check is not None else ())
            if step not in self.opened
        ]
        seen: list[Happening] = [
            ObservationRecorded(
                Move(spot, "", self.state, changed), own.id if own and spot == place else "",
                minutes if number == 0 else 0.0, note if number == 0 else "",
            )
            for number, spot in enumerate(spots)
        ]  # fmt: skip
        self._keep([*opening, *seen])
        self.opened += [one.step for one in opening if isinstance(one, AccessOpened)]
        return [f"{spot} moved: {'it reacted' if changed else 'nothing changed'}" for spot in spots]

    def _keep(self, happenings: Sequence[Happening]) -> Job:
        """Writes in one step after whatever others wrote meanwhile: none of it makes less true what was seen here."""
        for _ in range(MOST_OVERTAKEN):
            job = self.desk.job(self.job_id)
            try:
                kept = record_all(
                    self.desk.store, job, happenings, when=self.desk.when(), by=self.desk.by, sending=self.desk.sending
                )
            except Overtaken:
                continue
            self.written += len(happenings)
            return kept
        return record_all(self.desk.store, self.desk.job(self.job_id), happenings, when=self.desk.when())


def keeper(desk: Desk, job_id: str, *, named_of: Collection[str], beside: str, state: str) -> Keeper:
    """What writes into a job, with its machine worked out. Raises NotFound, UserError("log-beside")."""
    job = desk.job(job_id)
    standing = desk.standing(job)
    machine = standing.machine
    if state not in machine.states:
        raise NotFound("state", state, machine.states)
    own = _buses(machine, beside)
    others = frozenset(one for one in named_of if one != beside and own & _buses(machine, one))
    if not others:
        raise UserError(
            "log-beside",
            f"None of the controllers that were named is on a bus with {beside}.",
            "Say where the adapter is plugged in with --beside, and who is who with --address.",
        )
    return Keeper(
        desk, job.id, Places(standing, state, beside), beside, state, others, opened=list(standing.open_now)
    )


def _buses(machine: Machine, name: str) -> set[str]:
    part = machine.parts.get(name)
    if part is None or part.controller is None:
        raise NotFound("controller", name, [one.id for one in machine.parts.values() if one.controller is not None])
    return {member.bus for member in part.controller.buses}
