"""Rows of a bench: when a goal is met, the table, and the file."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from rows import Row, finish, parser, table


@pytest.mark.parametrize(
    ("row", "met"),
    [
        (Row("time", 1.0, "s", 1.0), True),
        (Row("time", 1.01, "s", 1.0), False),
        (Row("times", 400.0, "x", 400.0, at_least=True), True),
        (Row("times", 399.0, "x", 400.0, at_least=True), False),
        (Row("time", 1.0, "s"), None),
        (Row("time", None, "s", 1.0), None),
    ],
)
def test_a_goal_is_met_by_the_figures_alone(row: Row, met: bool | None) -> None:
    assert row.met is met


def test_the_table_says_what_was_not_measured() -> None:
    text = table([Row("first", 0.5, "s", 0.3), Row("second", None, "x", 400.0, at_least=True, note="not installed")])
    assert text.splitlines()[1:] == [
        "first        0.5 s  <= 0.3  not met",
        "second         - x  >= 400  not measured",
        "    not installed",
    ]


def test_the_file_holds_rows_machine_versions_and_date(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    given = parser("what it is").parse_args(["--out", str(tmp_path / "new")])
    assert finish("trial", given, [Row("time", 0.123456, "s", 0.3, more={"nodes": 7})], details={"extra": [1]}) == 0
    assert "met" in capsys.readouterr().out
    whole = json.loads((tmp_path / "new" / "trial.json").read_text("utf-8"))
    assert whole["rows"] == [
        {"what": "time", "measured": 0.1235, "unit": "s", "goal": 0.3, "sense": "at most", "met": True, "nodes": 7}
    ]
    assert whole["extra"] == [1]
    assert whole["bench"] == "trial"
    assert whole["arguments"] == {}
    assert {"python", "numpy", "scipy", "halfsplit"} <= set(whole["versions"])
    assert whole["machine"]["cores"] >= 1
    assert whole["date"].endswith("+00:00")
