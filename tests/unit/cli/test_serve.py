"""halfsplit serve as a person starts it: the address, one answer, the end; and a port that cannot be had."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
import urllib.request
from pathlib import Path

HALFSPLIT = [sys.executable, "-c", "import sys; from halfsplit.cli import main; sys.exit(main())"]


def test_it_serves_the_app_and_the_interface_until_interrupted(tmp_path: Path) -> None:
    command = [*HALFSPLIT, "serve", "--port", "0", "--json", "--home", str(tmp_path)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as server:
        try:
            assert server.stdout is not None
            said = "".join(server.stdout.readline() for _ in range(3))
            address = json.loads(said)["address"]
            assert address.startswith("http://127.0.0.1:")
            with urllib.request.urlopen(f"{address}api/about") as answer:  # noqa: S310 # our own server's address
                assert json.load(answer)["name"] == "halfsplit"
            with urllib.request.urlopen(address) as page:  # noqa: S310 # the same
                text = page.read().decode("utf-8")
                assert '<script type="module"' in text
                assert "style=" not in text
                assert "default-src 'none'" in page.headers["content-security-policy"]
        finally:
            server.send_signal(signal.SIGINT)
        assert server.wait(30) == 0


def test_the_demos_job_is_ready_to_be_worked_and_nothing_is_kept(tmp_path: Path) -> None:
    command = [*HALFSPLIT, "serve", "--port", "0", "--json", "--demo"]
    own = {**os.environ, "HALFSPLIT_HOME": str(tmp_path / "own"), "TMPDIR": str(tmp_path)}
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True, env=own) as server:
        try:
            assert server.stdout is not None
            address = json.loads("".join(server.stdout.readline() for _ in range(3)))["address"]
            with urllib.request.urlopen(f"{address}api/jobs") as answer:  # noqa: S310 # our own server's address
                (card,) = json.load(answer)["jobs"]
            assert card["complaint"] == ["Left dust spray: dead"]
            with urllib.request.urlopen(f"{address}api/jobs/{card['job']}/next") as answer:  # noqa: S310 # the same
                assert json.load(answer)["next"]["step"]["title"]
        finally:
            server.send_signal(signal.SIGINT)
        assert server.wait(30) == 0
    assert not list(tmp_path.glob("halfsplit-demo-*"))
    assert not (tmp_path / "own").exists()


def test_a_port_that_is_taken_is_said_so() -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        command = [*HALFSPLIT, "serve", "--port", str(taken.getsockname()[1]), "--json"]
        done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 2
    assert json.loads(done.stdout)["error"]["code"] == "port-taken"
