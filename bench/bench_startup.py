"""How long starting takes: the command's help, importing the package, and Python alone beside them.

    python bench/bench_startup.py [--repeats 9]

Each is a fresh process; the quickest counts, the median stands beside it. How long the first next check takes is
measured by bench_latency.py.
"""

from __future__ import annotations

import subprocess
import sys
import time
from statistics import median

from rows import Row, finish, parser

HELP_S = 0.3
IMPORT_S = 0.5
MAIN = "import sys; from halfsplit.cli import main; sys.exit(main(['--help']))"


def timed(code: str, repeats: int) -> list[float]:
    """Seconds from starting Python with some code to its end, several goes."""
    found = []
    for _ in range(repeats):
        start = time.perf_counter()
        subprocess.run([sys.executable, "-c", code], stdout=subprocess.DEVNULL, check=True)
        found.append(time.perf_counter() - start)
    return found


def main() -> int:
    arguments = parser(__doc__)
    arguments.add_argument("--repeats", type=int, default=9, help="goes of each (%(default)s)")
    given = arguments.parse_args()
    rows = []
    for what, code, goal in (
        ("halfsplit --help", MAIN, HELP_S),
        ("import halfsplit", "import halfsplit", IMPORT_S),
        ("import halfsplit and what working a job takes", "import halfsplit.service.working", None),
        ("Python alone", "pass", None),
    ):
        took = timed(code, given.repeats)
        rows.append(Row(what, min(took), "s", goal, note=f"median {median(took):.3f} s"))
    return finish("startup", given, rows)


if __name__ == "__main__":
    sys.exit(main())
