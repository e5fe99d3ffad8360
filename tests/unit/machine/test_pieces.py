"""Conditions, points, kinds, wire lists and versions, each by itself."""

from __future__ import annotations

from pathlib import Path

import pytest

from halfsplit.errors import Problem, ProblemsError
from halfsplit.machine import upgrades
from halfsplit.machine.conditions import ConditionError, names, parse
from halfsplit.machine.fields import Report, near
from halfsplit.machine.kinds import default_value, families, kinds
from halfsplit.machine.model import Endpoint, Value
from halfsplit.machine.points import PointError, parse_point, switch_contacts
from halfsplit.machine.reading import load_machine, machine_of_text
from halfsplit.machine.reading_controllers import controller_table
from halfsplit.machine.reading_wires import rows_of_csv
from halfsplit.machine.source import Entries, Text, parse_yaml

GOOD = Path(__file__).resolve().parents[2] / "cases" / "machine_files" / "good"


def test_not_binds_closest_then_and_then_or() -> None:
    assert parse("in.A or not in.B and alive") == (
        "or", ("var", "in.A"), ("and", ("not", ("var", "in.B")), ("var", "alive")),
    )  # fmt: skip
    assert parse("(in.A or in.B) and in.C") == (
        "and", ("or", ("var", "in.A"), ("var", "in.B")), ("var", "in.C"),
    )  # fmt: skip


def test_names_come_once_in_the_order_of_writing() -> None:
    assert names(parse("msg.b and (in.A or not msg.b) and heard.E2")) == ("msg.b", "in.A", "heard.E2")


@pytest.mark.parametrize(
    ("text", "column"),
    [("", 1), ("in.A and", 9), ("in.A in.B", 6), ("(in.A", 6), ("in.A & in.B", 6), ("and in.A", 1), (")", 1)],
)
def test_a_slip_in_a_condition_is_placed(text: str, column: int) -> None:
    with pytest.raises(ConditionError) as caught:
        parse(text)
    assert caught.value.column == column


def test_nested_conditions_end_with_a_message_not_with_a_full_stack() -> None:
    with pytest.raises(ConditionError, match="inside each other"):
        parse("(" * 900 + "in.A" + ")" * 900)
    with pytest.raises(ConditionError, match="longer than"):
        parse("not " * 5000 + "in.A")


@pytest.mark.parametrize("text", ["X12.3", "X5.3:p", "K1.87a", "G3", "BAT.+", "BAT.-", "F-1.2"])
def test_points_read_back_as_they_are_written(text: str) -> None:
    assert str(parse_point(text)) == text


def test_a_point_has_owner_pin_and_half() -> None:
    assert parse_point("X5.3:p") == Endpoint("X5", "3", "p")


@pytest.mark.parametrize("text", ["", "X1/3", "X1.", ".3", "X1.3:", "X1 .3", "X1.3:p:s", "ä.1"])
def test_other_spellings_are_no_points(text: str) -> None:
    with pytest.raises(PointError):
        parse_point(text)


def test_switch_contacts_are_pairs_with_positions() -> None:
    contacts = switch_contacts("30-15: run start; 30-50: start;")
    assert [str(contact) for contact in contacts] == ["30-15: run start", "30-50: start"]
    for wrong in ("", "30: run", "30-30: run", "30-15:", "30-15 run"):
        with pytest.raises(PointError):
            switch_contacts(wrong)


def test_every_row_of_the_kind_table_has_a_source_and_a_default_within_its_range() -> None:
    for kind in kinds().values():
        values: dict[str, Value] = {}
        for attribute in kind.attributes.values():
            assert attribute.source.strip(), (kind.name, attribute.name)
            assert attribute.meaning.strip(), (kind.name, attribute.name)
            for system_v in (12.0, 24.0):
                value = default_value(attribute, system_v, values)
                if isinstance(value, float):
                    assert attribute.low is not None
                    assert attribute.high is not None
                    assert attribute.low <= value <= attribute.high, (kind.name, attribute.name, system_v)
                values[attribute.name] = value
    for row in controller_table().values():
        assert row["source"].strip()


def test_attribute_names_carry_no_unit_in_the_file() -> None:
    assert set(kinds()["relay"].attributes) == {
        "coil", "pull_in", "drop_out", "contact", "suppression", "suppression_resistance",
    }  # fmt: skip
    assert kinds()["fuse"].attributes["rating"].name == "rating_a"


def test_shipped_families_are_geometrically_possible() -> None:
    for family in families().values():
        assert family.pitch_m > family.contact_diameter_m > 0
        assert family.source


def test_a_wire_list_of_a_spreadsheet_with_semicolons_and_decimal_commas_reads() -> None:
    report = Report()
    text = "wire;from;to;size\r\nW1;BAT.+;F1.1;2,5 mm2\r\n\r\n# a remark;;;\r\nW2;F1.2;X1.1;1 mm2\r\n"
    rows = rows_of_csv(text, "wires.csv", report)
    assert report.problems == []
    assert [row.get("size")[0] for row in rows] == ["2,5 mm2", "1 mm2"]
    assert [row.place.line for row in rows] == [2, 5]


def test_lines_are_counted_across_cells_that_hold_line_breaks() -> None:
    report = Report()
    rows = rows_of_csv('wire,from,to,colour\nW1,a,b,"two\nlines"\nW2,a,b,red\n', "wires.csv", report)
    assert [row.place.line for row in rows] == [2, 4]


@pytest.mark.parametrize(
    ("word", "known", "meant"),
    [
        ("S2", ["S1", "R2", "BAT"], "S1"), ("03", ["85", "30"], "30"), ("X2", ["X1", "X3", "F9"], "X1"),
        ("Q", ["S1"], None), ("Q7", ["S1", "T2"], None), ("F", ["F1"], "F1"),
    ],
)  # fmt: skip
def test_short_ids_get_a_suggestion_too(word: str, known: list[str], meant: str | None) -> None:
    assert near(word, known) == meant


def test_yaml_scalars_keep_their_spelling_and_line() -> None:
    problems: list[Problem] = []
    written = parse_yaml("a: no\nb: 12:30\nc: 0x10\nd:\ne: ~\nf: '~'\n", "m.yaml", problems)
    assert isinstance(written, Entries)
    assert not problems
    texts = {key: value.text for key, value in written.values.items() if isinstance(value, Text)}
    assert texts == {"a": "no", "b": "12:30", "c": "0x10", "d": "", "e": "", "f": "~"}
    assert written.keys["c"].line == 3


def test_a_file_saved_by_a_windows_editor_reads(tmp_path: Path) -> None:
    for name in ("machine.yaml", "wires.csv"):
        text = (GOOD / name).read_text("utf-8").replace("\n", "\r\n")
        (tmp_path / name).write_bytes(b"\xef\xbb\xbf" + text.encode())
    machine = load_machine(tmp_path)
    assert machine.wires["W9"].colour == "yellow"
    assert machine.parts["M1"].place is not None
    assert machine.parts["M1"].place.line == 31


def test_billion_laughs_are_refused_at_the_first_anchor() -> None:
    problems: list[Problem] = []
    text = "a: &a [x, x]\nb: &b [*a, *a]\nc: [*b, *b]\n"
    assert parse_yaml(text, "m.yaml", problems) is None
    assert [(p.code, p.line) for p in problems] == [("alias", 1)]


def test_a_newer_format_is_refused_with_what_to_do() -> None:
    assert upgrades.version_of("halfsplit-machine/1") == 1
    assert upgrades.version_of("halfsplit-machine/01") is None
    _, problems = machine_of_text("format: halfsplit-machine/2\nmachine: {name: X}\n")
    assert [p.code for p in problems] == ["format-newer"]
    assert "Update halfsplit" in problems[0].what


def test_every_version_up_to_the_newest_has_its_step() -> None:
    assert sorted(upgrades.STEPS) == list(range(1, upgrades.NEWEST))


def test_load_machine_raises_all_problems_at_once() -> None:
    with pytest.raises(ProblemsError) as caught:
        load_machine("no/such/folder")
    assert [p.code for p in caught.value.problems] == ["file-missing"]


def test_values_are_checked_before_references() -> None:
    text = (
        "format: halfsplit-machine/1\nmachine: {name: X}\nparts:\n  BAT: {kind: batery}\n"
        "wires: [{from: BAT.+, to: F9.1}]\nfunctions: {f: {watch: H1}}\n"
    )
    _, problems = machine_of_text(text)
    assert [(p.code, p.line, p.suggestion) for p in problems] == [("unknown-kind", 4, "battery")]
