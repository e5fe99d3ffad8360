"""halfsplit people as it is typed, and halfsplit serve --lan with somebody who signs in."""

from __future__ import annotations

import http.cookiejar
import json
import signal
import ssl
import subprocess
import sys
import urllib.error
import urllib.request
from pathlib import Path

import pytest

from halfsplit.cli import main

HALFSPLIT = [sys.executable, "-c", "import sys; from halfsplit.cli import main; sys.exit(main())"]
PASSWORD = "four brown boots"


def typed(*arguments: str, home: Path, password: str = PASSWORD) -> subprocess.CompletedProcess[str]:
    """The command in a process of its own, with the password piped in."""
    command = [*HALFSPLIT, "people", *arguments, "--home", str(home)]
    return subprocess.run(command, input=f"{password}\n", capture_output=True, text=True, check=False)


def test_people_are_added_listed_changed_and_removed(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    home = ["--home", str(tmp_path)]
    assert main(["people", "list", *home]) == 0
    assert "halfsplit people add" in capsys.readouterr().out
    assert typed("add", "Ana", home=tmp_path).stdout == "Ana may sign in as technician.\n"
    twice = typed("add", "ana", home=tmp_path)
    assert twice.returncode == 2
    assert "(person-there)" in twice.stderr
    weak = typed("add", "Bo", home=tmp_path, password="short")
    assert weak.returncode == 2
    assert "(password-weak)" in weak.stderr
    assert main(["people", "role", "Ana", "lead", *home]) == 0
    assert typed("password", "Ana", home=tmp_path, password="seven grey horses").returncode == 0
    assert typed("password", "Anna", home=tmp_path).returncode == 2
    capsys.readouterr()
    assert main(["people", "list", "--json", *home]) == 0
    (found,) = json.loads(capsys.readouterr().out)["people"]
    assert (found["name"], found["role"], found["last_sign_in"]) == ("Ana", "lead", "")
    assert "argon2" not in json.dumps(found)
    assert main(["people", "remove", "Ana", *home]) == 0
    assert main(["people", "remove", "Ana", *home]) == 2


def test_a_password_is_typed_twice_at_a_terminal(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    answers = iter(["four brown boots", "four brown boost"])
    monkeypatch.setattr("getpass.getpass", lambda _prompt: next(answers))
    monkeypatch.setattr("sys.stdin.isatty", lambda: True, raising=False)
    assert main(["people", "add", "Ana", "--home", str(tmp_path)]) == 2


def test_the_network_is_not_served_before_somebody_could_sign_in(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["serve", "--lan", "--address", "127.0.0.1", "--port", "0", "--home", str(tmp_path)]) == 2
    assert "halfsplit people add" in capsys.readouterr().err
    assert not (tmp_path / "certificates").exists()


@pytest.mark.parametrize(
    ("arguments", "code"),
    [
        (["--lan", "--address", "8.8.8.8"], "address-not-local"),
        (["--address", "10.0.0.1"], "serve-address"),
    ],
)
def test_an_address_that_cannot_be_served_is_said_so(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], arguments: list[str], code: str
) -> None:
    typed("add", "Ana", home=tmp_path)
    assert main(["serve", *arguments, "--json", "--home", str(tmp_path)]) == 2
    assert json.loads(capsys.readouterr().out)["error"]["code"] == code


def test_a_phone_joins_signs_in_and_hears_news(tmp_path: Path) -> None:
    typed("add", "Ana", "--role", "lead", home=tmp_path)
    command = [*HALFSPLIT, "serve", "--lan", "--address", "127.0.0.1", "--port", "0", "--json", "--home", str(tmp_path)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as server:
        try:
            assert server.stdout is not None
            said = json.loads("".join(server.stdout.readline() for _ in range(5)))
            address = said["address"]
            assert address.startswith("https://127.0.0.1:")
            with urllib.request.urlopen(said["join"]) as page:  # noqa: S310 # our own server's address
                text = page.read().decode("utf-8")
                assert said["fingerprint"] in text.replace("<wbr>", "")
                assert '<html lang="en">' in text
                assert address in text
            spanish = urllib.request.Request(said["join"], headers={"Accept-Language": "es-MX"})  # noqa: S310 # the same
            with urllib.request.urlopen(spanish) as page:  # noqa: S310 # the same
                text = page.read().decode("utf-8")
                assert '<html lang="es">' in text
                assert said["fingerprint"] in text.replace("<wbr>", "")
                assert address in text
            with urllib.request.urlopen(f"{said['join']}halfsplit.crt") as file:  # noqa: S310 # the same
                authority = ssl.DER_cert_to_PEM_cert(file.read())
            with pytest.raises(urllib.error.URLError, match="CERTIFICATE_VERIFY_FAILED"):
                urllib.request.urlopen(f"{address}api/about")  # noqa: S310 # the same
            jar = http.cookiejar.CookieJar()
            phone = urllib.request.build_opener(
                urllib.request.HTTPSHandler(context=ssl.create_default_context(cadata=authority)),
                urllib.request.HTTPCookieProcessor(jar),
            )

            def sent(path: str, **content: object) -> object:
                kind = {"content-type": "application/json"}
                data = json.dumps(content).encode()
                request = urllib.request.Request(f"{address}api/{path}", data, kind)  # noqa: S310 # the same
                with phone.open(request) as answer:
                    return json.load(answer)

            with pytest.raises(urllib.error.HTTPError, match="401"):
                phone.open(f"{address}api/jobs")
            with pytest.raises(urllib.error.HTTPError, match="422"):
                sent("session", name="Ana", password="four brown cats")
            assert sent("session", name="Ana", password=PASSWORD) == {"needed": True, "name": "Ana", "role": "lead"}
            opened = sent(
                "jobs", sending="sending-1", machine="hand-cart-generator",
                told=[{"function": "starter", "state": "start", "level": "dead"}],
            )  # fmt: skip
            assert isinstance(opened, dict)
            job = opened["next"]["head"]["job"]
            with phone.open(f"{address}api/jobs/{job}/news") as stream:
                assert stream.readline().startswith(b"id: ")
                sent(f"jobs/{job}/notes", sending="sending-2", text="hello")
                lines = iter(stream.readline, b"")
                heard = next(line for line in lines if line.startswith(b"data: ") and b"hello" in line)
            assert json.loads(heard[6:])["lines"][0]["by"] == "Ana"
        finally:
            server.send_signal(signal.SIGINT)
        assert server.wait(30) == 0
        assert server.stderr is not None
        assert PASSWORD not in server.stderr.read()
