"""Writes jobs worked on practice machines into tests/data/twin: what the phone's odds are held against the server's by.

    scripts/twin_vectors.py [JOBS [MACHINE]]

Each job is a complaint and 5 to 30 things found after it, with the place at which the phone gets its table. Which
check is made next is drawn from all kinds, so that every kind of observation occurs; what it shows, the hidden machine
says. The same number of jobs gives the same files.
"""

from __future__ import annotations

import gzip
import json
import sys
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np

from halfsplit.diagnosis.checks import Check, operate, watch_check
from halfsplit.diagnosis.hunt import Bench, Hunt, Settings
from halfsplit.diagnosis.practice import Clock, hide
from halfsplit.machine.reading import load_machine
from halfsplit.observations import Action, Observation, OutOfReach, complaint_to_data, to_data
from halfsplit.service.kept_tables import tables
from halfsplit.service.phone_table import table_of

ROOT = Path(__file__).resolve().parent.parent
#: Machine, and of fifty jobs so many on it: the sweeper's take some minutes each.
MACHINES = {"hand-cart-generator": 48, "saltmarsh-sweeper": 2}
SEED = 51_001
#: Things found at least and at most.
FEWEST, MOST = 5, 30
#: Chances that the next thing is mending the likeliest place, or a place out of reach.
MENDS, OUT_OF_REACH = 0.12, 0.06

Found = tuple[Observation, Check | None]


class Job:
    """One practice job while it is being worked."""

    def __init__(self, bench: Bench, number: int) -> None:
        self.rng = np.random.default_rng([SEED, number])
        self.bench = bench
        self.world, self.complaint = hide(bench, self.rng, count=1 + int(self.rng.random() < 0.2))
        self.hunt = Hunt(bench, self.complaint, Settings(grow=False))
        self.clock = Clock(self.world)
        self.found: list[Found] = []
        self.known: set[str] | None = None

    def take(self, observation: Observation, check: Check | None) -> None:
        self.hunt.take(observation, check)
        self.found.append((observation, check))

    def step(self) -> None:
        drawn = self.rng.random()
        if drawn < MENDS and len(self.found) > 2:
            self.mend()
            return
        options = self.options()
        kinds = sorted({(one.kind, bool(one.unplugged)) for one in options})
        kind = kinds[int(self.rng.integers(len(kinds)))]
        alike = [one for one in options if (one.kind, bool(one.unplugged)) == kind]
        check = alike[int(self.rng.integers(min(len(alike), 12)))]
        if drawn > 1.0 - OUT_OF_REACH:
            self.take(OutOfReach(check.id), check)
            return
        own = check.kind in ("operate", "watch", "round")
        for seen in self.clock.check(check, self.hunt.watched()):
            self.take(seen, check if own or seen.KIND != "symptom" else None)
        apart = [one for one in check.unplugged if one in self.bench.machine.connectors]
        if check.look == "thorough":
            apart = [check.place]
        for place in apart:
            touched = Action("unplug-refit", place)
            self.world.act(touched)
            self.take(touched, None)

    def options(self) -> list[Check]:
        """Checks that tell something, best first; once the phone has its table, those that are in it."""
        hunt = self.hunt
        found = [one.check for one in hunt.planner.rank(hunt.belief, hunt.evidence, hunt.situation) if one.check]
        if self.known is not None:
            return [one for one in found if one.id in self.known] or [self.again()]
        if self.rng.random() < 0.3 and self.bench.machine.connectors:
            names = sorted(self.bench.machine.connectors)
            one = self.complaint.symptoms[0]
            name = names[int(self.rng.integers(len(names)))]
            found.append(watch_check(self.bench.machine, one.function, one.state, (name,)))
        return found or [self.again()]

    def again(self) -> Check:
        """Watching what was complained of once more."""
        one = self.complaint.symptoms[0]
        return operate(self.bench.machine, one.function, one.state)

    def mend(self) -> None:
        odds = self.hunt.belief.group_odds()
        group = self.bench.space.groups[int(np.argmax(odds))]
        self.take(self.clock.repair(group), None)
        for seen in self.clock.verify(self.complaint):
            self.take(seen, operate(self.bench.machine, seen.function, seen.state))

    def work(self) -> dict[str, Any]:
        """The job to its end, as JSON values."""
        whole = int(self.rng.integers(FEWEST, MOST + 1))
        begun = int(self.rng.integers(0, whole // 2 + 1))
        while len(self.found) < begun:
            self.step()
        split = len(self.found)
        self.known = {str(one["id"]) for one in table_of(self.hunt, self.found)["checks"]}
        while len(self.found) < whole:
            self.step()
        return {
            "machine": self.bench.machine.id,
            "complaint": complaint_to_data(self.complaint),
            "table_after": split,
            "found": [  # a last walk round finds many at once
                {"observation": to_data(what), "check": asdict(by) if by else None} for what, by in self.found[:MOST]
            ],
        }  # fmt: skip


def main() -> int:
    jobs = int(sys.argv[1]) if len(sys.argv) > 1 else 50
    folder = ROOT / "tests" / "data" / "twin"
    for machine, share in MACHINES.items():
        if sys.argv[2:] not in ([], [machine]):
            continue
        bench = Bench(load_machine(ROOT / "examples" / machine), tables())
        made = [Job(bench, number).work() for number in range(round(jobs * share / 50))]
        text = ",\n".join(json.dumps(one, sort_keys=True) for one in made)
        packed = gzip.compress(f"[\n{text}\n]\n".encode(), 9, mtime=0)
        (folder / f"{machine}.json.gz").write_bytes(packed)
        print(f"{machine}: {len(made)} jobs")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
