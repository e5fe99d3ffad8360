"""The report of a job with very many readings."""

from __future__ import annotations

from datetime import UTC, datetime
from functools import cache
from itertools import combinations

import numpy as np

from halfsplit.diagnosis.hunt import Bench
from halfsplit.jobs.events import ObservationRecorded
from halfsplit.jobs.memory import MemoryStore
from halfsplit.jobs.recording import record_all
from halfsplit.jobs.store import fingerprint_of
from halfsplit.machine.reading import load_machine
from halfsplit.observations import Reading
from halfsplit.reports.html import as_html
from halfsplit.service import working
from halfsplit.service.complaints import complaint_of
from halfsplit.service.desk import Desk, machine_files
from halfsplit.service.examples import find_machine
from halfsplit.service.reporting import MOST_POINTS, report_of

CART = "hand-cart-generator"
READINGS = 200


@cache
def bench() -> Bench:
    return Bench(load_machine(find_machine(CART)))


def taken(count: int) -> list[Reading]:
    """Readings between two points each of the sound machine, all different."""
    table = bench().signatures.state("start")
    nodes = [name for name in table.nodes if "." in name and ":" not in name]
    pairs = list(combinations(nodes, 2))
    found = []
    for at in np.random.default_rng(1).permutation(len(pairs))[:count]:
        plus, minus = pairs[at]
        volts = table.lines.volts[-1]
        value = float(volts[table.nodes[plus]] - volts[table.nodes[minus]])
        found.append(Reading("volts", plus, minus, "start", round(value, 2)))
    return found


def test_the_report_of_two_hundred_readings_has_each_of_them_and_a_figure_of_some() -> None:
    path = find_machine(CART)
    benches = {fingerprint_of(machine_files(path)): bench()}
    desk = Desk(MemoryStore(), lambda: datetime(2031, 4, 2, 7, tzinfo=UTC), "Rosa", benches)
    complaint = complaint_of(bench().machine, ["starter dead in start"])
    working.open_job(desk, path, complaint, job_id="long")
    readings = taken(READINGS)
    happened = [ObservationRecorded(one, "", 1.0) for one in readings]
    record_all(desk.store, desk.job("long"), happened, when="2031-04-02T07:00:00Z")
    found = report_of(desk, "technician", "long")
    assert len(found.checks) == READINGS
    assert 1 < len(found.odds.points) <= MOST_POINTS + 1
    assert "2031" in as_html(found, {})
