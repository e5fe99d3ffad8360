"""A job's signature table: all that a phone needs to go on with the hunt while the server is out of reach.

The circuits are solved here, once; the phone holds what they give and does the small arithmetic of odds and next
check itself (``web/client/src/twin``). With a few exceptions that ``left`` names, everything a hunt can ask for is in
it, so that the odds come out as they do here, two faults at once excepted.
"""

from __future__ import annotations

import gzip
import json
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from dataclasses import asdict
from typing import Any, get_args

import numpy as np

from halfsplit.diagnosis import lamps, likelihood
from halfsplit.diagnosis.checks import Check, round_functions
from halfsplit.diagnosis.evidence import APART_LEAST, Weighed
from halfsplit.diagnosis.hunt import Hunt
from halfsplit.diagnosis.naming import group_short
from halfsplit.diagnosis.offers import group_steps
from halfsplit.diagnosis.ohms import scale_of
from halfsplit.diagnosis.space import Floats
from halfsplit.faults.catalogue import Fault
from halfsplit.faults.curing import cure_chances
from halfsplit.observations import ActionKind, CodeSeen, Observation, Quantity, Reading, Symptom, to_data
from halfsplit.service.desk import Desk, Standing
from halfsplit.service.phone_arrays import alike, doubles, picked, whole
from halfsplit.service.phone_volts import volts_of_state
from halfsplit.service.phone_words import as_it_is, words_of

FORMAT = "halfsplit-phone-table/2"
#: Of a large machine a table holds so many of the checks that tell most for their minutes at the moment, by kind and
#: state: a phone has to carry what each would show under ten thousand suspects. No source.
MOST = {"volts": 80, "drop": 20, "amps": 12, "lamp": 8, "ohms": 6}

Found = tuple[Observation, Check | None]


def phone_table(desk: Desk, job_id: str | None = None, told: Callable[[Any], Any] = as_it_is) -> dict[str, Any]:
    """The table of a job as JSON values, some 70 MB of text for a large machine (:func:`packed`). Raises NotFound.

    ``told`` puts a step, or a sentence, into the language of whoever reads it.
    """
    job = desk.job(job_id)
    standing = desk.standing(job)
    table = table_of(standing.hunt, found_of(standing))
    desk.go_on()
    checks = [standing.check(one["id"]) for one in table["checks"]]
    table["said"] = words_of(standing.hunt, (one for one in checks if one is not None), told)
    for group in table["groups"]:
        group["said"] = told(group["said"])
    return table | phone_found(desk, job_id)


def phone_found(desk: Desk, job_id: str | None = None) -> dict[str, Any]:
    """What was found in a job and what is open, as JSON values: what a table of the job goes on from. Raises NotFound.

    ``numbers`` are those of the entries behind ``found``, ``entries`` how many the job has.
    """
    job = desk.job(job_id)
    standing = desk.standing(job)
    told = len(standing.hunt.complaint.symptoms)
    return {
        "job": job.id,
        "entries": len(job.entries),
        "found": [
            {"observation": _seen(what), "check": _check(by) if by else None} for what, by in found_of(standing)
        ],
        "numbers": standing.numbers[told:],
        "open_steps": sorted(standing.open_now),
    }


def packed(table: dict[str, Any]) -> bytes:
    """A table as it is sent: JSON in UTF-8, packed with gzip (RFC 1952)."""
    return gzip.compress(json.dumps(table, allow_nan=False).encode("utf-8"), compresslevel=5, mtime=0)


def found_of(standing: Standing) -> list[Found]:
    """What was found in a job so far after its complaint, each with the check that showed it."""
    told = len(standing.hunt.complaint.symptoms)
    return list(zip(standing.observations[told:], standing.checks, strict=True))


def table_of(hunt: Hunt, found: Iterable[Found]) -> dict[str, Any]:
    """The table of a hunt as JSON values; ``found`` is what was taken after the complaint, in order."""
    space, machine, evidence = hunt.bench.space, hunt.bench.machine, hunt.evidence
    seen = list(found)
    states = list(dict.fromkeys([*hunt.states, *_states_of(seen)]))
    ranked = [one.check for one in hunt.planner.rank(hunt.belief, evidence, hunt.situation) if one.check]
    checks = _chosen(hunt, ranked)
    return {
        "format": FORMAT,
        "machine": machine.id,
        "system_v": machine.system_v,
        "row_fault": whole(space.row_fault),
        "row_before": whole(space.row_before),
        "row_after": whole(space.row_after),
        "row_group": whole(space.row_group),
        "row_duty": doubles(space.row_duty),
        "faults": len(space.faults),
        "groups": [
            {
                "id": one.id, "said": group_short(one), "place": one.place, "owner": one.owner, "zone": one.zone,
                "correction": one.correction, "minutes": one.minutes, "success": one.success,
                "steps": list(group_steps(machine, one)),
            }
            for one in space.groups
        ],
        "log_prior": doubles(hunt.log_prior),
        "complaint": {
            "symptoms": [to_data(one) for one in hunt.complaint.symptoms],
            "comes_and_goes": hunt.complaint.comes_and_goes,
        },
        "functions": {one.id: dict(one.expected) for one in machine.functions.values()},
        "access": {one.id: one.open_min + one.close_min for one in machine.access.values()},
        "state_min": {name: machine.states[name].minutes for name in machine.states},
        "states": {name: _state(hunt, name, checks, seen) for name in states},
        "blown": _moved(evidence.asleep_lines(evidence.epochs[0]), np.full(space.rows, space.rows)),
        "lamps": [_lamp(hunt, one) for one in _asked("lamp", checks, seen)],
        "amps": [_amps(hunt, one.state, one.plus) for one in _asked("amps", checks, seen)],
        "ohms": [_ohms(hunt, one) for one in _asked("ohms", checks, seen)],
        "apart": [_apart(hunt, one) for one in checks if one.kind == "watch"],
        "kept": [
            {"observation": _seen(one), "likely": _likely(evidence.weigh(one)), "other": evidence.weigh(one).other}
            for one in (*hunt.complaint.symptoms, *_apart_seen(seen))
        ],
        "sights": list(_sights(hunt)),
        "cures": list(_cures(hunt, seen)),
        "checks": [_check(one) for one in checks],
        "rounds": {one.state: list(round_functions(machine, one.state)) for one in checks if one.kind == "round"},
        "found": [{"observation": _seen(what), "check": _check(by) if by else None} for what, by in seen],
        "open_steps": sorted(hunt.situation.open_steps),
        "left": dict(Counter(one.kind for one in {*hunt.planner.checks, *ranked} - {*checks})),
    }


def _apart_seen(seen: list[Found]) -> Iterator[Symptom | Reading]:
    """What was seen or read with connectors apart."""
    for one in dict.fromkeys(what for what, _ in seen):
        if isinstance(one, Symptom | Reading) and one.unplugged and getattr(one, "quantity", "") != "ohms":
            yield one


def _seen(one: Observation) -> dict[str, Any]:
    """An observation as JSON values; JSON has no infinity, which is what an ohmmeter shows over its range."""
    found = to_data(one)
    return found | {"value": "Infinity"} if found.get("value") == float("inf") else found


def _chosen(hunt: Hunt, ranked: list[Check]) -> list[Check]:
    """The checks of a table, in the order of the machine's, those made up for the moment last.

    Of a small machine all; a clamp only where some fault changes the current noticeably. Connectors held apart are a
    circuit of their own for every suspect, so those are left to the server where suspects are many.
    """
    loading = hunt.planner.teller.loading
    clamped = {number for state in hunt.states for number in loading.clamped(state, hunt.evidence)[0]}
    every = [one for at, one in enumerate(hunt.planner.checks) if one.kind != "amps" or at in clamped]
    known = {one.id for one in every}
    made_up = [one for one in ranked if one.id not in known and one.kind in ("ohms", "watch")]
    if hunt.bench.space.rows <= APART_LEAST:
        return [*every, *made_up]
    count: Counter[tuple[str, str]] = Counter()
    chosen = set()
    for one in ranked:
        if one.kind in MOST and count[one.kind, one.state] < MOST[one.kind]:
            count[one.kind, one.state] += 1
            chosen.add(one.id)
    return [one for one in (*every, *made_up) if one.id in chosen or (one.kind not in MOST and one.kind != "watch")]


def _check(check: Check) -> dict[str, Any]:
    return {name: value for name, value in asdict(check).items() if value not in ("", ())}


def _states_of(seen: Iterable[Found]) -> Iterator[str]:
    return (one.state for one, _ in seen if isinstance(one, Symptom | Reading | CodeSeen))


def _by_place(places: Floats) -> dict[str, Any]:
    """What is so at each place where a severity may lie ``[3, rows + 1, ...]``, a line for each row."""
    return picked(np.moveaxis(places, 0, 1).reshape(places.shape[1], -1))


def _likely(weighed: Weighed) -> dict[str, Any]:
    return picked(weighed.per_row) if weighed.places is None else _by_place(weighed.places)


def _moved(line: Any, usual: Any) -> list[list[int]]:
    """Where a line differs from the usual one: row and line."""
    return [[row, int(line[row])] for row in np.flatnonzero(line != usual).tolist()]


def _state(hunt: Hunt, name: str, checks: list[Check], seen: list[Found]) -> dict[str, Any]:
    """One state: voltages at the points that checks and readings use, functions, codes, and the fuses blown before."""
    evidence, table = hunt.evidence, hunt.bench.signatures.state(name)
    points = [
        end for one in checks if one.kind in ("volts", "drop") and one.state == name
        for end in (one.plus, one.minus)
    ]  # fmt: skip
    read = [one for one, _ in seen if isinstance(one, Reading) and one.quantity == "volts" and one.state == name]
    points += [end for one in read for end in (one.plus, one.minus) if end]
    space = hunt.bench.space
    near = likelihood.beside(table, space)
    return {
        **volts_of_state(table, points),
        "parted": [_moved(near.before, space.row_before), _moved(near.after, space.row_after)],
        "carried": _moved(evidence.carried(name), np.arange(hunt.bench.space.rows + 1)),
        "levels": {
            function: _by_place(evidence.level_places(function, name)) for function in hunt.bench.machine.functions
        },
        "codes": [
            {
                "controller": controller, "code": code,
                "chance": _by_place(likelihood.code_places(table.lines.codes[:, at], near))
                if at < table.read_out
                else picked(likelihood.told_as_code(code, table.lines.codes[:, at])),
            }
            for (controller, code), at in table.codes.items()
            if at < table.read_out or any(isinstance(one, CodeSeen) and one.code == code for one, _ in seen)
        ],
    }  # fmt: skip


def _asked(kind: Quantity, checks: list[Check], seen: list[Found]) -> list[Reading]:
    """The readings of a kind that the table can weigh, without their values."""
    read = [one for one, _ in seen if isinstance(one, Reading) and one.quantity == kind]
    wanted = [Reading(kind, one.plus, one.minus, one.state, 0.0, one.unplugged) for one in checks if one.kind == kind]
    wanted += [Reading(kind, one.plus, one.minus, one.state, 0.0, one.unplugged) for one in read]
    return list(dict.fromkeys(wanted))


def _lamp(hunt: Hunt, one: Reading) -> dict[str, Any]:
    minus = one.minus or hunt.bench.signatures.state(one.state).netlist.reference
    volts = hunt.evidence.lamps.volts(one.state, one.plus, minus)
    near = likelihood.beside(hunt.bench.signatures.state(one.state), hunt.bench.space)
    chances = lamps.lamp_places(volts, hunt.bench.machine.system_v, near)
    return {"state": one.state, "plus": one.plus, "minus": minus, "chances": _by_place(chances)}


def _amps(hunt: Hunt, state: str, thing: str) -> dict[str, Any]:
    known = hunt.evidence.clamps.currents(state).of(thing)
    value = alike(known.value[None].astype(np.float32))
    return {"state": state, "plus": thing, "value": value, "spread_a": known.spread_a, "span_a": known.span_a}


def _ohms(hunt: Hunt, one: Reading) -> dict[str, Any]:
    minus = one.minus or hunt.bench.signatures.state(one.state).netlist.reference
    ohm = hunt.evidence.ohms.predicted(one.state, one.plus, minus, one.unplugged)
    return {
        "state": one.state, "plus": one.plus, "minus": minus, "unplugged": list(one.unplugged),
        "scale": picked(scale_of(ohm)), "sigma": picked(hunt.evidence.ohms.sigma(one.plus, minus, ohm)),
    }  # fmt: skip


def _apart(hunt: Hunt, check: Check) -> dict[str, Any]:
    """A function with connectors apart, every row solved."""
    table = hunt.bench.signatures.apart(check.state, check.unplugged)
    lines = table.lines(np.arange(hunt.bench.space.rows + 1))
    levels = likelihood.symptom_levels(table.plugged, lines, check.function)
    return {
        "state": check.state, "function": check.function, "unplugged": sorted(check.unplugged),
        "levels": picked(levels),
    }  # fmt: skip


def _sights(hunt: Hunt) -> Iterator[dict[str, Any]]:
    """What a look or a move at a place may show: faults, how often it sees each, and the chance that it cannot."""
    evidence, machine = hunt.evidence, hunt.bench.machine
    keys: dict[tuple[str, str], None] = {}
    for fault in hunt.bench.faults:
        for kind in fault.mode.looks:
            keys[kind, fault.owner] = keys[kind, fault.place] = None
    for part in machine.parts.values():
        if part.kind == "fuse":
            keys["by-eye", part.id] = None
    for kind, place in keys:
        numbers = list(evidence.faults_seen_at(kind, place))
        sights = [evidence.sight(kind, place, number) for number in numbers]
        yield {
            "kind": kind, "place": place, "faults": numbers,
            "sees": [sees for sees, _ in sights], "hidden": [hidden for _, hidden in sights],
        }  # fmt: skip


def _cures(hunt: Hunt, seen: list[Found]) -> Iterator[dict[str, Any]]:
    """The chance of each fault to be gone after every piece of work that touches any."""
    machine, faults = hunt.bench.machine, hunt.bench.faults
    touched: dict[str, set[int]] = {}
    for number, fault in enumerate(faults):
        place = fault.group.partition(":")[2]
        for name in {fault.owner, place, *fault.place.split("+")}:
            touched.setdefault(name, set()).add(number)
    for place in sorted({*touched, *(getattr(one, "place", "") for one, _ in seen)} - {""}):
        near = {place, place.partition(".")[0].partition("@")[0]}
        part = machine.parts.get(place)
        near |= {connector for connector, _ in part.plugs.values()} if part else set()
        numbers = sorted({number for name in near for number in touched.get(name, ())})
        some: list[Fault] = [faults[number] for number in numbers]
        for action in get_args(ActionKind):
            chances = cure_chances(machine, some, action, place)
            at = np.flatnonzero(chances)
            if len(at):
                yield {
                    "action": action, "place": place, "faults": [numbers[one] for one in at.tolist()],
                    "chances": chances[at].tolist(),
                }  # fmt: skip
