"""The phone's own odds and ranking against the server's, on the same jobs from practice machines, to 1e-9."""

from __future__ import annotations

import gzip
import json
import subprocess
from collections.abc import Callable
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from halfsplit.diagnosis.checks import Check
from halfsplit.diagnosis.hunt import Bench, Hunt, Settings
from halfsplit.diagnosis.living import live
from halfsplit.diagnosis.offers import BEST_SIFTED, TOLD_BEFORE
from halfsplit.diagnosis.planning import IDLE_RATE, WAIT_MOST
from halfsplit.diagnosis.telling import CLASS_SIDE, ByClass, as_read, entropy
from halfsplit.machine.reading import load_machine
from halfsplit.observations import Observation, complaint_from_data, from_data
from halfsplit.service.kept_tables import tables
from halfsplit.service.phone_table import table_of

ROOT = Path(__file__).resolve().parents[2]
ANSWERS = Path(__file__).with_name("answers.mjs")
#: How near the two must be; what is asked for is 1e-9.
NEAR = 1e-9
#: As in the phone's code.
ROUNDING = 1e-12
#: Checks that the phone ranks by the very numbers the server ranks by; for lamps the server estimates, and of ohms and
#: watching with a connector apart the phone has those that were worth asking for when it got its table.
SAME_RANK = ("volts", "drop", "amps", "operate", "code", "round", "look", "move")

Found = tuple[Observation, Check | None]


@cache
def bench_of(name: str) -> Bench:
    """A shipped machine, its tables made once for all tests of this process."""
    return Bench(load_machine(ROOT / "examples" / name), tables())


@pytest.fixture(scope="session")
def twin(bundled: Callable[[str], Path]) -> Path:
    """The phone's odds and ranking."""
    return bundled("src/twin/index.ts")


def jobs_of(machine: str) -> list[dict[str, Any]]:
    """The jobs kept for a machine."""
    found: list[dict[str, Any]] = json.loads(
        gzip.decompress((ROOT / "tests/data/twin" / f"{machine}.json.gz").read_bytes())
    )
    return found


def found_of(job: dict[str, Any]) -> list[Found]:
    """What was found in a job."""
    return [(from_data(one["observation"]), check_of(one["check"])) for one in job["found"]]


def check_of(data: dict[str, Any] | None) -> Check | None:
    """A check as it was written."""
    if data is None:
        return None
    given: dict[str, Any] = {
        name: tuple(value) if isinstance(value, list) else value for name, value in data.items()
    }
    return Check(**given)


def begun(job: dict[str, Any]) -> Hunt:
    """The hunt up to where the phone got its table. Two faults at once stay with the server."""
    hunt = Hunt(bench_of(job["machine"]), complaint_from_data(job["complaint"]), Settings(grow=False))
    hunt.record_all(found_of(job)[: job["table_after"]])
    return hunt


def answers(
    node: str, twin: Path, folder: Path, jobs: list[dict[str, Any]], told: list[dict[str, Any]]
) -> list[list[dict[str, Any]]]:
    """Where each job stands after each finding, as the phone has it."""
    sent = [
        {"table": table, "found": job["found"][job["table_after"] :]} for job, table in zip(jobs, told, strict=True)
    ]
    (folder / "jobs.gz").write_bytes(gzip.compress(json.dumps(sent).encode("utf-8"), 1))
    run = [node, "--max-old-space-size=3000", str(ANSWERS), str(twin), str(folder / "jobs.gz")]
    subprocess.run([*run, str(folder / "answers.json")], check=True)
    found: list[list[dict[str, Any]]] = json.loads((folder / "answers.json").read_text("utf-8"))
    return found


def same(hunt: Hunt, phone: dict[str, Any]) -> None:
    """Fails where the phone has it otherwise."""
    belief = hunt.belief
    for name in ("there", "gone"):
        np.testing.assert_allclose(np.array(phone[name]), getattr(belief, name), rtol=0, atol=NEAR, err_msg=name)
    assert phone["nothing"] == pytest.approx(belief.nothing, abs=NEAR)
    assert phone["other"] == pytest.approx(belief.other, abs=NEAR)
    assert phone["logEvidence"] == pytest.approx(belief.log_evidence, abs=NEAR * max(1.0, abs(belief.log_evidence)))


def same_rank(hunt: Hunt, phone: dict[str, Any], known: set[str]) -> int:
    """The same for what each check in the phone's table tells and takes; how many were compared."""
    hunt.situation = replace(hunt.situation, watched=frozenset(one.state for one in hunt.watched()))
    ranked = hunt.planner.rank(hunt.belief, hunt.evidence, hunt.situation)
    raw, clean = told_of(hunt)
    every = {one.check.id: one for one in ranked if one.check and one.check.kind in SAME_RANK}
    mine = {name: one for name, one in every.items() if name in known}
    kinds = {one.id: one.kind for one in hunt.planner.checks}
    theirs = {name: numbers for name, *numbers in phone["options"] if kinds.get(name) in SAME_RANK}
    # Which readings are looked at for whether they tell anything new depends on which are the best of all, lamps
    # included, of which the two have not the same numbers.
    whole = len(every) == len(mine)
    lamps = sum(one.kind == "lamp" for one in hunt.planner.checks)
    rates = [raw.get(one.check.id, 0.0) / one.minutes if one.check else 0.0 for one in ranked]
    order = sorted(range(len(rates)), key=lambda at: -rates[at])
    place = {one.check.id: order.index(at) for at, one in enumerate(ranked) if one.check}
    unsure = {name for name, at in place.items() if BEST_SIFTED - lamps <= at < BEST_SIFTED + lamps}
    for name in {*theirs} & {*mine}:
        (told, minutes, stale), option = theirs[name], mine[name]
        assert told / (TOLD_BEFORE if stale else 1.0) == pytest.approx(clean[name], abs=NEAR), name
        assert minutes == pytest.approx(option.minutes, abs=NEAR), name
        assert not whole or name in unsure or stale == (option.information < 0.5 * raw[name]), name
    for name in {*theirs} ^ {*mine}:
        # It lies on the other side of "tells too little for its minutes" because rounding counted as an outcome, or
        # because it was looked at for whether it tells anything new on one side only.
        minutes = theirs[name][1] if name in theirs else mine[name].minutes
        sifted = (name in unsure or name not in place) and TOLD_BEFORE * raw[name] / minutes < IDLE_RATE
        assert abs(raw[name] - clean[name]) > NEAR or not whole or sifted, name
    return len({*theirs} & {*mine})


def told_of(hunt: Hunt) -> tuple[dict[str, float], dict[str, float]]:
    """What each check tells by the server, and by its masses without those of the usual class that are rounding.

    Where every live suspect leaves the usual class, what is left of it is 0 or some 1e-17 by chance of the order of
    adding; neither side counts that as an outcome that a reading may be mistaken for.
    """
    now, patient = live(hunt.belief, hunt.situation.showing, 0, WAIT_MOST)
    prior = np.bincount(now.group, weights=now.awake + now.asleep, minlength=len(now.names)).astype(np.float64)
    whole = float(entropy(prior, 0))
    raw: dict[str, float] = {}
    clean: dict[str, float] = {}
    for one in hunt.planner.teller.told(now, patient, hunt.evidence, prior, hunt.situation.watched or frozenset()):
        said = one.information(whole)
        joint = one.masses(range(len(one.checks)))
        if isinstance(one, ByClass):
            usual = joint[:, CLASS_SIDE]
            usual[usual < ROUNDING] = 0.0
            joint = as_read(joint, one.misread)
            cleaned = np.maximum(whole + entropy(joint.sum(axis=2), 1) - entropy(joint, (1, 2)), 0.0)
        else:
            cleaned = said
        raw |= {check.id: float(value) for check, value in zip(one.checks, said, strict=True)}
        clean |= {check.id: float(value) for check, value in zip(one.checks, cleaned, strict=True)}
    return raw, clean


@pytest.mark.parametrize("machine", ["hand-cart-generator", "saltmarsh-sweeper"])
def test_odds_and_ranking_are_the_servers(node: str, twin: Path, tmp_path: Path, machine: str) -> None:
    jobs = jobs_of(machine)
    hunts = [begun(job) for job in jobs]
    told = [table_of(hunt, found_of(job)[: job["table_after"]]) for hunt, job in zip(hunts, jobs, strict=True)]
    compared = 0
    for job, hunt, table, phone in zip(jobs, hunts, told, answers(node, twin, tmp_path, jobs, told), strict=True):
        known = {one["id"] for one in table["checks"]}
        rest = found_of(job)[job["table_after"] :]
        assert len(phone) == len(rest) + 1
        for at, stands in enumerate(phone):
            if at:
                hunt.record(*rest[at - 1])
            same(hunt, stands)
            compared += same_rank(hunt, stands, known)
    assert compared > 100


def test_the_jobs_hold_every_kind_of_observation() -> None:
    seen = set()
    assert sum(len(jobs_of(machine)) for machine in ("hand-cart-generator", "saltmarsh-sweeper")) >= 50
    for machine in ("hand-cart-generator", "saltmarsh-sweeper"):
        for job in jobs_of(machine):
            assert 5 <= len(job["found"]) <= 30
            for at, one in enumerate(job["found"]):
                what = one["observation"]
                kind = what.get("quantity", what["kind"]) + (" apart" if what.get("unplugged") else "")
                seen.add((kind, at >= job["table_after"]))
    on_the_phone = {kind for kind, later in seen if later}
    assert on_the_phone >= {
        "symptom", "volts", "lamp", "ohms apart", "amps", "look", "move", "code", "action", "out-of-reach",
    }  # fmt: skip
    assert ("symptom apart", False) in seen
