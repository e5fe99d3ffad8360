"""A closed job as a DITA topic, held against a grammar written from the published standard."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from lxml import etree

from halfsplit.errors import UserError
from halfsplit.jobs.events import JobReopened
from halfsplit.jobs.recording import load_job, record
from halfsplit.reports.topic import DOCTYPE, Remedy, as_topic
from halfsplit.service.reporting import report_of, write_topic

GRAMMAR = Path(__file__).with_name("troubleshooting.rng")


@pytest.fixture(scope="module")
def grammar() -> Any:
    return etree.RelaxNG(etree.parse(str(GRAMMAR)))


def written(played: Any, folder: Path) -> str:
    write_topic(played.desk, folder / "job.dita", played.job)
    return (folder / "job.dita").read_text(encoding="utf-8")


def test_a_closed_job_is_a_valid_topic(sweeper: Any, drawn: Any, tmp_path: Path, grammar: Any) -> None:
    for number, played in enumerate((sweeper, drawn)):
        folder = tmp_path / str(number)
        folder.mkdir()
        text = written(played, folder)
        tree = etree.fromstring(text.encode())
        grammar.assertValid(tree)
        assert DOCTYPE in text
        assert tree.findtext("title")


def test_cautions_stand_before_the_first_step_and_no_person_or_unit_is_named(sweeper: Any, tmp_path: Path) -> None:
    tree = etree.fromstring(written(sweeper, tmp_path).encode())
    first = tree.find(".//step")
    assert first is not None
    tags = [child.tag for child in first]
    assert tags[-1] == "cmd"
    assert tags.count("note") >= 2
    whole = "".join(str(piece) for piece in tree.itertext())
    assert "Ása" not in whole
    assert "X10" in tree.findtext(".//cause/p", "")


@pytest.mark.parametrize(
    "spoil",
    [
        lambda tree: tree.remove(tree.find("title")),
        lambda tree: tree.attrib.pop("id"),
        lambda tree: tree.find(".//step").remove(tree.find(".//step/cmd")),
        lambda tree: tree.find(".//step").append(tree.find(".//step/note")),
        lambda tree: tree.find(".//troubleSolution").append(tree.find(".//cause")),
        lambda tree: tree.find("troublebody").append(tree.find(".//condition")),
        lambda tree: tree.find(".//othermeta").attrib.pop("content"),
        lambda tree: tree.find(".//created").set("date", "yesterday"),
        lambda tree: setattr(tree.find("troublebody"), "text", "words outside of everything"),
        lambda tree: tree.find(".//note").set("type", "shout"),
    ],
)
def test_the_grammar_refuses_what_the_standard_refuses(sweeper: Any, tmp_path: Path, grammar: Any, spoil: Any) -> None:
    tree = etree.fromstring(written(sweeper, tmp_path).encode())
    spoil(tree)
    assert not grammar.validate(tree)


def test_text_that_xml_cannot_carry_or_that_looks_like_markup_stays_text(sweeper: Any, grammar: Any) -> None:
    found = report_of(sweeper.desk, "technician", sweeper.job)
    odd = replace(found, reported="a\x01b <p>&amp; ]]> \ud800", cause="<cause/>")
    text = as_topic(odd, Remedy("<x>", ("</note>",), ("&",)))
    tree = etree.fromstring(text.encode())
    grammar.assertValid(tree)
    assert tree.findtext(".//condition/p") == "a\ufffdb <p>&amp; ]]> \ufffd"
    assert tree.findtext(".//cause/p") == "<cause/>."


def test_a_cause_not_found_names_what_was_suspected_and_gives_no_remedy(sweeper: Any, grammar: Any) -> None:
    found = replace(report_of(sweeper.desk, "technician", sweeper.job), cause="", place="", cause_odds=None)
    tree = etree.fromstring(as_topic(found, None).encode())
    grammar.assertValid(tree)
    assert tree.find(".//remedy") is None
    assert "Not found" in tree.findtext(".//cause/p", "")


def test_an_open_job_is_no_topic_yet(sweeper: Any, tmp_path: Path) -> None:
    job = load_job(sweeper.desk.store, sweeper.job)
    record(sweeper.desk.store, job, JobReopened(), when="2031-04-02T12:00:00Z")
    with pytest.raises(UserError) as caught:
        write_topic(sweeper.desk, tmp_path / "job.dita", sweeper.job)
    assert caught.value.code == "topic-job-open"
    assert not list(tmp_path.iterdir())
