"""Every folder under tests/cases/machine_checks is a machine that loads, and what ``machine check`` must say of it."""

from __future__ import annotations

from pathlib import Path

import pytest
import yaml

from halfsplit.errors import ProblemsError
from halfsplit.machine.reading import load_machine
from halfsplit.service.credibility import keep_outs
from halfsplit.service.machines import check_machine

ROOT = Path(__file__).resolve().parents[3]
FOLDERS = sorted(path for path in (ROOT / "tests" / "cases" / "machine_checks").iterdir() if path.is_dir())


@pytest.mark.parametrize("folder", FOLDERS, ids=lambda path: path.name)
def test_machine_check_says_exactly_what_the_case_says(folder: Path) -> None:
    expected = yaml.safe_load((folder / "expected.yaml").read_text("utf-8"))
    assert expected["about"].endswith(".")
    machine = load_machine(folder)
    assert [each.id for each in keep_outs(machine)] == expected["keep_outs"]
    problems = []
    try:
        check_machine(folder, look_for_unseen=False)
    except ProblemsError as error:
        problems = [
            {"code": each.code, "file": Path(each.file or "").name, "line": each.line} for each in error.problems
        ]
    assert problems == expected["problems"]


@pytest.mark.parametrize("name", ["saltmarsh-sweeper", "orchard-platform", "hand-cart-generator"])
def test_the_shown_machines_feed_something_in_every_state_that_switches_something(name: str) -> None:
    check_machine(ROOT / "examples" / name, look_for_unseen=False)


def test_what_works_with_the_engine_stopped_too_is_no_keep_out() -> None:
    machine = load_machine(ROOT / "examples" / "saltmarsh-sweeper")
    told = {each.id: each.what for each in keep_outs(machine)}
    assert {"brush-left", "brush-right"} <= set(told)
    assert "Brush arm" in told["brush-left"]
    assert not {"spray-pump", "brake-lamp-left", "head-lamp-left", "suction"} & set(told)
