"""Every reference number is used by a test against the outside, or stands in the list of those that are not yet.

A number counts as used when its id stands in the body of a marked test in this folder, as a whole literal: an id put
together while the test runs would not be found here, nor by somebody who searches for it.
"""

from __future__ import annotations

import ast
import json
from collections import Counter
from pathlib import Path
from typing import Any

import pytest

HERE = Path(__file__).resolve().parent
#: What is not built, or is no test by its own words, and the entries that wait for it. Building it takes them out.
NOT_USED = {
    "rates learned from closed jobs": ("learn-1", "learn-2", "learn-3", "learn-6", "learn-7", "learn-8"),
    "evidence only, as its own input says": ("order-13",),
}  # fmt: skip


def marked(source: str) -> dict[str, tuple[dict[str, str], set[str]]]:
    """Every test of a source that carries the outside marker: the marker's arguments, the texts in its body."""
    found = {}
    for function in ast.walk(ast.parse(source)):
        if not isinstance(function, ast.FunctionDef):
            continue
        for call in function.decorator_list:
            if isinstance(call, ast.Call) and ast.unparse(call.func) == "pytest.mark.outside":
                told = {str(one.arg): str(ast.literal_eval(one.value)) for one in call.keywords}
                nodes = [node for statement in function.body for node in ast.walk(statement)]
                texts = {n.value for n in nodes if isinstance(n, ast.Constant) and isinstance(n.value, str)}
                texts |= {f"argument {one.arg}" for one in function.args.args}
                found[function.name] = (told, texts)
    return found


@pytest.fixture(scope="module")
def tests() -> dict[str, tuple[dict[str, str], set[str]]]:
    found: dict[str, tuple[dict[str, str], set[str]]] = {}
    for path in sorted(HERE.rglob("test_*.py")):
        here = marked(path.read_text("utf-8"))
        found.update({f"{path.relative_to(HERE).as_posix()}::{name}": one for name, one in here.items()})
    return found


@pytest.fixture(scope="module")
def entries(repository: Path) -> dict[str, dict[str, Any]]:
    listed = json.loads((repository / "tests/data/oracles.json").read_text("utf-8"))["oracles"]
    assert not [name for name, count in Counter(one["id"] for one in listed).items() if count > 1]
    return {one["id"]: one for one in listed}


def test_every_number_is_used_or_listed_as_not_used(
    entries: dict[str, dict[str, Any]], tests: dict[str, tuple[dict[str, str], set[str]]]
) -> None:
    used = {name for name in entries if any(name in texts for _, texts in tests.values())}
    listed = Counter(name for names in NOT_USED.values() for name in names)
    assert not [name for name, count in listed.items() if count > 1], "listed twice"
    assert not listed.keys() - entries.keys(), "listed, and not there"
    assert not listed.keys() & used, "listed as not used, and used"
    assert not entries.keys() - listed.keys() - used, "neither used by a marked test nor listed"


def test_a_test_names_the_numbers_it_uses_and_calls_none_published_that_is_not(
    entries: dict[str, dict[str, Any]], tests: dict[str, tuple[dict[str, str], set[str]]]
) -> None:
    count = 0
    for test, (told, texts) in tests.items():
        for name in sorted(texts & entries.keys()):
            family = "-".join(name.split(" ")[0].split("-")[:2])
            assert family in told["against"], f"{test} uses {name} and does not say so"
            assert told["source"].startswith("tests/data/oracles.json"), test
            if told["status"].startswith("published"):
                assert entries[name]["kind"].startswith("published"), f"{test}: {name} is {entries[name]['kind']}"
            count += 1
    assert count >= len(entries) - sum(map(len, NOT_USED.values()))


def test_every_comparison_keeps_its_largest_deviation_or_has_none(
    tests: dict[str, tuple[dict[str, str], set[str]]],
) -> None:
    for test, (told, texts) in tests.items():
        keeps = "argument near" in texts or "largest_deviation" in texts
        assert keeps or told["tolerance"].startswith("none"), f"{test} keeps no largest deviation"


def test_a_number_counts_only_where_a_marked_test_names_it_whole() -> None:
    source = """
@pytest.mark.outside(what="w", against="aa-1", source="s", status="t", tolerance="none")
def test_one(near):
    oracle("aa-1")
    oracle(f"aa-{2}")

def test_two():
    oracle("aa-3")
"""
    ((told, texts),) = marked(source).values()
    assert told["against"] == "aa-1"
    assert {"aa-1", "argument near"} <= texts
    assert not {"aa-2", "aa-3"} & texts
