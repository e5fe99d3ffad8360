"""How long a long wire list takes to read, beside the YAML library and the csv module reading the same two files.

    python bench/bench_reading.py

The chain of ``WIRES`` wires and splices is invented for this; both sides read it in turn
in the same process and the least of ``REPEATS`` runs counts, in processor seconds. The second row doubles the wires: a
reader that looks at each thing once takes about twice as long.
"""

from __future__ import annotations

import csv
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import yaml
from rows import Row, finish, parser

from halfsplit.machine.reading import load_machine

WIRES = 500
REPEATS = 3
READ_S = 0.5  # invented for the bench: a machine file is read before every command
GROWTH = 2.5


def write(folder: Path, wires: int) -> Path:
    """A battery, a lamp and a chain of splices between them in ``folder``."""
    rows = ["wire,circuit,from,to,size,length,colour,run", "W0,30,BAT.+,J0,6 mm2,1 m,red,"]
    rows += [f"W{n},30,J{n - 1},J{n},1.5 mm2,0.5 m,red," for n in range(1, wires - 1)]
    rows += [f"W{wires - 1},31,H1.-,BAT.-,1 mm2,1 m,black,", f"W{wires},30,J{wires - 2},H1.+,1 mm2,1 m,red,"]
    splices = "\n".join(f"  J{n}: {{kind: splice, name: Joint {n}}}" for n in range(wires - 1))
    folder.mkdir()
    (folder / "wires.csv").write_text("\n".join(rows), "utf-8")
    (folder / "machine.yaml").write_text(
        "format: halfsplit-machine/1\nmachine: {name: Long chain, invented: yes}\nparts:\n  BAT: {kind: battery}\n"
        f"  H1: {{kind: lamp}}\n{splices}\nwires: wires.csv\nfunctions: {{lamp: {{watch: H1}}}}\n",
        "utf-8",
    )
    return folder


def plain(folder: Path) -> None:
    """The two files through the libraries alone: no units, no places, no problems."""
    yaml.load((folder / "machine.yaml").read_text("utf-8"), yaml.CSafeLoader)
    with (folder / "wires.csv").open(encoding="utf-8", newline="") as file:
        list(csv.DictReader(file))


def least_s(*sides: Callable[[], object]) -> list[float]:
    times: list[list[float]] = [[] for _ in sides]
    for _ in range(REPEATS):
        for kept, side in zip(times, sides, strict=True):
            start = time.process_time()
            side()
            kept.append(time.process_time() - start)
    return [min(kept) for kept in times]


def main() -> int:
    given = parser(__doc__).parse_args()
    with tempfile.TemporaryDirectory() as above:
        one, two = write(Path(above, "one"), WIRES), write(Path(above, "two"), 2 * WIRES)
        load_machine(one)  # the kind tables are read once in a process; that is not measured
        ours, library, doubled = least_s(lambda: load_machine(one), lambda: plain(one), lambda: load_machine(two))
    rows = [
        Row(f"{WIRES} wires read", ours, "s", READ_S),
        Row(f"{2 * WIRES} wires beside {WIRES}", doubled / ours, "x", GROWTH),
        Row("beside the libraries alone", ours / library, "x"),
    ]
    return finish("reading", given, rows)


if __name__ == "__main__":
    sys.exit(main())
