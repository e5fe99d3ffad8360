"""Many voltage readings: lines let go on the way leave the odds as they are, and none is let go that could matter."""

from __future__ import annotations

from functools import cache
from typing import Literal

import numpy as np
import pytest
from tests.outside.machines.drawn import CART, machine

from halfsplit.diagnosis import belief, scatter
from halfsplit.diagnosis.checks import all_checks
from halfsplit.diagnosis.hunt import Bench, Hunt
from halfsplit.diagnosis.likelihood import GRADE_SHARE, meter_v, severity_direction
from halfsplit.diagnosis.space import Beside
from halfsplit.diagnosis.stages import IN_FULL, LetGo
from halfsplit.observations import Action, Complaint, Reading, Symptom

DARK = Symptom("panel-lamp", "work", "off", 0.96, "yes")
MANY = 36

Showing = Literal["yes", "unknown"]


@cache
def bench() -> Bench:
    return Bench(machine(CART))


def readings(count: int, row: int, showing: Showing = "unknown", noise_v: float = 0.03) -> list[Reading]:
    """Readings at points of the machine with one row there (-1: the sound machine)."""
    rng = np.random.default_rng(count)
    volts = [check for check in all_checks(machine(CART), ("work", "start")) if check.kind in ("volts", "drop")]
    found = []
    for at in rng.permutation(len(volts))[:count]:
        check = volts[at]
        table = bench().signatures.state(check.state)
        lines = table.lines.volts.astype(np.float64)
        value = float(lines[row, table.nodes[check.plus]] - lines[row, table.nodes[check.minus]])
        value += noise_v * float(rng.standard_normal())
        found.append(Reading("volts", check.plus, check.minus, check.state, round(value, 2), showing=showing))
    return found


def row_of(mode: str) -> int:
    """The hardest severity of some fault of a kind."""
    space = bench().space
    rows = [row for row, fault in enumerate(space.row_fault) if space.faults[fault].mode.id == mode]
    return rows[-1]


def hunted(*seen: Reading | Action) -> Hunt:
    hunt = Hunt(bench(), Complaint((DARK,)))
    for one in seen:
        hunt.take(one)
    return hunt


def worked_out(hunt: Hunt) -> belief.Belief:
    pairs = hunt.pairs_of(hunt.evidence)
    return belief._believe(hunt.evidence, hunt.log_prior, pairs, LetGo.WORKED_OUT, belief.SAME)  # compared


def odds(found: belief.Belief) -> np.ndarray:
    kinds = found.there, found.gone, found.member, found.cured, *found.leads
    return np.concatenate([*kinds, [found.nothing, found.other, found.both]])


@pytest.mark.parametrize("mode", ["sound", "wire-open", "post-resistance"])
@pytest.mark.parametrize("showing", ["unknown", "yes"])
def test_odds_with_lines_let_go_are_those_with_every_line_weighed_in_full(mode: str, showing: Showing) -> None:
    row = -1 if mode == "sound" else row_of(mode)
    hunt = hunted(*readings(MANY, row, showing))
    assert len(hunt.evidence.epochs[0].volts()) == MANY > IN_FULL
    np.testing.assert_allclose(odds(hunt.belief), odds(worked_out(hunt)), rtol=0.0, atol=1e-9)


def test_odds_are_the_same_after_work_that_what_came_before_says_the_opposite_of() -> None:
    row = row_of("wire-open")
    work = Action("repair-wire", bench().space.faults[bench().space.row_fault[row]].place)
    hunt = hunted(*readings(MANY, row), work, *readings(30, row_of("post-resistance")))
    np.testing.assert_allclose(odds(hunt.belief), odds(worked_out(hunt)), rtol=0.0, atol=1e-9)


def test_odds_for_a_figure_are_as_near_as_asked_for() -> None:
    hunt = hunted(*readings(MANY, row_of("wire-open")))
    np.testing.assert_allclose(odds(hunt.belief_within(0.001)), odds(worked_out(hunt)), rtol=0.0, atol=0.001)


def test_what_a_few_readings_leave_is_never_less_than_what_all_give() -> None:
    hunt = hunted(*readings(MANY, row_of("wire-open"), noise_v=0.2))
    chosen = hunt.evidence.epochs[0].volts()
    block, voltages = hunt.evidence.block(chosen), hunt.evidence.voltages(chosen)
    lines, every = np.arange(bench().space.rows + 1), np.arange(MANY)
    whole = block.one_wrong_at_most(*voltages.of(lines, every))
    for count in (4, 12, 24):
        some = np.linspace(0, MANY - 1, count).round().astype(np.int64)
        # The direction is that of all readings, as it is when lines are let go.
        value, along = voltages.of(lines, some)
        most = block.some(some).one_wrong_at_most(value, along) + block.most_of(np.setdiff1d(every, some))
        assert (most >= whole - 1e-9).all()
        assert (most < whole + 200.0).any()


@pytest.mark.parametrize("count", [10, MANY])
def test_lines_that_scatter_in_their_own_way_have_the_inverse_of_their_own_covariance(count: int) -> None:
    evidence = hunted().evidence
    chosen = readings(count, -1)
    spreads = [column.spread for column in evidence.voltages(chosen).columns]
    value = np.array([one.value for one in chosen])
    parted = np.unique(np.concatenate([one.rows for one in spreads]))[:3]
    whose = scatter.in_charge(spreads, np.array([0, *parted, *parted]))
    whose[-3:, ::2] = scatter.SOUND
    whose[-1, 1::4] = np.where(whose[1, 1::4] == scatter.SOUND, scatter.SOUND, parted[0])
    seen = 0
    for some in scatter.precisions(spreads, value, whose):
        for line, choice in zip(some.lines, some.choice, strict=True):
            shared = np.array([
                one.sound if row == scatter.SOUND else one.own[np.flatnonzero(one.rows == row)[0]]
                for one, row in zip(spreads, whose[line], strict=True)
            ])  # fmt: skip
            covariance = shared @ shared.T + np.diag(meter_v(value) ** 2)
            np.testing.assert_allclose(some.precision[choice] @ covariance, np.eye(count), atol=1e-8)
            assert some.log_determinant[choice] == pytest.approx(np.linalg.slogdet(covariance)[1], abs=1e-9)
            seen += 1
    assert seen == (whose != scatter.SOUND).any(axis=1).sum()


def test_the_severity_runs_along_its_own_side_of_a_switch_and_between_its_neighbours_elsewhere() -> None:
    # Four severities: the voltage rises up to the third, where something switches and it falls.
    near = Beside(before=np.array([0, 0, 1, 2]), after=np.array([1, 2, 3, 3]))
    value = np.array([1.0, 2.0, 4.0, 3.5, 0.0])
    found = severity_direction(value, near)
    assert found == pytest.approx(GRADE_SHARE * np.array([1.0, 1.5, 2.0, -0.5, 0.0]))
