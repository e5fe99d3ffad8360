from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from halfsplit.errors import (
    CODES,
    Conflict,
    HalfsplitError,
    InternalError,
    NotFound,
    Problem,
    ProblemsError,
    UnsolvableCircuit,
    UserError,
    nearest,
)


def test_a_problem_reads_as_one_line_with_place_code_and_suggestion() -> None:
    problem = Problem("unknown-key", "machine.yaml", 12, 'There is no key "volatge".', "voltage", "volatge")
    assert str(problem) == 'machine.yaml:12: unknown-key: There is no key "volatge". (did you mean voltage?)'


@pytest.mark.parametrize(
    ("file", "line", "begins"),
    [(None, None, "empty: "), ("a.yaml", None, "a.yaml: empty: "), (None, 3, "line 3: empty: ")],
)
def test_a_problem_without_file_or_line_leaves_them_out(
    file: str | None, line: int | None, begins: str
) -> None:
    assert str(Problem("empty", file, line, "Nothing here.")) == begins + "Nothing here."


def test_problems_are_carried_all_and_ordered_by_file_and_line() -> None:
    late = Problem("b", "machine.yaml", 20, "late")
    early = Problem("c", "machine.yaml", 3, "early")
    other = Problem("a", "wires.csv", 1, "other file")
    error = ProblemsError([other, late, early])
    assert error.problems == (early, late, other)
    assert str(error).splitlines() == ["3 problems:", f"  {early}", f"  {late}", f"  {other}"]


def test_one_problem_is_counted_in_the_singular() -> None:
    assert str(ProblemsError([Problem("a", None, None, "x")])).startswith("1 problem:")


def test_an_empty_list_of_problems_is_our_bug() -> None:
    with pytest.raises(InternalError):
        ProblemsError([])


def test_an_unsolvable_circuit_without_a_reason_is_our_bug() -> None:
    with pytest.raises(InternalError):
        UnsolvableCircuit([])


def test_an_unsolvable_circuit_says_each_reason() -> None:
    error = UnsolvableCircuit(["Two batteries are joined without resistance.", "R4 has 0 ohm."])
    assert error.reasons == ("Two batteries are joined without resistance.", "R4 has 0 ohm.")
    assert str(error) == "Two batteries are joined without resistance. R4 has 0 ohm."


def test_not_found_offers_the_nearest_name() -> None:
    error = NotFound("connector", "X21", ["X12", "X210", "F5"])
    assert error.suggestion == "X210"
    assert str(error) == 'There is no connector called "X21". Did you mean X210?'


def test_not_found_offers_nothing_when_nothing_is_near() -> None:
    assert str(NotFound("job", "17", ["complaint"])) == 'There is no job called "17".'


@pytest.mark.parametrize(
    "error",
    [UserError("x", "m"), ProblemsError([Problem("a", None, None, "x")]), UnsolvableCircuit(["x"]),
     NotFound("job", "1"), Conflict("m")],
)  # fmt: skip
def test_a_persons_mistake_ends_with_2_and_is_never_an_internal_error(error: UserError) -> None:
    assert isinstance(error, UserError)
    assert isinstance(error, HalfsplitError)
    assert not isinstance(error, InternalError)
    assert error.exit_code == 2


def test_our_bug_ends_with_70_and_says_whose_mistake_it_is_and_what_to_send() -> None:
    error = InternalError("A pivot vanished.")
    assert error.exit_code == 70
    assert not isinstance(error, UserError)
    assert str(error).startswith("A pivot vanished. This is a mistake in halfsplit, not yours.")
    assert "machine folder" in str(error)


def test_codes_of_this_module_are_those_it_raises() -> None:
    raised = {ProblemsError([Problem("a", None, None, "x")]).code, UnsolvableCircuit(["x"]).code,
              NotFound("job", "1").code, Conflict("m").code, InternalError("m").code}  # fmt: skip
    assert raised == set(CODES)


@pytest.mark.parametrize(
    ("word", "candidates", "expected"),
    [
        ("volatge", ["voltage", "current"], "voltage"),
        ("LAMP", ["lamp", "clamp"], "lamp"),
        ("Mohn", ["mohm", "Mohm", "kohm"], "Mohm"),
        ("mohn", ["mohm", "Mohm", "kohm"], "mohm"),
        ("zzz", ["voltage"], None),
        ("", ["voltage"], None),
        ("x", [], None),
    ],
)
def test_nearest_finds_the_close_spelling_or_none(
    word: str, candidates: list[str], expected: str | None
) -> None:
    assert nearest(word, candidates) == expected


@given(
    st.text(max_size=12), st.lists(st.text(min_size=1, max_size=12), max_size=6), st.permutations(range(6))
)
def test_nearest_does_not_depend_on_the_order_of_the_candidates(
    word: str, names: list[str], order: list[int]
) -> None:
    shuffled = [names[place] for place in order if place < len(names)]
    assert nearest(word, names) == nearest(word, shuffled)


@given(st.lists(st.from_regex(r"[a-z]{3,8}", fullmatch=True), min_size=1, max_size=6, unique=True))
def test_an_exact_name_is_its_own_nearest(names: list[str]) -> None:
    for name in names:
        assert nearest(name, names) == name
