"""The van's list: read whole or not at all, written so that it reads back, and kept one after the other."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from halfsplit.errors import Problem, ProblemsError, UserError
from halfsplit.jobs.memory import MemoryStore
from halfsplit.jobs.store import Document, DocumentOvertaken
from halfsplit.jobs.van import (
    KIND,
    LONGEST,
    MOST_ROWS,
    UNITS,
    Stock,
    current_van,
    folded,
    read_csv,
    replace_van,
    van_lists,
    write_csv,
)

WHEN = "2031-04-02T07:15:00Z"
HEAD = "item,count,unit,note\n"


def problems(text: str) -> tuple[Problem, ...]:
    with pytest.raises(ProblemsError) as caught:
        read_csv(text, "van.csv")
    return caught.value.problems


def test_a_list_is_read_with_its_units_and_notes() -> None:
    rows = '"terminal for 1 mm2, short",20,pcs,drawer 2', "", "# a remark", "sleeve,0.5,m,", "  fuse  ,0,piece,x"
    text = HEAD + "\n".join(rows)
    assert read_csv(text, "van.csv") == (
        Stock("terminal for 1 mm2, short", 20.0, "pcs", "drawer 2"),
        Stock("sleeve", 0.5, "m"),
        Stock("fuse", 0.0, "pcs", "x"),
    )


def test_columns_may_stand_in_any_order_with_semicolons_and_without_notes() -> None:
    assert read_csv("Unit;Item;Count\nm;sleeve;2\n", "van.csv") == (Stock("sleeve", 2.0, "m"),)


def test_every_problem_is_told_at_once_with_its_line_and_the_nearest_spelling() -> None:
    rows = (
        'fuse of 10 A,"3,5",pcs,', "Fuse  of 10 A,3,pcks,", ",3,pcs,", "seal,4", "wire,-1,m,", "sleeve,1,,", "#,,,",
        "ties,nan,pcs,",
    )  # fmt: skip
    text = HEAD + "\n".join(rows)
    assert [(one.line, one.code, one.suggestion) for one in problems(text)] == [
        (2, "van-count", "3.5"),
        (3, "van-twice", None),
        (3, "van-unit", "pcs"),
        (4, "van-item", None),
        (5, "van-row", None),
        (6, "van-count", None),
        (7, "van-unit", "pcs"),
        (9, "van-count", None),
    ]
    assert {one.file for one in problems(text)} == {"van.csv"}


@pytest.mark.parametrize(
    ("text", "code", "suggestion"),
    [
        ("", "van-header", None),
        ("itm,count,unit\nx,1,pcs\n", "van-header", "item"),
        ("item,count\nx,1\n", "van-header", "unit"),
        ("item,count,unit,count\n", "van-header", None),
        (f'{HEAD}"x,1,pcs,\n', "van-csv", None),
        (f"{HEAD}x,1e9,pcs,\n", "van-count", None),
        (f"{HEAD}x,1_0,pcs,\n", "van-count", None),
        (f"{HEAD}{'x' * (LONGEST + 1)},1,pcs,\n", "van-item", None),
        (f"{HEAD}x\x07,1,pcs,\n", "van-item", None),
        ("count,item,unit\n1,#5 screw,pcs\n", "van-item", "5 screw"),
    ],
)
def test_each_mistake_has_its_code(text: str, code: str, suggestion: str | None) -> None:
    found = [one for one in problems(text) if one.code == code]
    assert found
    assert suggestion in (None, found[0].suggestion)


def test_a_list_without_end_is_refused_and_the_longest_one_is_kept() -> None:
    rows = [f"item {n},1,pcs,{'n' * 40}\n" for n in range(MOST_ROWS + 1)]
    assert [one.code for one in problems(HEAD + "".join(rows))] == ["van-too-long"]
    store = MemoryStore()
    longest = read_csv(HEAD + "".join(rows[:-1]), "van.csv")
    replace_van(store, longest, 0, when=WHEN, by="")
    assert current_van(store).stock == longest
    wide = tuple(Stock(f"{n} {'雨' * (LONGEST - 5)}", 1.0, "pcs") for n in range(MOST_ROWS))
    with pytest.raises(UserError) as caught:
        replace_van(store, wide, 1, when=WHEN, by="")
    assert caught.value.code == "van-too-long"
    assert current_van(store).stock == longest


LETTERS = st.characters(categories=("L", "N", "P", "S", "Zs"))
TEXTS = st.text(LETTERS, max_size=40).map(lambda one: " ".join(one.split()))
ITEMS = TEXTS.filter(lambda one: one and not one.startswith("#") and one.isprintable())
NOTES = TEXTS.filter(str.isprintable)
COUNTS = st.one_of(st.integers(0, 10_000).map(float), st.floats(0, 1e4).map(lambda one: round(one, 3)))


@given(st.lists(st.builds(Stock, ITEMS, COUNTS, st.sampled_from(UNITS), NOTES), unique_by=lambda one: folded(one.item)))
def test_what_is_written_reads_back_the_same(stock: list[Stock]) -> None:
    assert read_csv(write_csv(tuple(stock)), "van.csv") == tuple(stock)


@given(st.text(max_size=200))
def test_any_text_is_read_or_refused_with_problems(text: str) -> None:
    try:
        stock = read_csv(HEAD + text, "van.csv")
    except ProblemsError as error:
        assert error.problems
    else:
        assert all(one.item and one.unit in UNITS and one.count >= 0.0 for one in stock)


def test_a_new_list_takes_the_place_of_the_one_before_which_stays_readable() -> None:
    store = MemoryStore()
    assert current_van(store).number == 0
    first, second = (Stock("Größe Ω", 1.0, "pcs"),), (Stock("seal", 2.0, "sets", "bin 3"),)
    replace_van(store, first, 0, when=WHEN, by="Rosa")
    replace_van(store, second, 1, when=WHEN, by="Ito")
    assert current_van(store).stock == second
    assert [(van.number, van.by, van.stock) for van in van_lists(store)] == [(1, "Rosa", first), (2, "Ito", second)]
    with pytest.raises(DocumentOvertaken):
        replace_van(store, first, 1, when=WHEN, by="late")
    assert current_van(store).number == 2


@pytest.mark.parametrize("body", ["", "[]", '{"v":99,"stock":[]}', '{"v":1,"stock":[["seal"]]}', '{"v":1}'])
def test_a_kept_list_that_cannot_be_read_is_said_to_be_so(body: str) -> None:
    store = MemoryStore()
    store.put_document(Document(KIND, 1, WHEN, "", body))
    with pytest.raises(UserError) as caught:
        current_van(store)
    assert caught.value.code == "van-kept"
