"""Watching a live bus, as somebody who moves connectors would: words in, alarms and findings out."""

from __future__ import annotations

import json
import os
import signal
from collections.abc import Iterator, Sequence
from pathlib import Path

import pytest
from tests.unit.cli.live_bus import Machine
from tests.unit.service.test_bus_evidence import MACHINE, WIRES

from halfsplit.cli import main
from halfsplit.cli.watch_board import Lines
from halfsplit.jobs.events import NoteAdded, ObservationRecorded
from halfsplit.jobs.opening import open_store
from halfsplit.jobs.recording import load_job
from halfsplit.observations import CodeSeen, Move
from halfsplit.service.watch_results import Board, Told
from halfsplit.settings import store_path

NAMED = ("--address", "E1=10", "--address", "E2=20", "--address", "E3=30")
INTO = ("--state", "on", "--beside", "E1", *NAMED)


@pytest.fixture
def machine(monkeypatch: pytest.MonkeyPatch) -> Iterator[Machine]:
    with Machine(monkeypatch) as made:
        yield made


@pytest.fixture
def home(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Path:
    """A home with one open job on a machine of three controllers."""
    home = with_job(tmp_path, MACHINE)
    capsys.readouterr()
    return home


def with_job(folder: Path, text: str) -> Path:
    """A home in a folder, with a job on the machine of this text."""
    (folder / "machine.yaml").write_text(text)
    (folder / "wires.csv").write_text(WIRES)
    opened = main([
        "job", "open", str(folder), "--home", str(folder / "home"), "--complaint", "third unsteady in on",
        "--comes-and-goes",
    ])  # fmt: skip
    assert opened == 0
    return folder / "home"


def kept(home: Path) -> list[object]:
    """What was written into the job after its opening: observations and notes."""
    with open_store(store_path({"HALFSPLIT_HOME": str(home)})) as store:
        (line,) = store.jobs()
        whats = [entry.what for entry in load_job(store, line.id).entries]
    return [one.observation if isinstance(one, ObservationRecorded) else one for one in whats]


def wiggled(machine: Machine, *, quit_after: bool = True) -> None:
    """The third controller drops out five times while X3 is moved, and X2 is moved in peace."""
    machine.run(12)
    machine.wait_for("Learned.")
    machine.run(20)
    machine.type("now X2")
    machine.wait_for("Moving X2.")
    machine.run(25)
    machine.type("now X3")
    machine.wait_for("Moving X3.")
    for time in range(5):
        machine.run(1)
        machine.run(1.2, silent=[30])
        machine.wait_for("DROP E3 dropped out", times=time + 1)
        machine.run(0.2)
        machine.wait_for("BACK E3 is heard again", times=time + 1)
    machine.run(1)
    machine.type("stop")
    machine.wait_for("X3 let go.")
    machine.run(1)
    if quit_after:
        machine.type("quit")


def test_drops_while_a_connector_is_moved_are_told_tied_to_it_and_written_into_the_job(
    machine: Machine, home: Path
) -> None:
    text = machine.watch(wiggled, "--home", str(home), *INTO)
    print(machine.printed.getvalue())
    assert text.index("Follow the maker's manual") < text.index("Hands off for 10 s")
    assert "E3 dropped out at 5" in text
    assert "while X3 is moved." in text
    assert "X2 moved for 25 s: nobody dropped out." in text
    assert "it reacts to being moved." in text
    seen = kept(home)
    moves = [one for one in seen if isinstance(one, Move)]
    assert Move("X3", "", "on", changed=True) in moves
    assert {one.changed for one in moves if one.place.startswith("X2")} == {False}
    silent = [one for one in seen if isinstance(one, CodeSeen)]
    assert silent == [
        CodeSeen("E2", "silent@E1", "on", active=False, showing="yes"),
        CodeSeen("E3", "silent@E1", "on", active=True, showing="yes"),
    ]
    notes = [one.text for one in seen if isinstance(one, NoteAdded)]
    assert sum("E3 dropped out" in one for one in notes) == 5
    assert "bus watch of" in notes[-1]


def test_what_was_written_is_taken_back_like_anything_else(
    machine: Machine, home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    machine.watch(wiggled, "--home", str(home), *INTO)
    with open_store(store_path({"HALFSPLIT_HOME": str(home)})) as store:
        (line,) = store.jobs()
        (entry,) = [
            one.number
            for one in load_job(store, line.id).entries
            if isinstance(one.what, ObservationRecorded)
            and one.what.observation == Move("X3", "", "on", changed=True)
        ]
    assert main(["job", "undo", "--entry", str(entry), "--home", str(home)]) == 0
    with open_store(store_path({"HALFSPLIT_HOME": str(home)})) as store:
        undone = [one.number for one in load_job(store, line.id).entries if one.undone]
    assert undone == [entry]


def test_who_is_who_is_taken_from_the_machine_file(machine: Machine, tmp_path: Path) -> None:
    text = MACHINE
    for address in (10, 20, 30):  # E1, E2, E3 in the order of the file
        text = text.replace("CAN1: {}", f"CAN1: {{address: {address}}}", 1)
    home = with_job(tmp_path, text)
    machine.watch(wiggled, "--home", str(home), "--state", "on", "--beside", "E1")
    assert Move("X3", "", "on", changed=True) in kept(home)


def test_a_watch_into_a_job_needs_to_know_who_is_who(home: Path, capsys: pytest.CaptureFixture[str]) -> None:
    into = ("--home", str(home), "--state", "on", "--beside", "E1")
    assert main(["buslog", "watch", "--interface", "virtual", "--channel", "a", *into]) == 2
    assert "(log-address)" in capsys.readouterr().err


def test_without_a_job_it_tells_and_writes_nothing(machine: Machine, tmp_path: Path) -> None:
    text = machine.watch(wiggled, "--home", str(tmp_path), *NAMED)
    assert "Nothing is written down" in text
    assert "it reacts to being moved." in text
    assert not list(tmp_path.iterdir())


def test_a_single_drop_can_be_chance_and_is_said_to_be(machine: Machine, home: Path) -> None:
    def story(machine: Machine) -> None:
        machine.run(12)
        machine.type("now X3")
        machine.wait_for("Moving X3.")
        machine.run(10)
        machine.run(1, silent=[30])
        machine.run(10)
        machine.type("stop")
        machine.wait_for("X3 let go.")
        machine.run(1)
        machine.wait_for("that can be chance. Move it again, or others for longer.")

    machine.watch(story, "--home", str(home), *INTO)
    seen = kept(home)
    assert not [one for one in seen if isinstance(one, Move)]
    assert any(isinstance(one, NoteAdded) and "that can be chance" in one.text for one in seen)


def test_words_that_are_not_known_let_go_of_what_was_moved_and_near_ones_are_offered(
    machine: Machine, home: Path
) -> None:
    def story(machine: Machine) -> None:
        machine.type("now X3")
        machine.wait_for("Hands off: how often each controller speaks is still being learned.")
        machine.run(12)
        machine.type("now x3.")
        machine.wait_for("Moving X3.")
        machine.type("now X33")
        machine.wait_for('There is no place called "X33". Did you mean X3? Nothing is being moved now.')
        machine.type("nwo X3")
        machine.wait_for('"nwo X3" is no word of a watch. Did you mean now?')
        machine.type("note wet under the floor")
        machine.wait_for("Noted.")
        machine.type("stop")
        machine.wait_for("Nothing was being moved.")

    machine.watch(story, "--home", str(home), *INTO)
    assert NoteAdded("wet under the floor") in kept(home)


def test_everybody_gone_to_the_end_is_taken_as_switched_off(machine: Machine) -> None:
    def story(machine: Machine) -> None:
        machine.run(12)
        machine.type("now X3")
        machine.wait_for("Moving X3.")
        machine.run(5)
        machine.run(30, silent=[10, 20, 30])
        machine.wait_for("nobody is heard any more")

    text = machine.watch(story)
    assert "X3 moved for 5 s: nobody dropped out." in text
    assert "At the end nobody was heard; that counts as switched off, and for no place." in text


def test_when_the_adapter_goes_away_it_says_so_and_what_was_written_stays(
    machine: Machine, home: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    def story(machine: Machine) -> None:
        wiggled(machine, quit_after=False)
        machine.heard_by.shutdown()
        machine.wait_for("The watch")

    text = machine.watch(story, "--home", str(home), *INTO, status=2)
    assert "it reacts to being moved." in text
    assert "(bus-lost)" in capsys.readouterr().err
    assert Move("X3", "", "on", changed=True) in kept(home)


def test_an_interrupt_ends_it_like_quit(machine: Machine, home: Path) -> None:
    def story(machine: Machine) -> None:
        wiggled(machine, quit_after=False)
        os.kill(os.getpid(), signal.SIGINT)
        machine.wait_for("The watch")

    text = machine.watch(story, "--home", str(home), *INTO)
    assert "NEXT CHECK" in text
    assert any(isinstance(one, NoteAdded) and one.text.startswith("bus watch of") for one in kept(home))


def test_when_nobody_reads_what_it_prints_any_more_its_findings_are_written_all_the_same(
    machine: Machine, home: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    show = Lines.show

    def broken(lines: Lines, board: Board, told: Sequence[Told], begun: str) -> None:
        if any("let go" in one.text for one in told):
            raise BrokenPipeError
        show(lines, board, told, begun)

    monkeypatch.setattr(Lines, "show", broken)

    def story(machine: Machine) -> None:
        machine.run(12)
        machine.type("now X2")
        machine.wait_for("Moving X2.")
        machine.run(25)
        machine.type("stop")

    machine.watch(story, "--home", str(home), *INTO)
    moves = [one for one in kept(home) if isinstance(one, Move)]
    assert moves
    assert not any(one.changed for one in moves)


def test_an_alarm_that_cannot_be_started_is_said_once_and_the_watch_goes_on(machine: Machine) -> None:
    text = machine.watch(wiggled, "--alarm", "no-such-player horn.wav", *NAMED)
    assert text.count("The alarm no-such-player cannot be started") == 1
    assert text.count("DROP E3") == 5


def test_nothing_is_ever_sent(machine: Machine, monkeypatch: pytest.MonkeyPatch) -> None:
    def story(machine: Machine) -> None:
        wiggled(machine)
        assert machine.bus.recv(0) is None

    machine.watch(story, *NAMED)


def test_the_end_of_the_input_ends_the_watch_and_its_findings_are_data(machine: Machine) -> None:
    machine.watch(lambda machine: wiggled(machine, quit_after=False), "--json", *NAMED)
    found = json.loads(machine.data.getvalue())
    assert [one["verdict"] for one in found["places"]] == ["nothing", "reacted"]
    assert [one["who"] for one in found["drops"]] == [["E3"]] * 5
    assert {one["moving"] for one in found["drops"]} == {"X3"}
    reacted = found["places"][1]
    assert (reacted["drops"], reacted["others"]) == (5, 0)
    assert reacted["p"] == pytest.approx(reacted["share"] ** 5, abs=1e-6)


@pytest.mark.parametrize(
    ("arguments", "code", "said"),
    [
        (["--interface", "virtul", "--channel", "a"], "bus-interface", "Did you mean virtual?"),
        (["--interface", "socketcan", "--channel", "none0"], "bus-unavailable", "none0 cannot be opened"),
        (["--interface", "virtual", "--channel", "a", "--still", "0.1 s"], "watch-time", "0.1 s"),
        (["--interface", "virtual", "--channel", "a", "--bit-rate", "250"], "bit-rate", "250"),
        (["--interface", "virtual", "--channel", "a", "--address", "E1"], "log-address", "ECU1=3"),
        (["--interface", "virtual", "--channel", "a", "--state", "on"], "watch-job", "--beside"),
    ],
)
def test_mistakes_end_with_their_code_and_exit_2(
    arguments: list[str], code: str, said: str, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    assert main(["buslog", "watch", "--home", str(tmp_path), *arguments]) == 2
    text = capsys.readouterr().err
    assert f"({code})" in text
    assert said in text
