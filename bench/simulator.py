"""The same operating points by ngspice, its quickest way: one process, the circuit kept loaded, values altered.

Every branch and switch is a resistor that is there all the time (an open one has ``OPEN_OHM``), with a source before
it where it has an EMF in some setting. Leaks of the faults asked for are resistors loaded with the circuit, of
``OPEN_OHM`` until their turn. For each fault the values that differ from those of the fault before are altered, the
operating point is worked out and written to a file, all of it: picking 200 points of it costs the program ten times as
much as solving.
"""

from __future__ import annotations

import resource
import shutil
import subprocess
import tempfile
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from held_circuits import Setting

from halfsplit.circuit.netlist import Netlist
from halfsplit.circuit.stamps import Floats, compiled

#: An open; beside leaks of 1 nS it moves a node fed through less than 1 Mohm by less than 1e-7 V at 30 V (derived).
OPEN_OHM = 1e15
#: Its own defaults are its quickest; for a comparison of voltages all tolerances are tight.
QUICK = "gmin=1e-12 itl1=500"
TIGHT = "reltol=1e-9 abstol=1e-13 vntol=1e-9 gmin=1e-15 itl1=500"
REPEATS = 3


def program() -> str | None:
    """Where ngspice is, None when it is not installed."""
    return shutil.which("ngspice")


def program_version() -> str:
    """What ngspice says of its version."""
    found = program()
    if found is None:
        return "not installed"
    said = subprocess.run([found, "--version"], capture_output=True, text=True, check=False).stdout
    return next((word for word in said.split() if word.startswith("ngspice-")), "unknown")


def seconds(netlist: Netlist, start: Setting, faults: Sequence[Setting]) -> float:
    """Processor seconds for one fault: a run with all of them less a run with none, over their number.

    So starting and loading do not count. Its own tolerances, one file for all results; the least of a few runs.
    """
    alters = _alters(start, faults)
    least = {}
    with tempfile.TemporaryDirectory() as folder:
        for many in (0, len(faults)):
            files = ["all"] * many
            text = _deck(netlist, start, faults, alters[:many], files, QUICK)
            took = []
            for _ in range(REPEATS):
                Path(folder, "all.raw").unlink(missing_ok=True)
                took.append(_run(text, folder))
            least[many] = min(took)
    return (least[len(faults)] - least[0]) / len(faults)


def volts(netlist: Netlist, start: Setting, faults: Sequence[Setting], points: Sequence[int]) -> Floats:
    """Volts of some nodes with each fault, ``[faults, points]``, tight tolerances; nan where it finds none.

    The reference, which is 0 V, is none of the points.
    """
    with tempfile.TemporaryDirectory() as folder:
        files = [str(number) for number in range(len(faults))]
        _run(_deck(netlist, start, faults, _alters(start, faults), files, TIGHT), folder)
        found = [_read(Path(folder, f"{name}.raw"), points) for name in files]
    return np.array(found).reshape(len(faults), len(points))


def _run(text: str, folder: str) -> float:
    found = program()
    if found is None:
        raise FileNotFoundError("ngspice")
    Path(folder, "deck.cir").write_text(text, encoding="utf-8")
    began = _children_s()
    subprocess.run([found, "-b", "deck.cir"], cwd=folder, capture_output=True, check=False)
    return _children_s() - began


def _children_s() -> float:
    """Processor seconds of all child processes that have ended."""
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def _node(netlist: Netlist, index: int) -> str:
    return "0" if index == netlist.node_index[netlist.reference] else f"n{index}"


def _ohm(value: float) -> float:
    return value if np.isfinite(value) else OPEN_OHM


def _shunts(faults: Sequence[Setting]) -> dict[tuple[int, int], int]:
    """Every pair of nodes that some fault joins, with the number of its resistor."""
    pairs = dict.fromkeys((a, b) for fault in faults for a, b, _ in fault.shunts)
    return {pair: number for number, pair in enumerate(pairs)}


def _alters(start: Setting, faults: Sequence[Setting]) -> list[list[str]]:
    """For each fault the commands that lead to it from the one before."""
    shunts, before, joined = _shunts(faults), start, dict.fromkeys(_shunts(faults), OPEN_OHM)
    found = []
    for fault in faults:
        ohm = np.flatnonzero(fault.resistance_ohm != before.resistance_ohm).tolist()
        lines = [f"alter rb{k} = {_ohm(float(fault.resistance_ohm[k]))!r}" for k in ohm]
        emf = np.flatnonzero(fault.emf_v != before.emf_v).tolist()
        lines += [f"alter vb{k} dc = {float(fault.emf_v[k])!r}" for k in emf]
        now = {**dict.fromkeys(joined, OPEN_OHM), **{(a, b): 1.0 / siemens for a, b, siemens in fault.shunts}}
        lines += [f"alter rs{shunts[pair]} = {now[pair]!r}" for pair in now if now[pair] != joined[pair]]
        found.append(lines)
        before, joined = fault, now
    return found


def _deck(
    netlist: Netlist, start: Setting, faults: Sequence[Setting], alters: Sequence[Sequence[str]],
    files: Sequence[str], options: str,
) -> str:  # fmt: skip
    c = compiled(netlist)
    sources = (start.emf_v != 0.0) | np.any([fault.emf_v != start.emf_v for fault in faults], axis=0)
    lines = ["* a circuit with faults to alter"]
    for k in range(c.first_diode):
        a, b, ohm = _node(netlist, int(c.a[k])), _node(netlist, int(c.b[k])), _ohm(float(start.resistance_ohm[k]))
        if sources[k]:
            # v_a - v_b + emf = R i: the source raises the voltage on the way from a to b.
            lines += [f"vb{k} m{k} {a} dc {float(start.emf_v[k])!r}", f"rb{k} m{k} {b} {ohm!r}"]
        else:
            lines.append(f"rb{k} {a} {b} {ohm!r}")
    for d, diode in enumerate(netlist.diodes):
        k = c.first_diode + d
        law = f"IS={diode.saturation_a!r} N={diode.emission!r} TNOM={diode.temperature_c!r}"
        lines.append(f".model dm{d} D({law})")
        lines.append(
            f"dd{d} {_node(netlist, int(c.a[k]))} {_node(netlist, int(c.b[k]))} dm{d} TEMP={diode.temperature_c!r}"
        )
    for ends, number in _shunts(faults).items():
        lines.append(f"rs{number} {_node(netlist, ends[0])} {_node(netlist, ends[1])} {OPEN_OHM!r}")
    leak = 1.0 / netlist.leak_siemens
    lines += [f"rl{k} n{k} 0 {leak!r}" for k in range(c.n) if k != c.reference]
    lines += [f".options {options}", ".control", "set filetype=binary", "set appendwrite", "op", "destroy all"]
    for name, commands in zip(files, alters, strict=True):
        lines += [*commands, "op", f"write {name}.raw", "destroy all"]
    return "\n".join([*lines, "quit", ".endc", ".end"]) + "\n"


def _read(file: Path, points: Sequence[int]) -> Floats:
    """Points of the one operating point in a binary file."""
    nothing = np.full(len(points), np.nan)
    try:
        head, mark, values = file.read_bytes().partition(b"Binary:\n")
    except OSError:
        return nothing
    names = [line.split()[1].decode("ascii") for line in head.partition(b"Variables:\n")[2].splitlines() if line]
    found = np.frombuffer(values, dtype=np.float64) if mark else np.zeros(0)
    at = {name: number for number, name in enumerate(names)}
    if len(found) != len(names) or any(f"v(n{k})" not in at for k in points):
        return nothing
    return np.asarray(found[[at[f"v(n{k})"] for k in points]])
