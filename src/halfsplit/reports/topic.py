"""A closed job as a troubleshooting topic of DITA 1.3 (OASIS), to go into a shop's own manual.

The topic holds what helps the next time: the condition, what told the cause apart, the cause, and the remedy
with its cautions before its steps. It names no customer, no unit and no technician.
"""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from dataclasses import dataclass

from halfsplit.errors import UserError
from halfsplit.quantities import in_100
from halfsplit.reports.content import Report
from halfsplit.reports.sections import CONDITION_WORDS
from halfsplit.reports.xml_text import xml_text

#: Codes of UserErrors raised here, each with one sentence.
CODES: dict[str, str] = {
    "topic-job-open": "Only a closed job makes a troubleshooting topic.",
}

#: The document type of the published standard, DITA 1.3 part 3, appendix on public identifiers.
DOCTYPE = '<!DOCTYPE troubleshooting PUBLIC "-//OASIS//DTD DITA 1.3 Troubleshooting//EN" "troubleshooting.dtd">'


@dataclass(frozen=True, slots=True)
class Remedy:
    """How the cause is mended: cautions, then steps, then the material it takes ("" when none)."""

    title: str
    cautions: tuple[str, ...]
    steps: tuple[str, ...]
    material: str = ""


def as_topic(report: Report, remedy: Remedy | None) -> str:
    """The topic of a closed job as XML text; ``remedy`` is None when no cause was found.

    The same job gives the same text. Raises UserError("topic-job-open").
    """
    if report.state != "closed":
        raise UserError("topic-job-open", f"Job {report.job} is still open.", "Close it first.")
    root = ET.Element("troubleshooting", {"id": _id(report.job), "xml:lang": "en"})
    complaint = "; ".join(report.complaint) or report.reported
    _child(root, "title", f"{report.machine_name}: {complaint}")
    _child(root, "shortdesc", f"Cause found: {report.cause}." if report.cause else "The cause was not found.")
    prolog = ET.SubElement(root, "prolog")
    dates = ET.SubElement(prolog, "critdates")
    ET.SubElement(dates, "created", {"date": report.closed[:10]})
    metadata = ET.SubElement(prolog, "metadata")
    words = dict.fromkeys((report.machine, *(one.function for one in report.functions)))
    keywords = ET.SubElement(metadata, "keywords")
    for word in words:
        _child(keywords, "keyword", word)
    ET.SubElement(metadata, "othermeta", {"name": "record", "content": "practice" if report.practice else "work"})
    body = ET.SubElement(root, "troublebody")
    _condition(body, report)
    solution = ET.SubElement(body, "troubleSolution")
    _cause(solution, report)
    if remedy is not None:
        _remedy(solution, remedy)
    ET.indent(root, space="  ")
    text = ET.tostring(root, encoding="unicode", short_empty_elements=True)
    return f'<?xml version="1.0" encoding="UTF-8"?>\n{DOCTYPE}\n{text}\n'


def _id(job: str) -> str:
    """An XML name from a job's id."""
    return "job-" + re.sub(r"[^a-z0-9._-]", "-", job)


def _child(parent: ET.Element, tag: str, text: str) -> ET.Element:
    child = ET.SubElement(parent, tag)
    child.text = xml_text(" ".join(text.split()))
    return child


def _list(parent: ET.Element, lines: tuple[str, ...]) -> None:
    if lines:
        items = ET.SubElement(parent, "ul")
        for line in lines:
            _child(items, "li", line)


def _condition(body: ET.Element, report: Report) -> None:
    condition = ET.SubElement(body, "condition")
    if report.reported.strip():
        _child(condition, "p", report.reported)
    _list(condition, report.complaint)
    if report.conditions:
        words = ", ".join(CONDITION_WORDS.get(one, one) for one in report.conditions)
        _child(condition, "p", f"Conditions: {words}.")
    if report.comes_and_goes:
        _child(condition, "p", "It comes and goes.")


def _cause(solution: ET.Element, report: Report) -> None:
    cause = ET.SubElement(solution, "cause")
    if report.cause:
        _child(cause, "p", f"{report.cause}.")
        if report.place:
            _child(cause, "p", f"Place: {report.place}.")
    else:
        _child(cause, "p", "Not found. What was suspected most when the job was closed:")
        _list(cause, tuple(f"{one.text} ({in_100(one.odds)})" for one in report.suspects[:5]))
    apart = tuple(
        f"{one.subject}: found {one.found}, expected {one.expected}"
        for one in report.checks
        if one.verdict == "fail" and one.expected
    )
    if apart:
        _child(cause, "p", "What was not as in a sound machine:")
        _list(cause, tuple(dict.fromkeys(apart)))


def _remedy(solution: ET.Element, remedy: Remedy) -> None:
    part = ET.SubElement(solution, "remedy")
    _child(part, "title", remedy.title)
    _child(part, "responsibleParty", "Field service technician")
    steps = ET.SubElement(part, "steps")
    texts = list(remedy.steps)
    if remedy.material:
        texts.insert(0, f"Have ready: {remedy.material}.")
    for at, text in enumerate(texts):
        step = ET.SubElement(steps, "step")
        for caution in remedy.cautions if at == 0 else ():
            _child(step, "note", caution).set("type", "caution")
        _child(step, "cmd", text)
