"""What a report says, on jobs played on the shipped machines."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from halfsplit.errors import UserError
from halfsplit.jobs.events import AdviceGiven, JobReopened, NoteAdded, ObservationRecorded, PartUsed, TravelDone
from halfsplit.jobs.recording import load_job, record
from halfsplit.observations import Reading
from halfsplit.reports.content import plain
from halfsplit.reports.figures import in_words, odds_figure
from halfsplit.service.reporting import MOST_POINTS, report_of
from halfsplit.service.walking import lines

WHEN = "2031-04-02T12:00:00Z"
PRICES = {
    "HALFSPLIT_HOUR_RATE": "90.00 EUR", "HALFSPLIT_TRAVEL_RATE": "60.00 EUR", "HALFSPLIT_TAX": "20 %",
}  # fmt: skip


def add(played: Any, *whats: Any) -> None:
    for what in whats:
        record(played.desk.store, load_job(played.desk.store, played.job), what, when=WHEN)


def test_a_report_has_complaint_cause_and_correction(sweeper: Any) -> None:
    found = report_of(sweeper.desk, "technician", sweeper.job)
    assert found.reported.startswith("Left dust spray gives nothing")
    assert found.complaint == ("Left dust spray dead [Sweeping, engine hot]",)
    assert found.conditions == ("rain",)
    assert "X10 cavity 9" in found.cause
    assert "Belly pan" in found.place
    assert [one.words for one in found.correction] == ["Renewed contact cavity 9 of X10 (Belly pan, signals)"]
    assert found.technicians == ("Ása Þórs",)
    assert found.practice


def test_each_check_stands_with_expected_and_found_in_order(drawn: Any) -> None:
    found = report_of(drawn.desk, "technician", drawn.job)
    job = load_job(drawn.desk.store, drawn.job)
    seen = [e.number for e in job.standing if e.observation is not None and e.observation.KIND not in
            ("action", "out-of-reach")]  # fmt: skip
    assert [one.entry for one in found.checks] == seen
    assert all(one.subject and one.found for one in found.checks)
    assert all(one.expected for one in found.checks if one.verdict)
    assert any(one.verdict for one in found.checks)


def test_a_reading_far_from_a_sound_machines_fails_and_the_same_point_mended_passes(sweeper: Any) -> None:
    add(
        sweeper,
        JobReopened("to read again"),
        ObservationRecorded(Reading("volts", "X10.9:p", "", "sweep", 12.2), "", 2.0),
        ObservationRecorded(Reading("volts", "X10.9:p", "", "sweep", 3.0), "", 2.0),
    )
    good, bad = report_of(sweeper.desk, "technician", sweeper.job).checks[-2:]
    assert (good.verdict, bad.verdict) == ("pass", "fail")
    assert good.expected == bad.expected
    assert good.expected.startswith("about 1")


def test_a_reading_of_ohms_is_held_against_the_dead_machine(sweeper: Any) -> None:
    through = Reading("ohms", "X10.9:p", "X10.9:s", "sweep", 0.2)
    add(sweeper, JobReopened("to read again"), ObservationRecorded(through), ObservationRecorded(
        replace(through, value=float("inf"))))  # fmt: skip
    good, bad = report_of(sweeper.desk, "technician", sweeper.job).checks[-2:]
    assert (good.expected, good.verdict, bad.verdict) == ("below 1 ohm", "pass", "fail")


def test_a_test_lamp_and_a_clamp_are_held_against_the_sound_machine_too(sweeper: Any) -> None:
    lamp = Reading("lamp", "X10.9:p", "", "sweep", 2.0)
    clamp = Reading("amps", "Y6", "", "sweep", 0.0)
    add(sweeper, JobReopened("to try more"), *(ObservationRecorded(one) for one in (
        lamp, replace(lamp, value=0.0), clamp)))  # fmt: skip
    lit, dark, none = report_of(sweeper.desk, "technician", sweeper.job).checks[-3:]
    assert (lit.expected, lit.verdict, dark.verdict) == ("lit", "pass", "fail")
    assert none.expected.endswith("A)")
    assert none.verdict == "fail"


def test_the_functions_of_the_complaint_stand_before_and_after(sweeper: Any) -> None:
    (line,) = report_of(sweeper.desk, "customer", sweeper.job).functions
    assert (line.reported, line.last, line.good) == ("dead", "pulls", True)


def test_the_odds_begin_spread_and_end_on_the_cause(sweeper: Any) -> None:
    story = report_of(sweeper.desk, "technician", sweeper.job).odds
    assert story.names[0] == "renew contact X10.9"
    assert story.points[0].odds[0] < 0.5
    assert story.points[-1].odds[0] > 0.9
    minutes = [point.minutes for point in story.points]
    assert minutes == sorted(minutes)
    assert minutes[-1] == pytest.approx(load_job(sweeper.desk.store, sweeper.job).minutes)
    assert all(0.0 <= odds <= 1.0 for point in story.points for odds in point.odds)
    assert any(point.mended for point in story.points)
    svg = odds_figure(story)
    assert svg == odds_figure(story)
    assert svg.count("<path") > 10
    assert "renew contact X10.9" in in_words(story)


def test_minutes_by_kind_of_work_add_up(drawn: Any) -> None:
    found = report_of(drawn.desk, "technician", drawn.job)
    assert sum(one.minutes for one in found.work) == pytest.approx(found.work_minutes)
    assert found.work_minutes == pytest.approx(load_job(drawn.desk.store, drawn.job).minutes)


def test_prices_add_up_to_the_cent(sweeper: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    for name, value in PRICES.items():
        monkeypatch.setenv(name, value)
    add(
        sweeper,
        PartUsed("contact", "AB-1", 3.0, "0.35", "EUR"),
        PartUsed("tie"),
        TravelDone(20.0, 12_000.0),
    )
    found = report_of(sweeper.desk, "customer", sweeper.job)
    bill = found.prices
    assert bill is not None
    amounts = [line.amount for line in bill.lines]
    hours = round(found.work_minutes / 60, 2)
    assert [line.text for line in bill.lines] == ["Work", "Travel", "contact (AB-1)"]
    assert amounts[1:] == ["19.80 EUR", "1.05 EUR"]  # 0.33 h of travel, three contacts
    assert float(amounts[0].split()[0]) == pytest.approx(90 * hours, abs=0.006)
    net = sum(float(amount.split()[0]) for amount in amounts)
    assert float(bill.net.split()[0]) == pytest.approx(net, abs=1e-9)
    assert float(bill.total.split()[0]) == pytest.approx(1.2 * net, abs=0.006)
    assert bill.left_out == ("tie",)


def test_without_rates_and_prices_there_is_no_bill(sweeper: Any) -> None:
    assert report_of(sweeper.desk, "customer", sweeper.job).prices is None


def test_prices_in_two_currencies_are_refused(sweeper: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("HALFSPLIT_HOUR_RATE", "90.00 EUR")
    add(sweeper, PartUsed("contact", "", 1.0, "3.00", "SEK"))
    with pytest.raises(UserError) as caught:
        report_of(sweeper.desk, "customer", sweeper.job)
    assert caught.value.code == "price-currency"


def test_the_customers_face_leaves_out_what_only_a_technician_needs(sweeper: Any) -> None:
    add(sweeper, NoteAdded("seal of the neighbour looks tired"), AdviceGiven("Rinse after salt", "250 h"))
    customer, technician = (report_of(sweeper.desk, face, sweeper.job) for face in ("customer", "technician"))
    assert (customer.checks, customer.log, customer.notes, customer.odds.points) == ((), (), (), ())
    assert technician.checks
    assert technician.notes == ("seal of the neighbour looks tired",)
    entries = load_job(sweeper.desk.store, sweeper.job).entries
    assert [one.number for one in technician.log] == [line[-1].number for line in lines(entries)]
    assert customer.cause == technician.cause
    assert [one.next_inspection for one in customer.advice] == ["250 h"]


def test_an_open_job_and_open_covers_are_said_first(sweeper: Any) -> None:
    add(sweeper, JobReopened("it came back"))
    found = report_of(sweeper.desk, "customer", sweeper.job)
    assert found.cause == ""
    assert any("still open" in one for one in found.cautions)


def test_a_face_nobody_has_gets_the_nearest(sweeper: Any) -> None:
    with pytest.raises(UserError) as caught:
        report_of(sweeper.desk, "custommer", sweeper.job)
    assert caught.value.code == "report-face"
    assert "customer" in caught.value.hint


def test_the_content_is_plain_json(drawn: Any, tmp_path: Path) -> None:
    found = plain(report_of(drawn.desk, "technician", drawn.job))
    assert json.loads(json.dumps(found, allow_nan=False)) == found
    assert list(found)[:3] == ["face", "job", "shop"]


def test_of_very_many_readings_the_odds_are_noted_at_some_and_at_every_repair(drawn: Any) -> None:
    job = load_job(drawn.desk.store, drawn.job)
    state = job.complaint.symptoms[0].state
    point = next(one for one in drawn.desk.bench(job.fingerprint).signatures.state(state).nodes if "." in one)
    more = Reading("volts", point, "", state, 12.0)
    before = report_of(drawn.desk, "technician", drawn.job)
    add(drawn, JobReopened("to read more"))
    add(drawn, *(ObservationRecorded(more, "", 1.0) for _ in range(60)))
    found = report_of(drawn.desk, "technician", drawn.job)
    assert len(found.checks) == len(before.checks) + 60
    assert len(found.odds.points) <= MOST_POINTS + 2 * len(before.correction) + 2
    mended = [one.entry for one in before.odds.points if one.mended]
    assert [one.entry for one in found.odds.points if one.mended] == mended
    assert found.odds.points[-1].entry == load_job(drawn.desk.store, drawn.job).last_number
