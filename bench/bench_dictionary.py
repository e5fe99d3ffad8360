"""The fault dictionary: every fault at every severity in every state at 200 test points, against ngspice and SciPy.

    python bench/bench_dictionary.py [--machines NAME ...] [--states 8] [--sample 40] [--points 200] [--no-others]

Machines: the two shipped large ones, and generated harnesses of about 400, 1,500 and 5,000 nodes (harness.py).

* halfsplit: from the machine in memory to the voltages of the points, all faults in all states, in a process of its own
  whose peak memory is read at the end. Settling the sound machine and factorising it are counted, reading the machine
  file is not. The same once more with as many faults, evenly thinned, as stood behind the goals when they were set.
* ngspice: one process that keeps the circuit loaded, alters values and solves (simulator.py).
* SciPy: plain nodal analysis, factorised anew for each fault (refactoring.py).

The other two get a sample of the faults, drawn evenly from each of a few states, with every device held where halfsplit
found it; they would need hours for all, and what they would need is the sample's time per fault times the number of
faults. The sample's voltages are compared: those of points fed through less than 1 Mohm, where nothing chatters and
the other engine found a working point. Growth is fitted over the generated harnesses. All times are processor seconds
of one core, so that other work on the machine counts little; the quickest of a few goes where one is quick.
"""

from __future__ import annotations

import multiprocessing
import resource
import sys
import tempfile
import time
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from estimates import growth
from harness import write_harness
from rows import ROOT, Row, finish, parser, say

if TYPE_CHECKING:
    import numpy as np

    from halfsplit.faults.catalogue import Effect
    from halfsplit.machine.model import Machine

SHIPPED = ("saltmarsh-sweeper", "orchard-platform")
#: Size and the number of faults at a severity that the measurements behind the goals had.
GENERATED = {400: 1592, 1500: 5770, 5000: 19311}
SECONDS = {1500: 1.0, 5000: 5.0}
TIMES_NGSPICE = {1500: 400.0, 5000: 800.0}
MEMORY_MB = {5000: 300.0}
GROWTH = 2.0
AGREE_V = 1e-6
FIRM_OHM = 1e6
#: Sets settled at a time, so that only the dictionary itself grows with their number.
PART = 2048
SEED = 1
REPEATS, REPEAT_BELOW_S = 3, 20.0


@dataclass(frozen=True, slots=True)
class Made:
    """What making one dictionary took. ``fell`` says what stopped it, "" when nothing did."""

    nodes: int
    rows: int
    states: int
    seconds: float
    memory_mb: float
    before_mb: float
    chattering: int
    fell: str

    @property
    def each(self) -> float:
        """Seconds for one fault in one state."""
        return self.seconds / max(self.rows * self.states, 1)


@dataclass(frozen=True, slots=True)
class Compared:
    """Seconds per fault of the other engines on a sample, and how far apart the voltages are (V, the largest)."""

    faults: int
    ngspice_s: float | None
    ngspice_failed: int
    scipy_failed: int
    scipy_s: float
    ngspice_v: float | None
    scipy_v: float
    scipy_still_v: float
    compared: int


def peak_mb() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0


def test_points(folder: Path, count: int) -> list[str]:
    """So many points that a probe reaches, drawn; all of them where there are fewer."""
    import numpy as np

    from halfsplit.circuit.expansion import expand
    from halfsplit.diagnosis.checks import points
    from halfsplit.machine.reading import load_machine

    machine = load_machine(folder)
    netlist = expand(machine, next(iter(machine.states.values())))
    reached = sorted(set(points(machine)) & set(netlist.nodes) - {netlist.reference})
    chosen = np.random.default_rng(SEED).permutation(len(reached))[:count]
    return [reached[k] for k in sorted(chosen.tolist())]


def thinned(whole: int, wanted: int | None) -> list[int]:
    """So many of the numbers below ``whole``, evenly spread; all of them where none or more are wanted."""
    if wanted is None or wanted >= whole:
        return list(range(whole))
    return [at * whole // wanted for at in range(wanted)]


def make(folder: Path, names: Sequence[str], states: int, wanted: int | None) -> Made:
    """Makes the dictionary of a machine in this process, several times where that is quick: the quickest counts."""
    from halfsplit.faults.catalogue import generate
    from halfsplit.machine.reading import load_machine

    machine = load_machine(folder)
    every = [severity.effects for fault in generate(machine) for severity in fault.severities]
    effects = [every[at] for at in thinned(len(every), wanted)]
    chosen = list(machine.states)[:states]
    before = peak_mb()
    took: list[float] = []
    while not took or (len(took) < REPEATS and sum(took) < REPEAT_BELOW_S):
        start = time.process_time()
        nodes, chattering, fell = filled(machine, chosen, effects, names)
        took.append(time.process_time() - start)
    return Made(nodes, len(effects), len(chosen), min(took), peak_mb(), before, chattering, fell)


def filled(
    machine: Machine, states: Sequence[str], effects: Sequence[tuple[Effect, ...]], names: Sequence[str]
) -> tuple[int, int, str]:
    """Fills the dictionary once: how many nodes the circuit has, how many (fault, state) chatter, what stopped it."""
    import numpy as np

    from halfsplit.errors import HalfsplitError

    whole = np.empty((len(states), len(effects), len(names)), dtype=np.float32)
    nodes, chattering = 0, 0
    for number, state in enumerate(states):
        try:
            nodes, chatter = fill_state(machine, state, effects, names, whole[number])
            chattering += chatter
        except HalfsplitError as error:
            return nodes, chattering, f"stopped in {state}: {str(error).split('.')[0]}"
    return nodes, chattering, ""


def fill_state(
    machine: Machine, state: str, effects: Sequence[tuple[Effect, ...]], names: Sequence[str],
    into: np.typing.NDArray[np.float32],
) -> tuple[int, int]:  # fmt: skip
    """Fills the part of one state, ``into`` ``[faults, points]``; nothing of it but that is held afterwards.

    Gives how many nodes the circuit has and how many faults chatter.
    """
    import numpy as np

    from halfsplit.circuit.batch import CHATTERS, settle_batch, volts_row
    from halfsplit.circuit.expansion import expand
    from halfsplit.circuit.resting import switched_on
    from halfsplit.faults.applying import table_of_effects

    netlist = expand(machine, machine.states[state])
    rows = [volts_row(netlist, name) for name in names]
    system, table = switched_on(netlist), table_of_effects(netlist, effects)
    chattering = 0
    for start in range(0, len(effects), PART):
        part = table.part(np.arange(start, min(start + PART, len(effects))))
        outcome = settle_batch(system, part, rows, second_start=False)
        into[start : start + PART] = outcome.readings
        chattering += int((outcome.kind == CHATTERS).sum())
    return len(netlist.nodes), chattering


def made_alone(folder: Path, names: Sequence[str], states: int, wanted: int | None) -> Made:
    """The same in a fresh process."""
    with ProcessPoolExecutor(1, mp_context=multiprocessing.get_context("spawn")) as pool:
        return pool.submit(make, folder, names, states, wanted).result()


def compare(folder: Path, names: Sequence[str], states: int, sample: int) -> Compared:
    """The other engines on ``sample`` faults of each of a few states, spread over the machine's ``states``."""
    import numpy as np
    import refactoring
    import simulator
    from held_circuits import settings, sound

    from halfsplit.circuit.batch import CHATTERS, settle_batch, volts_row
    from halfsplit.circuit.expansion import expand
    from halfsplit.circuit.resting import switched_on
    from halfsplit.faults.applying import table_of_effects
    from halfsplit.faults.catalogue import generate
    from halfsplit.machine.reading import load_machine

    machine = load_machine(folder)
    every = [severity.effects for fault in generate(machine) for severity in fault.severities]
    rng = np.random.default_rng(SEED)
    few = list(machine.states)[:states]
    few = [few[at] for at in sorted({len(few) // 4, len(few) * 3 // 4})]
    ngspice, failed, plain, unsolved = [], 0, [], 0
    apart: dict[str, list[float]] = {"ngspice": [], "scipy": [], "still": []}
    compared = 0
    for state in few:
        netlist = expand(machine, machine.states[state])
        system = switched_on(netlist)
        c = system.c
        at = [netlist.node_index[name] for name in names]
        effects = [every[k] for k in rng.permutation(len(every))[:sample].tolist()]
        table = table_of_effects(netlist, effects)
        rows = [volts_row(netlist, name) for name in names]
        outcome = settle_batch(system, table, rows, second_start=False, source_impedance=True)
        still = settle_batch(system, table, rows, 1e-10, second_start=False)
        assert outcome.source_impedance_ohm is not None  # asked for
        firm = (np.abs(outcome.source_impedance_ohm) < FIRM_OHM) & (outcome.kind != CHATTERS)[:, None]
        # Compared are the same devices; a diode's tolerance may let one switch that the still solution leaves.
        firm &= (outcome.booleans == still.booleans).all(axis=1)[:, None]
        start, faults = sound(c, system.booleans), settings(c, table, range(len(effects)), outcome.booleans)
        nodal = refactoring.Nodal(netlist)
        nodal.keep(nodal.solve(start)[1])
        began = time.process_time()
        theirs = np.array([nodal.volts(one, at) for one in faults])
        plain.append((time.process_time() - began) / len(faults))
        unsolved += int(np.isnan(theirs).any(axis=1).sum())
        apart["scipy"].append(_apart(outcome.readings, theirs, firm))
        apart["still"].append(_apart(still.readings, theirs, firm))
        compared += int((firm & ~np.isnan(theirs)).sum())
        if simulator.program():
            ngspice.append(simulator.seconds(netlist, start, faults))
            theirs = simulator.volts(netlist, start, faults, at)
            failed += int(np.isnan(theirs).any(axis=1).sum())
            apart["ngspice"].append(_apart(still.readings, theirs, firm))
    return Compared(
        len(few) * sample,
        float(np.mean(ngspice)) if ngspice else None,
        failed,
        unsolved,
        float(np.mean(plain)),
        max(apart["ngspice"]) if apart["ngspice"] else None,
        max(apart["scipy"]), max(apart["still"]), compared,
    )  # fmt: skip


def _apart(one: np.typing.NDArray[np.float64], other: np.typing.NDArray[np.float64], where: object) -> float:
    """The largest distance where both are known."""
    import numpy as np

    away = np.where(np.asarray(where) & ~np.isnan(other), np.abs(one - other), 0.0)
    return float(away.max(initial=0.0))


def rows_of(name: str, size: int | None, whole: Made, thin: Made | None, other: Compared | None) -> list[Row]:
    """The rows of one machine."""
    about = {"nodes": whole.nodes, "faults": whole.rows, "states": whole.states, "chattering": whole.chattering}
    if whole.fell:
        return [Row(f"{name}: whole dictionary", None, "s", SECONDS.get(size or 0), note=whole.fell, more=about)]
    found = [
        Row(
            f"{name}: whole dictionary", whole.seconds, "s", SECONDS.get(size or 0), more=about,
            note=f"{whole.nodes} nodes, {whole.rows:,} faults, {whole.states} states, {whole.chattering} chatter",
        ),
        Row(f"{name}: one fault in one state", 1e6 * whole.each, "us"),
        Row(
            f"{name}: peak memory", whole.memory_mb, "MB", MEMORY_MB.get(size or 0),
            note=f"{whole.before_mb:.0f} MB of it before the dictionary is begun",
        ),
    ]  # fmt: skip
    if thin is not None and not thin.fell:
        found.append(
            Row(
                f"{name}: the same with {thin.rows:,} of its faults", thin.seconds, "s", SECONDS.get(size or 0),
                note=f"as many as stood behind the goal; {1e6 * thin.each:.0f} us each, {thin.memory_mb:.0f} MB",
            )
        )  # fmt: skip
    if other is None:
        return found
    fails, gives_up = (
        f", which found no working point for {count}" if count else ""
        for count in (other.ngspice_failed, other.scipy_failed)
    )
    if other.ngspice_s is None:
        found.append(Row(f"{name}: times ngspice", None, "x", TIMES_NGSPICE.get(size or 0), at_least=True,
                         note="ngspice is not installed"))  # fmt: skip
    else:
        found.append(
            Row(
                f"{name}: times ngspice", other.ngspice_s / whole.each, "x", TIMES_NGSPICE.get(size or 0),
                at_least=True, more={"ngspice seconds": other.ngspice_s},
                note=f"{1e3 * other.ngspice_s:.2f} ms each over {other.faults} faults{fails}; extrapolated to all: "
                f"{other.ngspice_s * whole.rows * whole.states:,.0f} s",
            )
        )  # fmt: skip
    found += [
        Row(
            f"{name}: times plain SciPy", other.scipy_s / whole.each, "x", more={"scipy seconds": other.scipy_s},
            note=f"{1e3 * other.scipy_s:.2f} ms each over {other.faults} faults{gives_up}; extrapolated to all: "
            f"{other.scipy_s * whole.rows * whole.states:,.0f} s",
        ),
        Row(
            f"{name}: voltages apart from ngspice, diodes still", other.ngspice_v, "V", AGREE_V,
            note=f"{other.compared:,} readings fed through less than 1 Mohm",
        ),
        Row(f"{name}: voltages apart from SciPy, diodes still", other.scipy_still_v, "V", AGREE_V),
        Row(
            f"{name}: voltages apart from SciPy, as the dictionary is made", other.scipy_v, "V",
            note="the dictionary leaves a diode on its tangent where that is right within 2 mV",
        ),
    ]  # fmt: skip
    return found


def growth_rows(made: dict[int, tuple[Made, Compared | None]]) -> list[Row]:
    """Growth with the number of nodes over the generated harnesses."""
    good = [(one, other) for one, other in made.values() if not one.fell]
    if len(good) < 2:
        return [Row("growth of the whole dictionary with nodes", None, "exponent", GROWTH, note="fewer than two sizes")]
    nodes = [float(one.nodes) for one, _ in good]
    each = [one.each for one, _ in good]
    found = [
        Row("growth of the whole dictionary with nodes", growth(nodes, [one.seconds for one, _ in good]), "exponent",
            GROWTH),
        Row("growth of one fault in one state", growth(nodes, each), "exponent"),
        Row("growth of peak memory", growth(nodes, [one.memory_mb for one, _ in good]), "exponent"),
    ]  # fmt: skip
    others = [other for _, other in good if other is not None]
    if len(others) == len(good):
        plain = growth(nodes, [one.scipy_s for one in others])
        found.append(Row("growth of one fault, plain SciPy", plain, "exponent"))
        spice = [one.ngspice_s for one in others if one.ngspice_s is not None]
        if len(spice) == len(nodes):
            found.append(Row("growth of one fault, ngspice", growth(nodes, spice), "exponent"))
    return found


def main() -> int:
    names = [*SHIPPED, *(str(size) for size in GENERATED)]
    arguments = parser(__doc__)
    arguments.add_argument("--machines", nargs="+", choices=names, default=names, metavar="NAME")
    arguments.add_argument("--states", type=int, default=8, help="the first so many states (%(default)s)")
    arguments.add_argument("--points", type=int, default=200, help="test points (%(default)s)")
    arguments.add_argument("--sample", type=int, default=40, help="faults for the other engines (%(default)s)")
    arguments.add_argument("--no-others", action="store_true", help="halfsplit alone")
    given = arguments.parse_args()
    rows: list[Row] = []
    generated: dict[int, tuple[Made, Compared | None]] = {}
    with tempfile.TemporaryDirectory() as above:
        for name in given.machines:
            size = int(name) if name.isdigit() else None
            folder = ROOT / "examples" / name
            if size is not None:
                folder = write_harness(Path(above, name), size, SEED, watched=False)
            title = name if size is None else f"harness of {size}"
            points = test_points(folder, given.points)
            say(f"{title}: the dictionary")
            whole = made_alone(folder, points, given.states, None)
            thin = None if size is None else made_alone(folder, points, given.states, GENERATED[size])
            say(f"{title}: the other engines")
            other = None if given.no_others else compare(folder, points, given.states, given.sample)
            rows += rows_of(title, size, whole, thin, other)
            if size is not None:
                generated[size] = whole, other
    import simulator

    return finish(
        "dictionary", given, [*rows, *growth_rows(generated)], programs={"ngspice": simulator.program_version()}
    )


if __name__ == "__main__":
    sys.exit(main())
