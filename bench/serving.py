"""A server of its own for a bench."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager

HALFSPLIT = [sys.executable, "-c", "import sys; from halfsplit.cli import main; sys.exit(main())"]


@contextmanager
def served(*options: str) -> Iterator[tuple[dict[str, str], int]]:
    """What ``halfsplit serve`` with these options said when it was ready, and its process's id."""
    command = [*HALFSPLIT, "serve", *options, "--port", "0", "--json"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as server:
        try:
            assert server.stdout is not None  # a pipe was asked for
            yield json.loads("".join([*iter(server.stdout.readline, "}\n"), "}"])), server.pid
        finally:
            server.send_signal(signal.SIGINT)
