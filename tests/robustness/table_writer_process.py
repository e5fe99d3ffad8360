"""Run as a process of its own: writes one table under the same key again and again, beside others that do too.

Arguments: folder, how often. Says "ready" and waits for a line, so that all begin together.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

from halfsplit.faults.signatures import Kept
from halfsplit.service.kept_tables import FolderTables


def table() -> Kept:
    rng = np.random.default_rng(8)
    return Kept(
        rng.normal(size=(400, 200)).astype(np.float32),
        rng.normal(size=(400, 5)).astype(np.float32),
        rng.random((400, 7)) < 0.5,
        rng.random(400) < 0.5,
        rng.random((400, 3)) < 0.5,
        rng.normal(size=(200, 210)),
        rng.random(9) < 0.5,
        rng.normal(size=4),
    )


def main() -> None:
    folder, count = Path(sys.argv[1]), int(sys.argv[2])
    kept, store = table(), FolderTables(folder, version="1")
    print("ready", flush=True)
    sys.stdin.readline()
    for _ in range(count):
        store.put("key", kept)


if __name__ == "__main__":
    main()
