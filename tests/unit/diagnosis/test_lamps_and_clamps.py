"""Test lamp, clamp and unplugged connectors: what is predicted, by hand and against the circuit itself."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from tests.outside.machines.drawn import CART, SWEEPER, machine

from halfsplit.circuit.meters import unplugged
from halfsplit.circuit.settle import settle
from halfsplit.diagnosis.checks import Check, all_checks, watch_check
from halfsplit.diagnosis.clamps import ClampTables
from halfsplit.diagnosis.evidence import Evidence
from halfsplit.diagnosis.hunt import Bench, Hunt
from halfsplit.diagnosis.lamps import LampTables, lamp_chances, lamp_ohm
from halfsplit.diagnosis.outcomes import LEAST_WEIGHT, masses, outcomes
from halfsplit.diagnosis.probing import electronic
from halfsplit.diagnosis.world import Hidden, World
from halfsplit.errors import UserError
from halfsplit.faults.applying import changes
from halfsplit.faults.catalogue import Effect
from halfsplit.observations import Complaint, Reading, Symptom, from_data, to_data

MINUS = "BAT.-post"


@cache
def bench(name: str = CART) -> Bench:
    return Bench(machine(name))


def complaint() -> Complaint:
    return Complaint((Symptom("starter", "start", "off", 0.9, "yes"),))


def evidence() -> Evidence:
    return Evidence(bench().space, bench().signatures, complaint())


def rows_of(fault_id: str, name: str = CART) -> list[int]:
    it = bench(name)
    return [row for row in range(it.space.rows) if it.faults[it.space.row_fault[row]].id == fault_id]


def worst(fault_id: str) -> tuple[int, Effect]:
    """The row of a fault with the largest finite resistance, and its effect."""
    effects = bench().signatures.effects
    row = max(rows_of(fault_id), key=lambda one: effects[one][0].value)
    return row, effects[row][0]


def test_a_lamp_divides_with_what_feeds_it() -> None:
    it = bench()
    row, effect = worst("W2@F1.2/terminal-resistance")
    assert np.isfinite(effect.value)
    lamp = LampTables(it.signatures).volts("off", "S1.1", MINUS)
    table = it.signatures.state("off")
    open_v = float(table.lines.volts[row, table.nodes["S1.1"]])
    # Everything else that feeds the point is below a tenth of an ohm.
    assert lamp[row] == pytest.approx(open_v * 24.0 / (24.0 + effect.value), rel=0.005)


def test_a_bad_joint_before_an_idle_load_shows_full_volts_and_a_dark_lamp() -> None:
    it = bench()
    series = Effect("series", "terminal:W2@F1.2", "", 300.0)
    table = it.signatures.state("off")
    lines = table.predict([(series,), ()])
    meter = lines.volts[:, table.nodes["S1.1"]] - lines.volts[:, table.nodes[MINUS]]
    assert meter[0] == pytest.approx(meter[1], abs=0.01)
    lamp = LampTables(it.signatures).of_sets("off", "S1.1", MINUS, [(series,), ()])
    assert lamp[0] == pytest.approx(float(meter[0]) * 24.0 / 324.0, rel=0.01)
    dark, _, lit = lamp_chances(lamp, 12.0).T
    assert dark[0] > 0.95
    assert lit[1] > 0.95


def test_a_24_v_lamp_is_taken_on_a_24_v_machine() -> None:
    assert lamp_ohm(machine(CART)) == pytest.approx(24.0)
    assert lamp_ohm(machine("orchard-platform")) == pytest.approx(96.0)


@pytest.mark.parametrize("state", ["off", "work", "start"])
def test_lamps_put_on_the_healthy_circuit_equal_lamps_solved_one_by_one(state: str) -> None:
    it = bench()
    tables = LampTables(it.signatures)
    for plus in ("F1.2", "S1.1", "S1.3", "K1.1", "K1.2", "BAT.+"):
        exact = tables.of_sets(state, plus, MINUS, [*it.signatures.effects, ()])
        # Far below what a person tells apart: the edges of dark, dim and lit are 1 V and more wide.
        assert np.abs(tables.volts(state, plus, MINUS) - exact).max() < 0.3


def test_currents_meet_kirchhoffs_law_at_the_switch_and_ohms_law_in_the_load() -> None:
    it = bench()
    currents = ClampTables(it.signatures).currents("start")
    w2, w3, w4, fuse = (currents.of(one).value for one in ("W2", "W3", "W4", "F1"))
    series = [
        row for row, effects in enumerate(it.signatures.effects) if all(one.kind != "shunt" for one in effects)
    ]
    assert len(series) > 50
    assert np.abs(w2 - w3 - w4)[series].max() < 0.02
    assert np.abs(fuse - w2)[series].max() < 0.02
    # The solenoid draws 6 A at 12 V, the lamp 5 W; the battery stands at some 12.6 V.
    table = it.signatures.state("start")
    volts = float(table.lines.volts[-1, table.nodes["K1.1"]] - table.lines.volts[-1, table.nodes["K1.2"]])
    assert currents.of("K1").value[-1] == pytest.approx(volts / 2.0, rel=1e-3)
    assert w3[-1] == pytest.approx(volts * 5.0 / 144.0, rel=0.05)


def test_a_break_in_the_clamped_wire_itself_carries_nothing() -> None:
    it = bench()
    currents = ClampTables(it.signatures).currents("start").of("W4").value
    for row in rows_of("W4/wire-open"):
        assert currents[row] == pytest.approx(0.0, abs=1e-3)
    for row in rows_of("F1/fuse-open"):
        assert currents[row] == pytest.approx(0.0, abs=1e-3)


def test_several_things_carry_what_each_carries_by_itself() -> None:
    it = bench()
    things = ["K1", "W4", "F1", "BAT"]
    several = ClampTables(it.signatures).currents("start").through(things)
    for at, thing in enumerate(things):
        one = ClampTables(it.signatures).currents("start").of(thing)
        assert np.array_equal(several.value[:, at], one.value)
        assert several.spread_a[at] == pytest.approx(one.spread_a, rel=1e-9)
        assert several.span_a[at] == one.span_a
        assert (several.least[at], several.most[at]) == (one.value.min(), one.value.max())


def test_the_way_a_clamp_points_does_not_count() -> None:
    told = evidence()
    one, other = (told.weigh(Reading("amps", "W4", "", "start", value)).per_row for value in (5.9, -5.9))
    assert np.array_equal(one, other)


def test_an_unplugged_connector_is_the_circuit_without_its_contacts() -> None:
    it = bench(SWEEPER)
    state, connector = "night", "X12"
    rows = np.random.default_rng(3).choice(it.space.rows, 12, replace=False)
    plugged = it.signatures.state(state)
    lines = it.signatures.apart(state, (connector,)).lines(np.append(rows, it.space.rows))
    names = [one.name for one in plugged.netlist.branches if one.name.startswith(f"contact:{connector}.")]
    assert names
    netlist = unplugged(plugged.netlist, names)
    sound = settle(netlist, second_start=False)
    close = 0
    for at, row in enumerate(rows.tolist()):
        if plugged.lines.blown[row].any():
            continue
        exact = settle(netlist, changes(netlist, it.signatures.effects[row]), sound.booleans, second_start=False)
        close += bool(np.abs(lines.volts[at] - exact.voltages).max() < 5e-3)
    assert close >= 10
    assert np.allclose(lines.volts[-1], sound.voltages, atol=1e-3)


def test_a_fuse_blown_before_stays_blown_with_the_connector_apart() -> None:
    it = bench()
    table = it.signatures.state("work")
    blown = [row for row in range(it.space.rows) if table.lines.blown[row].any()]
    assert blown
    apart = it.signatures.apart("work", ("X1",)).lines(np.array(blown))
    assert np.abs(apart.volts[:, table.nodes["S1.1"]]).max() < 0.1


def test_what_is_watched_with_a_connector_apart_says_nothing_of_the_machine_as_it_stands() -> None:
    it = Hunt(bench(), Complaint((Symptom("panel-lamp", "off", "on", 0.9, "yes"),)))
    seen = Symptom("panel-lamp", "off", "off", unplugged=("X1",))
    it.record(seen, watch_check(machine(CART), "panel-lamp", "off", ("X1",)))
    assert it.complaint_left()
    assert seen in it.evidence.epochs[0].observed()
    assert from_data(to_data(seen)) == seen
    old = {key: value for key, value in to_data(seen).items() if key != "unplugged"}
    assert from_data(old) == Symptom("panel-lamp", "off", "off")


def test_what_cannot_be_weighed_is_refused() -> None:
    told = evidence()
    for seen, code in (
        (Reading("amps", "S1", "", "start", 1.0), "evidence-point"),
        (Reading("amps", "W4", "", "start", 1.0, ("X1",)), "reading-kind"),
        (Reading("lamp", "K1.1", MINUS, "start", 2.0, ("X1",)), "reading-kind"),
        (Reading("volts", "K1.1", MINUS, "start", 2.0, ("X9",)), "evidence-point"),
        (Symptom("starter", "start", "off", unplugged=("K1",)), "evidence-point"),
    ):
        with pytest.raises(UserError) as caught:
            told.weigh(seen)
        assert caught.value.code == code


def test_a_lamp_seen_twice_otherwise_is_not_dim() -> None:
    told = evidence()
    for value in (2.0, 0.0, 2.0):
        told.add(Reading("lamp", "K1.1", MINUS, "start", value))
    assert [one.value for one in told.epochs[0].readings()] == [2.0]


def test_lamps_are_offered_on_the_power_side_only() -> None:
    at = electronic(machine(SWEEPER))
    offered = [check for check in all_checks(machine(SWEEPER), ("sweep",)) if check.kind == "lamp"]
    assert offered
    parts = machine(SWEEPER).parts
    for check in offered:
        assert check.plus not in at
        assert parts[check.place].controller is None
    outputs = {
        f"{part.id}.{pin}" for part in parts.values() if part.controller for pin in part.controller.outputs
    }
    assert outputs <= at


def certain(row: int, seed: int) -> World:
    """A world with just what a row says, its parts within tolerance."""
    it = bench()
    fault = int(it.space.row_fault[row])
    hidden = Hidden(fault, it.signatures.effects[row], sleeps=False, duty=1.0, label="")
    return World(it.machine, it.faults, [hidden], np.random.default_rng(seed), it.drawings)


CHECKS = (
    *(check for check in all_checks(machine(CART), ("work", "start")) if check.kind in ("lamp", "amps")),
    watch_check(machine(CART), "panel-lamp", "start", ("X1",)),
    watch_check(machine(CART), "starter", "start", ("X1",)),
)


@pytest.mark.parametrize("check", CHECKS, ids=lambda check: check.id)
def test_what_the_hidden_machine_shows_is_likely_for_its_own_fault(check: Check) -> None:
    it, told = bench(), evidence()
    ratios = []
    for seed, row in enumerate(np.random.default_rng(9).choice(it.space.rows, 40, replace=False).tolist()):
        (seen,) = certain(row, seed).answer(check)
        assert isinstance(seen, Reading | Symptom)
        likely = told.weigh(seen)
        ratios.append(float(likely.per_row[row] / likely.other))
    # Unexplained readings are spread evenly; a right prediction beats that, save for wrong pins and odd parts.
    assert np.mean(np.array(ratios) > 1.0) >= 0.85, ratios


def test_results_are_told_in_the_words_of_the_trade() -> None:
    it = Hunt(bench(), complaint())
    checks = {check.id: check for check in all_checks(machine(CART), ("start",))}
    lamp = outcomes(it, checks["lamp K1.1 in start"])
    assert {one.label for one in lamp} <= {"lamp dark", "lamp dim", "lamp lit"}
    assert next(one for one in lamp if one.healthy).label == "lamp lit"
    amps = outcomes(it, checks["amps W4 in start"])
    assert any(one.label.startswith("below ") and not one.healthy for one in amps)
    # Rows of less than a ten-thousandth are left out, and there are several.
    now = masses(it.belief)
    left_out = now.awake[now.awake <= LEAST_WEIGHT * now.total].sum() / now.total
    assert left_out < 0.01
    assert sum(one.chance for one in amps) == pytest.approx(1.0 - left_out, abs=1e-9)
    watched = outcomes(it, watch_check(machine(CART), "panel-lamp", "start", ("X1",)))
    assert watched[0].label == "dark"
    assert watched[0].healthy
