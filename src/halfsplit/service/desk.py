"""Where one person works: the store, the clock, who it is, and the machines looked at so far."""

from __future__ import annotations

import re
import tempfile
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from pathlib import Path

from halfsplit.diagnosis.checks import Check, clamped, operate, round_check, round_state, watch_check
from halfsplit.diagnosis.fixed_idea import FixedIdea, fixed_idea, one_place
from halfsplit.diagnosis.hunt import Bench, Hunt
from halfsplit.diagnosis.load_ohms import load_check, load_of
from halfsplit.diagnosis.planning import Decision
from halfsplit.errors import NotFound, UserError
from halfsplit.faults.signatures import Begin, TableStore
from halfsplit.jobs.attachments import MemoryShelf, Shelf
from halfsplit.jobs.events import AccessClosed, AccessOpened, ObservationRecorded, utc_text
from halfsplit.jobs.model import Job
from halfsplit.jobs.recording import load_job
from halfsplit.jobs.store import JobStore
from halfsplit.machine.model import Machine
from halfsplit.machine.reading import MACHINE_FILE, load_machine
from halfsplit.observations import Action, Observation, Reading
from halfsplit.service.beside import Processes
from halfsplit.service.odds_notes import JobNotes, OddsNotes, Stood, stood

CODES: dict[str, str] = {
    "job-none-open": "No job is open, so there is none to go on with.",
    "machine-changed": "The machine file kept with a job cannot be read by this version.",
}


@dataclass
class Desk:
    """One person's place of work. ``by`` goes into each entry.

    ``now`` gives the time with its zone, which is the one that days are counted in.
    ``shelf`` keeps the attachments, ``tables`` what was worked out about machines, ``notes`` the odds of jobs as they
    stood (None: nothing is kept).
    ``sending`` names the message that is being written down, "" where nothing is ever sent twice; it was made
    ``late_s`` seconds ago.
    ``begin`` works tables out elsewhere; left out, that is a process split off when the time comes.
    ``go_on`` is called between the pieces of long work; what it raises ends the work, and what was done is kept.

    Benches are kept by fingerprint, because the tables of a machine take a moment to make.
    """

    store: JobStore
    now: Callable[[], datetime]
    by: str = ""
    benches: dict[str, Bench] = field(default_factory=dict)
    standings: dict[str, Standing] = field(default_factory=dict)
    shelf: Shelf = field(default_factory=MemoryShelf)
    tables: TableStore | None = None
    sending: str = ""
    late_s: float = 0.0
    begin: Begin | None = None
    notes: OddsNotes | None = None
    go_on: Callable[[], None] = lambda: None

    def when(self) -> str:
        """The time as events keep it: that of the finding, where its message comes late."""
        return utc_text(self.now() - timedelta(seconds=self.late_s))

    def job(self, name: str | None = None) -> Job:
        """The job of that id; without one, the open job that was touched last. Raises NotFound, UserError."""
        if name:
            return load_job(self.store, name)
        lines = self.store.jobs(state="open")
        if not lines:
            raise UserError("job-none-open", "No job is open.", "Open one: halfsplit job open MACHINE.")
        latest = max(lines, key=lambda line: (line.changed, line.opened, line.id))
        return load_job(self.store, latest.id)

    def arrived(self, job_id: str) -> bool:
        """Whether the message of this desk's ``sending`` was written into the job before. Raises NotFound."""
        return bool(self.sending) and any(one.sending == self.sending for one in self.store.events(job_id))

    def bench(self, fingerprint: str) -> Bench:
        """The bench of a machine kept in the store. Raises NotFound."""
        if fingerprint not in self.benches:
            machine_id = next(
                (line.machine for line in self.store.jobs() if line.fingerprint == fingerprint), "machine"
            )
            machine = machine_of(self.store.get_machine(fingerprint), machine_id)
            self.benches[fingerprint] = Bench(machine, self.tables)
        return self.benches[fingerprint]

    def opened(self, job: Job) -> Standing:
        """The job as it stood when it was opened."""
        hunt = Hunt(self.bench(job.fingerprint), job.weighed)
        standing = Standing(hunt, list(job.complaint.symptoms))
        standing.numbers = [1] * len(standing.observations)
        if self.notes is not None:
            standing.notes = self.notes.of(job.id, job.fingerprint, job.weighed, len(hunt.bench.space.groups))
        return standing

    def standing(self, job: Job) -> Standing:
        """The job worked through again from its entries; what was worked through before is gone on with."""
        known = self.standings.get(job.id)
        ordered = job.in_time
        entries = entries_of(job)
        if known is not None and known.entries == entries[: len(known.entries)]:
            standing = known
        else:
            bench = self.bench(job.fingerprint)
            bench.prepare(job.complaint, self.begin or Processes().begin)
            standing = self.opened(job)
        self.standings[job.id] = standing
        for at in range(len(standing.entries), len(ordered)):
            self.go_on()
            try:
                if not ordered[at].undone:
                    standing.take(ordered[at].number, ordered[at].what)
            except BaseException:
                self.standings.pop(job.id, None)  # half of an entry is in it
                raise
            standing.entries = entries[: at + 1]
        return standing


@dataclass
class Standing:
    """How a job stands: its hunt, all observations with the numbers of their entries, minutes by place.

    ``checks`` holds for each observation after the complaint the check that showed it, if it was one.

    ``notes`` are its odds as they stood when a next step was told.

    ``warning`` is the fixed idea noticed at the last observation, once for each place.
    """

    hunt: Hunt
    observations: list[Observation]
    numbers: list[int] = field(default_factory=list)
    checks: list[Check | None] = field(default_factory=list)
    minutes_at: dict[str, float] = field(default_factory=dict)
    open_now: list[str] = field(default_factory=list)
    warning: FixedIdea | None = None
    warned: set[str] = field(default_factory=set)
    entries: tuple[tuple[int, bool], ...] = ()
    pending_min: float = 0.0
    asked: dict[str, Check] = field(default_factory=dict)
    notes: JobNotes | None = None

    @property
    def machine(self) -> Machine:
        """The machine the job is on."""
        return self.hunt.bench.machine

    def check(self, check_id: str) -> Check | None:
        """A check of this hunt by its id, those for a function in any state included."""
        for check in self.hunt.planner.checks:
            if check.id == check_id:
                return check
        if check_id in self.asked:
            return self.asked[check_id]
        if check_id.startswith("watch "):
            return watched(self.machine, check_id)
        part = self.machine.parts.get(load_of(check_id))
        if part is not None:
            return load_check(self.machine, part, self.hunt.states[0])
        if round_state(check_id) in self.machine.states:
            return round_check(self.machine, round_state(check_id))
        kind, _, rest = check_id.partition(" ")
        function, _, state = rest.rpartition(" in ")
        if kind == "operate" and function in self.machine.functions and state in self.machine.states:
            return operate(self.machine, function, state)
        return None

    def decide(self) -> Decision:
        """What to do next; remembers the checks offered, because some are made only for the moment."""
        decision = self.hunt.next()
        if self.notes is not None:
            self.notes.note(self.observations, self.hunt)
        for option in (decision.best, *decision.others):
            if option is not None and option.check is not None:
                self.asked[option.check.id] = option.check
        return decision

    def stood(self, within: float) -> Stood:
        """How the odds stand ``within`` so much: as they were noted when a step was told, or else worked out now."""
        noted = self.notes.after(self.observations) if self.notes is not None else None
        return noted or stood(self.hunt.belief_within(within))

    def take(self, number: int, what: object) -> None:
        """Works one more standing entry in."""
        if isinstance(what, AccessOpened):
            self._open(what.step)
            self.pending_min += what.minutes
        elif isinstance(what, AccessClosed):
            gone = {what.step, *_dependents(self.machine, what.step)}
            self.open_now = [step for step in self.open_now if step not in gone]
        elif isinstance(what, ObservationRecorded):
            self._observe(number, what)
        self.hunt.situation = replace(self.hunt.situation, open_steps=frozenset(self.open_now))

    def _open(self, step: str) -> None:
        if step in self.machine.access and step not in self.open_now:
            self.open_now.append(step)

    def _observe(self, number: int, what: ObservationRecorded) -> None:
        seen = what.observation
        check = self.check(what.check) if what.check else None
        if check is None and isinstance(seen, Reading):
            check = made_for(self.machine, what.check, seen)
        check = check if not isinstance(seen, Action) else None
        self.hunt.take(seen, check)
        self.checks.append(check)
        self.observations.append(seen)
        self.numbers.append(number)
        place = check.place if check is not None and check.zone else getattr(seen, "place", "")
        place = place.partition(".")[0].partition("@")[0]
        if place:
            self.minutes_at[place] = self.minutes_at.get(place, 0.0) + what.minutes + self.pending_min
            self.pending_min = 0.0
        self._look_out()

    def _look_out(self) -> None:
        self.warning = None
        place = one_place(self.minutes_at)
        if place is None or place in self.warned:
            return
        odds_at: dict[str, float] = {}
        groups = self.hunt.bench.space.groups
        for group, odds in zip(groups, self.hunt.belief.group_odds(), strict=True):
            odds_at[group.owner] = odds_at.get(group.owner, 0.0) + float(odds)
        found = fixed_idea(self.minutes_at, odds_at)
        if found is not None:
            self.warning = found
            self.warned.add(found.place)


def entries_of(job: Job) -> tuple[tuple[int, bool], ...]:
    """A job's entries in time, by number and whether they were taken back, as a standing knows how far it has come."""
    return tuple((entry.number, entry.undone) for entry in job.in_time)


def watched(machine: Machine, check_id: str) -> Check | None:
    """The check that watches a function with connectors apart, made again from its id."""
    said = re.fullmatch(r"watch (\S+) in (\S+), (.+) out", check_id)
    if said is None or said.group(1) not in machine.functions or said.group(2) not in machine.states:
        return None
    unplugged = said.group(3).split(" and ")
    if any(one not in machine.connectors and one not in machine.parts for one in unplugged):
        return None
    return watch_check(machine, said.group(1), said.group(2), unplugged)


def made_for(machine: Machine, check_id: str, seen: Reading) -> Check | None:
    """The check that a reading answered, made again from the reading when nothing else knows of it."""
    owner = clamped(machine).get(seen.plus, seen.plus) if seen.quantity == "amps" else seen.plus
    owner = owner.partition("@")[2] or owner
    owner = owner.partition(":")[0].partition(".")[0]
    things = [machine.parts.get(one) or machine.connectors.get(one) for one in (owner, *seen.unplugged)]
    first = things[0]
    if not check_id or first is None:
        return None
    steps = tuple(
        dict.fromkeys(
            step for thing in things if thing for step in machine.steps_for_zone(thing.zone, thing.access)
        )
    )
    kind = seen.quantity
    return Check(
        check_id, kind, owner, first.zone, steps, 0.0,
        state=seen.state, plus=seen.plus, minus=seen.minus, unplugged=seen.unplugged,
    )  # fmt: skip


def _dependents(machine: Machine, step: str) -> set[str]:
    """The steps that only hold while ``step`` is open."""
    found: set[str] = set()
    grew = True
    while grew:
        more = {
            other.id
            for other in machine.access.values()
            if {step, *found} & set(other.after) and other.id not in found
        }
        grew = bool(more)
        found |= more
    return found


def machine_files(path: Path) -> dict[str, bytes]:
    """The files of a machine folder that make the machine: machine.yaml and the wire list it names.

    Raises NotFound when there is no such file.
    """
    import yaml

    file = path / MACHINE_FILE if path.is_dir() else path
    if not file.is_file():
        raise NotFound("machine folder or file", str(path))
    text = file.read_bytes()
    files = {MACHINE_FILE: text}
    written = yaml.load(text.decode("utf-8"), Loader=yaml.CSafeLoader)
    wires = written.get("wires") if isinstance(written, dict) else None
    if isinstance(wires, str):
        files[wires] = (file.parent / wires).read_bytes()
    return files


def machine_of(files: Mapping[str, bytes], machine_id: str) -> Machine:
    """The machine that kept files make.

    ``machine_id`` names the folder, which is the id where none is written.
    """
    with tempfile.TemporaryDirectory(prefix="halfsplit-") as folder:
        home = Path(folder) / (machine_id or "machine")
        home.mkdir()
        for name, content in files.items():
            place = home / name
            place.parent.mkdir(parents=True, exist_ok=True)
            place.write_bytes(content)
        try:
            return load_machine(home)
        except UserError as error:
            raise UserError(
                "machine-changed",
                f"The machine file kept with this job cannot be read: {error}",
                "It was written by another version of halfsplit.",
            ) from error
