"""Runs every job under tests/cases/jobs through the bench, line by line as it would be typed."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from functools import cache
from pathlib import Path
from typing import Any

import pytest
import yaml

from halfsplit.cli.work import Work
from halfsplit.diagnosis.hunt import Bench
from halfsplit.jobs.memory import MemoryStore
from halfsplit.jobs.store import fingerprint_of
from halfsplit.machine.reading import load_machine
from halfsplit.service.complaints import complaint_of
from halfsplit.service.desk import Desk, machine_files
from halfsplit.service.examples import find_machine
from halfsplit.service.working import next_step, open_job

CASES = sorted((Path(__file__).resolve().parents[2] / "cases" / "jobs").glob("*/job.yaml"))
KEYS = {"machine", "complaint", "conditions", "comes_and_goes", "typed", "expect"}
EXPECTED = {"first", "at_least", "at_most", "nothing_wrong", "next"}


@cache
def bench(name: str) -> tuple[str, Bench]:
    path = find_machine(name)
    return fingerprint_of(machine_files(path)), Bench(load_machine(path))


def opened(case: dict[str, Any]) -> Work:
    fingerprint, own = bench(case["machine"])
    count = [0]

    def now() -> datetime:
        count[0] += 1
        return datetime(2031, 4, 2, 7, tzinfo=UTC) + timedelta(minutes=count[0])

    desk = Desk(MemoryStore(), now, "", {fingerprint: own})
    complaint = complaint_of(
        own.machine,
        case["complaint"],
        case.get("conditions", []),
        comes_and_goes=case.get("comes_and_goes", False),
    )
    return Work(desk, open_job(desk, find_machine(case["machine"]), complaint).head.job)


def test_there_are_cases() -> None:
    assert len(CASES) >= 5


@pytest.mark.parametrize("path", CASES, ids=lambda path: path.parent.name)
def test_the_job_stands_as_the_case_says(path: Path) -> None:
    case = yaml.safe_load(path.read_text("utf-8"))
    assert set(case) <= KEYS
    assert set(case["expect"]) <= EXPECTED
    work = opened(case)
    for line in case["typed"]:
        if line == "mended":
            # The repair of what stands first, as a person would do it whether it was asked already or not.
            first = next_step(work.desk, work.job).suspects[0].group
            work.take(f"repair {first} mended")
        else:
            work.take(line)
    found = next_step(work.desk, work.job)
    expect = case["expect"]
    odds = {one.group: one.odds for one in found.suspects}
    if "first" in expect:
        assert found.suspects[0].group in expect["first"]
    for group, least in expect.get("at_least", {}).items():
        assert odds.get(group, 0.0) >= least, group
    for group, most in expect.get("at_most", {}).items():
        assert odds.get(group, 0.0) <= most, group
    assert found.nothing >= expect.get("nothing_wrong", 0.0)
    assert found.kind == expect.get("next", found.kind)
