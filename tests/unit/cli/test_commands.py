"""The installed command, as a person or a script runs it."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from pypdf import PdfReader

COMMAND = str(Path(sys.executable).parent / "halfsplit")
SKETCH, SWEEPER = "hand-cart-generator", "saltmarsh-sweeper"


def run(
    home: Path, *arguments: str, typed: str | None = None, columns: int = 80, status: int = 0, **environ: str
) -> str:
    """Standard output of the command; its exit status must be ``status``."""
    done = subprocess.run(
        [COMMAND, *arguments],
        input=typed or "",
        capture_output=True,
        text=True,
        check=False,
        env={
            **{key: value for key, value in os.environ.items() if key not in ("NO_COLOR", "FORCE_COLOR")},
            "HALFSPLIT_HOME": str(home),
            "COLUMNS": str(columns),
            **environ,
        },
        cwd=home,
    )
    assert done.returncode == status, f"{done.returncode}\n{done.stdout}\n{done.stderr}"
    assert "Traceback" not in done.stderr
    return done.stdout if status == 0 else done.stdout + done.stderr


def read(home: Path, *arguments: str) -> Any:
    return json.loads(run(home, *arguments, "--json"))


@pytest.fixture
def home(tmp_path: Path) -> Path:
    return tmp_path


@pytest.fixture
def job(home: Path) -> str:
    found = read(home, "job", "open", SKETCH, "--complaint", "starter dead in start", "--unit", "7")
    return str(found["head"]["job"])


def test_the_version_and_the_help_are_printed() -> None:
    assert run(Path.cwd(), "--version").startswith("halfsplit 0.")
    assert "work" in run(Path.cwd(), "--help")


def test_a_job_is_worked_command_by_command(home: Path, job: str) -> None:
    assert "NEXT CHECK" in run(home, "job", "next")
    text = run(home, "job", "found", "12.4", "V,", "showing", "--check", "volts K1.1 in start")
    assert "Recorded: volts at K1.1 [start]: 12.4 V, fault showing" in text
    assert "K1" in run(home, "job", "suspects")
    assert "volts at K1.1" in run(home, "job", "why", "repair-wire:W4")
    assert "taken back" in run(home, "job", "undo")
    assert "stands again" in run(home, "job", "undo", "--restore")
    run(home, "job", "note", "posts", "are", "clean")
    log = run(home, "job", "log")
    assert "note: posts are clean" in log
    assert "volts at K1.1 [start]: 12.4 V" in log
    closed = run(home, "job", "close", "replace-part:K1", "--note", "solenoid open")
    assert "Cause: replace K1." in closed
    assert "closed" in run(home, "job", "list")
    assert run(home, "job", "list", "--open") != run(home, "job", "list")
    assert "NEXT CHECK" in run(home, "job", "reopen", job, "--reason", "came back")


def test_a_job_goes_out_of_one_home_and_into_another(home: Path, job: str, tmp_path: Path) -> None:
    run(home, "job", "found", "0 V", "--check", "volts K1.1 in start")
    run(home, "job", "out", "away.halfsplit-job")
    other = tmp_path / "other"
    assert "Took in job" in run(home, "job", "in", "away.halfsplit-job", "--home", str(other))
    here, there = read(home, "job", "suspects"), read(home, "job", "suspects", "--home", str(other))
    assert here == there
    assert "is there already" in run(home, "job", "out", "away.halfsplit-job", status=2)


def test_access_is_noted_by_itself(home: Path) -> None:
    run(home, "job", "open", SWEEPER, "--complaint", "brush-left dead in sweep")
    assert "opened: chock-wheels" in run(home, "job", "access", "open", "drop-belly-pan")
    assert "closed: drop-belly-pan" in run(home, "job", "access", "close")
    assert "Nothing was open" in run(home, "job", "access", "close")


#: The keys a script may rely on; adding some is no break, losing one is.
NEXT_KEYS = {
    "head", "kind", "words", "reason", "step", "others", "suspects", "nothing", "something_else", "surprise",
    "fixed_idea", "open_access", "runners_up", "two_at_once",
}  # fmt: skip
STEP_KEYS = {
    "kind", "id", "title", "short", "cautions", "steps", "openings", "minutes", "outcomes", "answers", "odds",
    "success", "came_right", "material", "look_for",
}  # fmt: skip
HEAD_KEYS = {
    "job", "machine", "machine_name", "unit", "state", "clock", "complaint", "conditions", "comes_and_goes",
    "minutes", "entries",
}  # fmt: skip


def test_json_has_the_keys_scripts_rely_on(home: Path, job: str) -> None:
    found = read(home, "job", "next")
    assert set(found) == NEXT_KEYS
    assert set(found["head"]) == HEAD_KEYS
    assert set(found["step"]) == STEP_KEYS
    assert set(found["step"]["minutes"]) == {"own", "opening", "closing", "setting", "verifying", "total"}
    assert set(found["step"]["outcomes"][0]) == {"label", "low", "high", "chance", "healthy", "means"}
    assert set(found["suspects"][0]) == {"group", "odds", "repair", "text", "place", "zone", "minutes"}
    recorded = read(home, "job", "found", "panel-lamp in start: lit")
    assert set(recorded) == {"job", "words", "next"}
    why = read(home, "job", "why")
    assert {"group", "odds", "rival", "testimonies", "doubles"} <= set(why)
    log = read(home, "job", "log")
    assert set(log["lines"][0]) == {"number", "when", "by", "kind", "words", "minutes", "undone"}
    assert set(read(home, "job", "list")["jobs"][0]) == {
        "job", "machine", "unit", "state", "opened", "changed", "entries",
    }  # fmt: skip
    report = read(home, "machine", "check", SKETCH)
    assert {"counts", "credibility", "assumed", "sharpening", "unseen", "leads"} <= set(report)
    assert {"things", "machine", "name"} <= set(read(home, "machine", "show", SKETCH))


def test_odds_in_json_add_up_to_one(home: Path, job: str) -> None:
    found = read(home, "job", "suspects", "--most", "500")
    total = sum(one["odds"] for one in found["suspects"]) + found["nothing"] + found["something_else"]
    # Each of two faults counts among the suspects.
    total -= found["two_at_once"]
    # Each number is rounded to six digits, and there are some sixty.
    assert total == pytest.approx(1.0, abs=1e-4)


@pytest.mark.parametrize(
    ("arguments", "code", "near"),
    [
        (("job", "open", "hand-cart-generater", "--complaint", "x"), "not-found", SKETCH),
        (("job", "open", SKETCH, "--complaint", "stater dead"), "problems", "starter"),
        (("job", "open", SKETCH, "--complaint", "starter dead in strat"), "problems", "start"),
        (("job", "open", SKETCH, "--complaint", "starter dead", "--condition", "rian"), "problems", "rain"),
        (("job", "open", SKETCH), "complaint-empty", ""),
        (("job", "next"), "job-none-open", "job open"),
        (("job", "next", "--job", "nothing"), "not-found", ""),
        (("machine", "check", "orchard-platfrom"), "not-found", "orchard-platform"),
        (("practice", SKETCH, "--fault", "W4/wire-opn"), "not-found", "W4/wire-open"),
    ],
)
def test_a_persons_mistake_ends_with_two_a_code_and_the_nearest_spelling(
    home: Path, arguments: tuple[str, ...], code: str, near: str
) -> None:
    said = run(home, *arguments, status=2)
    assert near in said
    data = json.loads(run(home, *arguments, "--json", status=2))
    assert data["error"]["code"] == code


@pytest.mark.parametrize(
    ("arguments", "near"),
    [(("job", "fond", "x"), "found"), (("wrok",), "work"), (("job", "next", "--othr", "1"), "--other")],
)
def test_a_mistyped_command_or_flag_ends_with_two_and_the_nearest(
    home: Path, arguments: tuple[str, ...], near: str
) -> None:
    assert f"did you mean {near}" in run(home, *arguments, status=2)


@pytest.mark.parametrize(
    ("text", "near"), [("12.4", "with its unit"), ("littt", "lit"), ("mended", "repair"), ("becon: lit", "")]
)
def test_an_answer_that_cannot_be_read_keeps_nothing(home: Path, job: str, text: str, near: str) -> None:
    assert near in run(home, "job", "found", text, status=2)
    assert read(home, "job", "log")["lines"] == []


def test_every_problem_of_a_broken_machine_file_is_listed_with_its_line(home: Path) -> None:
    folder = home / "broken"
    folder.mkdir()
    (folder / "machine.yaml").write_text(
        "format: halfsplit-machine/1\nmachine: {name: Broken, systm: 12 V}\nparts:\n  BAT: {kind: batery}\n",
        "utf-8",
    )
    said = run(home, "machine", "check", "broken", status=2)
    assert "machine.yaml:2" in said
    assert "did you mean system?" in said
    assert "did you mean battery?" in said
    problems = json.loads(run(home, "machine", "check", "broken", "--json", status=2))["error"]["problems"]
    assert {"code", "file", "line", "what", "suggestion"} == set(problems[0])
    assert len(problems) >= 2


#: What a person would type for a burnt-out solenoid, whatever is asked: each line says its subject.
BENCH_ANSWERS = """panel-lamp in start: lit
why
suspects
S1.3 in start: 12.5 V
K1.1 in start: 12.4 V
other
next
note solenoid is hot
K1.2 in start: 0.9 V
undo
K1.2 in start: 20 mV
repair K1 mended, 22 min
starter in start: pulls
log
close
"""


def test_a_piped_job_is_worked_to_its_end_and_kept(home: Path) -> None:
    typed = "starter dead in start\nrain\n\n" + BENCH_ANSWERS
    said = run(home, "work", SKETCH, typed=typed)
    for part in ("complaint> starter dead in start", "NEXT CHECK", "MENDED", "Cause: replace K1."):
        assert part in said
    assert "\x1b[" not in said
    lines = read(home, "job", "log", "--job", read(home, "job", "list")["jobs"][0]["job"])["lines"]
    assert [line["words"] for line in lines if line["undone"]] == ["volts at K1.2 [start]: 900 mV"]
    assert lines[-1]["words"].startswith("job closed, cause: replace K1")
    assert any(line["minutes"] == 22.0 for line in lines)


def test_a_piped_job_that_is_left_stays_open_and_goes_on_later(home: Path) -> None:
    run(
        home, "work", SKETCH, "--complaint", "starter dead in start", typed="panel-lamp in start: lit\nquit\n"
    )
    job = read(home, "job", "list")["jobs"][0]["job"]
    said = run(home, "work", job, typed="K1.1 in start: 0 V\n")
    assert "panel-lamp" not in said.split("> ")[0].split("NEXT")[0]
    assert "stays open" in said
    assert len(read(home, "job", "log", "--job", job)["lines"]) == 2


def test_a_piped_job_with_a_line_that_was_not_understood_ends_with_two(home: Path) -> None:
    said = run(
        home, "work", SKETCH, "--complaint", "starter dead in start", typed="supsects\nsuspects\n", status=2
    )
    assert "suspects" in said


def test_working_with_json_gives_one_document_a_step(home: Path) -> None:
    typed = "panel-lamp in start: lit\n"
    said = run(home, "work", SKETCH, "--complaint", "starter dead in start", "--json", typed=typed)
    decoder, at, documents = json.JSONDecoder(), 0, []
    text = "\n".join(line for line in said.splitlines() if not line.startswith("> "))
    while at < len(text.rstrip()):
        document, at = decoder.raw_decode(text, at)
        documents.append(document)
        at += len(text[at:]) - len(text[at:].lstrip())
    assert [set(document) for document in documents] == [NEXT_KEYS, NEXT_KEYS]


@pytest.mark.parametrize("columns", [40, 60, 80, 160])
def test_nothing_printed_is_wider_than_the_terminal(home: Path, job: str, columns: int) -> None:
    run(home, "job", "found", "12.4 V, showing", "--check", "volts K1.1 in start")
    for command in (
        ("job", "next"),
        ("job", "suspects"),
        ("job", "why"),
        ("job", "log"),
        ("machine", "check", SKETCH),
    ):
        said = run(home, *command, columns=columns)
        assert max(len(line) for line in said.splitlines()) <= min(columns, 100), command


def test_colour_is_for_terminals_only_and_can_be_forced_and_forbidden(home: Path, job: str) -> None:
    assert "\x1b[" not in run(home, "job", "next")
    assert "\x1b[" in run(home, "job", "next", FORCE_COLOR="1")
    assert "\x1b[3" not in run(home, "job", "next", FORCE_COLOR="1", NO_COLOR="1")


def test_a_reader_that_goes_away_is_no_mistake(home: Path, job: str) -> None:
    done = subprocess.run(
        ["/bin/sh", "-c", f"'{COMMAND}' job suspects | head -1"],
        capture_output=True,
        text=True,
        check=False,
        env={**os.environ, "HALFSPLIT_HOME": str(home)},
    )
    assert done.stdout.startswith("Job ")
    assert "Traceback" not in done.stderr
    assert "BrokenPipe" not in done.stderr


def test_the_demo_goes_from_the_call_to_the_report_and_keeps_no_job(
    home: Path, tmp_path_factory: pytest.TempPathFactory
) -> None:
    report = tmp_path_factory.mktemp("demo") / "report.pdf"
    said = run(home, "demo", "--report", str(report))
    assert "The machine is mended." in said
    order = ("LOAD LIST", "NEXT CHECK", "NEXT: MEND", "PROVING", "Report for the customer: ")
    assert [said.index(words) for words in order] == sorted(said.index(words) for words in order)
    assert report.read_bytes().startswith(b"%PDF")
    assert 1 <= len(PdfReader(report).pages) <= 5
    assert said.index("! ") < said.index("1. ")
    assert list(home.iterdir()) == []


def test_the_demo_refuses_a_report_it_could_not_write_before_it_plays(home: Path) -> None:
    refused = run(home, "demo", "--report", "report.odt", status=2)
    assert "(report-ending)" in refused
    assert "LOAD LIST" not in refused


def test_the_demo_keeps_its_job_where_it_is_told(home: Path) -> None:
    found = read(home, "demo", "--home", str(home / "kept"))
    assert found["head"]["state"] == "closed"
    assert found["head"]["clock"] == "practice"
    assert len(read(home, "job", "list", "--home", str(home / "kept"))["jobs"]) == 1


def test_practice_by_hand_ends_with_both_minutes_side_by_side(home: Path) -> None:
    typed = "volts K1.1 in start\nlook F1\nsuspects\nmend W4\n" + "mend W4\n" * 6
    said = run(home, "practice", SKETCH, "--fault", "W4/wire-open", "--seed", "3", "--alone", typed=typed)
    assert "Mended." in said
    assert "You:" in said
    assert "Planner:" in said
    assert "NEXT" not in said


def test_practice_by_the_planner_gives_its_figures_as_json(home: Path) -> None:
    found = read(home, "practice", SKETCH, "--seed", "2", "--auto")
    assert found["minutes"] == found["planner_minutes"]
    assert {"hidden", "causes", "mended", "checks", "wrong_repairs"} <= set(found)


def test_the_table_is_repeatable(home: Path) -> None:
    first = read(home, "practice", SKETCH, "--table", "--count", "3")
    assert first == read(home, "practice", SKETCH, "--table", "--count", "3")
    assert first["singles"] == 3
