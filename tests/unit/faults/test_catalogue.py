"""The fault catalogue: every mode has places, does something there, has a source, and weighs what it should."""

from __future__ import annotations

import csv
from collections import defaultdict
from dataclasses import replace
from functools import cache
from importlib.resources import files

import numpy as np
import pytest
from tests.outside.machines.drawn import CART, EXAMPLES, PLATFORM, SWEEPER, circuit, faults, machine, system

from halfsplit.circuit.batch import settle_batch, volts_row
from halfsplit.circuit.expansion import expand
from halfsplit.circuit.observing import readout
from halfsplit.circuit.settle import settle
from halfsplit.circuit.stamps import Floats
from halfsplit.diagnosis.checks import chassis_node, points
from halfsplit.diagnosis.clamps import CLAMP_A, CLAMP_SHARE, ClampTables, branch_of
from halfsplit.diagnosis.hunt import Bench
from halfsplit.diagnosis.likelihood import METER_SHARE, METER_V
from halfsplit.faults.applying import changes
from halfsplit.faults.catalogue import Fault, generate
from halfsplit.faults.curing import cure_chances
from halfsplit.faults.modes import categories, corrections, modes
from halfsplit.faults.priors import RECENT_WORK_FACTOR, fault_weights
from halfsplit.machine.model import Machine
from halfsplit.machine.reading import load_machine
from halfsplit.service.unseen import LEVEL_SHOWN, unseen

#: Kinds of part that no shipped machine has; a machine file of their own shows them.
ON_NO_SHIPPED_MACHINE = {"breaker-open"}
TABLES = ("modes.csv", "categories.csv", "corrections.csv", "parts.csv", "water.csv")
#: Faults of one mode looked at.
EACH = 4


@cache
def rows(table: str) -> tuple[dict[str, str], ...]:
    with files("halfsplit.faults").joinpath(table).open(encoding="utf-8") as lines:
        return tuple(csv.DictReader(lines))


def test_every_mode_has_places_on_a_shipped_machine() -> None:
    made = {fault.mode.id for name in (SWEEPER, PLATFORM, CART) for fault in faults(name)}
    assert {mode.id for mode in modes()} - made == ON_NO_SHIPPED_MACHINE


def moved(name: str, chosen: list[Fault], state: str) -> Floats:
    """How far each fault moves any reachable reading at any severity, in three deviations of a meter."""
    netlist, healthy = system(name, state).netlist, system(name, state)
    ground = chassis_node(machine(name))
    reach = [volts_row(netlist, node, ground) for node in points(machine(name))]
    severities = [(k, one) for k, fault in enumerate(chosen) for one in fault.severities]
    sets = [changes(netlist, severity.effects) for _, severity in severities]
    read = settle_batch(healthy, [*sets, ()], reach, second_start=False).readings
    away = np.abs(read[:-1] - read[-1]) / (3.0 * (METER_V + METER_SHARE * np.abs(read[-1])))
    most = np.zeros(len(chosen))
    np.maximum.at(most, [k for k, _ in severities], away.max(axis=1))
    return most


@pytest.mark.parametrize("name", [SWEEPER, PLATFORM])
def test_every_mode_moves_a_reading_that_a_probe_can_take(name: str) -> None:
    by_mode: dict[str, list[Fault]] = defaultdict(list)
    rng = np.random.default_rng(6)
    for number in rng.permutation(len(faults(name))).tolist():
        fault = faults(name)[number]
        if len(by_mode[fault.mode.id]) < EACH:
            by_mode[fault.mode.id].append(fault)
    chosen = [fault for each in by_mode.values() for fault in each]
    most = np.zeros(len(chosen))
    for state in machine(name).states:
        most = np.maximum(most, moved(name, chosen, state))
    shown = {fault.mode.id for fault, away in zip(chosen, most, strict=True) if away > 1.0}
    assert set(by_mode) - shown == set()


def test_every_fault_of_the_sketch_shows_somewhere_or_is_listed_as_unseen() -> None:
    bench = Bench(machine(CART))
    listed = {one.fault for one in unseen(bench).faults}
    shown = np.zeros(len(bench.faults), dtype=np.bool_)
    for state in bench.machine.states:
        shown |= moved(CART, list(bench.faults), state) > 1.0
        lines = bench.signatures.state(state).lines
        level = np.abs(lines.levels[:-1] - lines.levels[-1]).max(axis=1) > LEVEL_SHOWN
        shown[bench.space.row_fault[level]] = True
        clamps = ClampTables(bench.signatures).currents(state)
        for thing in (*bench.machine.wires, *bench.machine.parts):
            if branch_of(bench.machine, thing) is not None:
                amps = clamps.of(thing).value
                more = np.abs(amps[:-1] - amps[-1]) > 3.0 * (CLAMP_A + CLAMP_SHARE * amps[-1])
                shown[bench.space.row_fault[more]] = True
    silent = {fault.id for fault, seen in zip(bench.faults, shown, strict=True) if not seen}
    # A fault within the spread between good machines is listed although it moves a meter.
    assert silent <= listed
    assert len(listed) <= len(bench.faults) // 10


@pytest.mark.parametrize("name", [SWEEPER, PLATFORM, CART])
def test_weights_of_all_faults_sum_to_one(name: str) -> None:
    for conditions, worked in (((), ()), (("rain", "salt"), ()), (("heat",), (faults(name)[0].zone,))):
        weights = fault_weights(machine(name), faults(name), conditions, worked)
        assert weights.sum() == pytest.approx(1.0, abs=1e-12)
        assert (weights > 0.0).all()


def test_categories_share_the_weight_as_their_table_says() -> None:
    weights = fault_weights(machine(SWEEPER), faults(SWEEPER))
    for category, share in categories().items():
        own = sum(w for w, fault in zip(weights, faults(SWEEPER), strict=True) if fault.mode.category == category)
        assert own == pytest.approx(share, rel=1e-9), category


def wet_share(it: Machine, conditions: tuple[str, ...] = ()) -> float:
    made = generate(it)
    weights = fault_weights(it, made, conditions)
    return float(sum(w for w, fault in zip(weights, made, strict=True) if fault.mode.id.startswith("wet")))


def exposed(it: Machine, zone: str, **levels: str) -> Machine:
    zones = dict(it.zones)
    zones[zone] = replace(zones[zone], exposure={**zones[zone].exposure, **levels})
    return replace(it, zones=zones)


def test_a_zone_that_is_splashed_more_has_more_wet_faults_than_the_others() -> None:
    it = machine(SWEEPER)
    zone = next(connector.zone for connector in it.connectors.values() if len(connector.neighbours()) > 1)

    def share_of_zone(one: Machine) -> float:
        made = generate(one)
        weights = fault_weights(one, made)
        wet = [(w, f) for w, f in zip(weights, made, strict=True) if f.mode.id.startswith("wet")]
        return sum(w for w, f in wet if f.zone == zone) / sum(w for w, _ in wet)

    dry = share_of_zone(exposed(it, zone, splash="none", pooling="none"))
    some = share_of_zone(exposed(it, zone, splash="medium", pooling="medium"))
    wet = share_of_zone(exposed(it, zone, splash="high", pooling="high"))
    assert dry < some < wet


def test_rain_and_washing_make_wet_faults_likelier_and_heat_does_not() -> None:
    it = machine(SWEEPER)
    plain = wet_share(it)
    assert wet_share(it, ("rain",)) > 1.2 * plain
    assert wet_share(it, ("wash",)) > wet_share(it, ("rain",))
    assert wet_share(it, ("heat",)) < plain


@pytest.mark.parametrize("by", ["place", "owner", "zone"])
def test_recent_work_raises_the_odds_of_its_place_by_the_stated_factor(by: str) -> None:
    it, made = machine(SWEEPER), faults(SWEEPER)
    target = next(fault for fault in made if fault.mode.id == "contact-resistance")
    plain = fault_weights(it, made)
    after = fault_weights(it, made, (), (getattr(target, by),))
    touched = np.array([getattr(target, by) in (fault.place, fault.owner, fault.zone) for fault in made])
    assert touched.any()
    assert not touched.all()
    odds = (after[touched].sum() / after[~touched].sum()) / (plain[touched].sum() / plain[~touched].sum())
    assert odds == pytest.approx(RECENT_WORK_FACTOR, rel=1e-9)


@pytest.mark.parametrize("table", TABLES)
def test_every_number_of_the_tables_has_a_source(table: str) -> None:
    for row in rows(table):
        sources = [column for column in row if column.endswith("source")]
        assert sources
        for column in sources:
            assert row[column].strip(), (table, row)


def test_shares_of_every_kind_of_place_are_probabilities_and_severities_sum_to_one() -> None:
    assert sum(categories().values()) == pytest.approx(1.0, abs=1e-12)
    for mode in modes():
        assert sum(grade.weight for grade in mode.grades) == pytest.approx(1.0, abs=1e-9), mode.id
        for chance in (mode.share, mode.sleeps, mode.duty, mode.hidden, *mode.looks.values()):
            assert 0.0 <= chance <= 1.0, mode.id
        assert mode.category in categories(), mode.id
        assert mode.correction in corrections(), mode.id


def test_severities_in_ohm_are_those_of_one_series_so_that_none_fits_better_for_where_its_grid_happens_to_lie() -> None:
    series = [base * 10.0**decade for decade in range(-3, 5) for base in (1.0, 2.2, 4.7)]
    for mode in modes():
        ohm = [grade.value for grade in mode.grades if grade.kind == "ohm"]
        if len(ohm) > 2:
            assert all(min(abs(one / other - 1.0) for other in series) < 1e-9 for one in ohm), mode.id


def test_every_fault_names_the_correction_that_cures_it_best() -> None:
    it, made = machine(CART), faults(CART)
    works = {(fault.mode.correction, fault.group.partition(":")[2]) for fault in made}
    chance = {work: cure_chances(it, made, *work) for work in sorted(works)}
    for number, fault in enumerate(made):
        own = chance[(fault.mode.correction, fault.group.partition(":")[2])][number]
        assert own == pytest.approx(fault.success)
        assert own >= max(each[number] for each in chance.values()) - 1e-12, fault.id


def test_ids_are_unique_and_a_machine_gives_the_same_faults_every_time() -> None:
    for name in (SWEEPER, PLATFORM, CART):
        ids = [fault.id for fault in faults(name)]
        assert len(ids) == len(set(ids))
        assert [fault.id for fault in generate(load_machine(EXAMPLES / name))] == ids


@pytest.mark.parametrize(("relay", "state"), [("K6", "horn-pressed"), ("K3", "night"), ("K2", "sweep")])
def test_a_relay_whose_coil_is_open_does_not_pull_in(relay: str, state: str) -> None:
    it = machine(SWEEPER)
    fault = next(one for one in faults(SWEEPER) if one.id == f"{relay}.coil/relay-coil-open")
    netlist = expand(it, it.states[state])
    assert settle(netlist).is_on(f"pulled:{relay}")
    broken = settle(netlist, changes(netlist, fault.severities[0].effects), second_start=False)
    pulled = broken.is_on(f"pulled:{relay}")
    assert not pulled


@pytest.mark.parametrize("name", [SWEEPER, PLATFORM])
def test_what_is_dead_inside_does_not_work_in_any_state_in_which_it_should(name: str) -> None:
    it = machine(name)
    by_owner = {fault.owner: fault for fault in faults(name) if fault.mode.id in ("load-open", "module-dead")}
    looked = 0
    for function in it.functions.values():
        fault = by_owner.get(function.watch)
        if fault is None:
            continue
        for state in (state for state, level in function.expected.items() if level == "on"):
            netlist = circuit(name, state)
            dead = settle(netlist, changes(netlist, fault.severities[0].effects), second_start=False)
            read = readout(it, netlist)
            amps = np.array([[dead.amps(branch) for branch in read.carriers]])
            value = read.levels(amps, dead.booleans[None])[0, list(it.functions).index(function.id)]
            assert value < function.weak, (function.id, state)
            looked += 1
    assert looked >= 15
