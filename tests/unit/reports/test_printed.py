"""Reports on paper and on screen: read back, counted, and with hostile text in every place."""

from __future__ import annotations

import base64
import io
from collections.abc import Callable
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest
from pypdf import PdfReader
from pypdf.generic import ContentStream
from tests.unit.reports.small_jpeg import small_jpeg

from halfsplit.errors import UserError
from halfsplit.jobs.attachments import kind_of
from halfsplit.reports.content import CheckLine, Report
from halfsplit.reports.html import as_html
from halfsplit.reports.pdf import as_pdf, read_paper, unprinted
from halfsplit.service.reporting import report_of, write_report

#: Signs that mean something to the typesetter, to HTML, or to both.
HOSTILE = '*bold* _it_ #panic("x") $x$ [a] @ref <b>&amp;</b> `raw` \\ // /* "q" <script>alert(1)</script> ${1} {{ 2 }}'


def text_of(pdf: bytes) -> str:
    return " ".join(" ".join(page.extract_text() for page in PdfReader(io.BytesIO(pdf)).pages).split())


def pages_of(pdf: bytes) -> int:
    return len(PdfReader(io.BytesIO(pdf)).pages)


class Read(HTMLParser):
    """Collects tags, attributes and text."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.names: set[str] = set()
        self.words: list[str] = []
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.names.update(name for name, _ in attrs)

    def handle_data(self, data: str) -> None:
        self.words.append(data)

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.words).split())


def hostile(report: Report) -> Report:
    return replace(
        report, shop=HOSTILE, reported=HOSTILE, unit=HOSTILE, cause=HOSTILE, place=HOSTILE, technicians=(HOSTILE,),
        notes=(HOSTILE,), cautions=(HOSTILE,), complaint=(HOSTILE,),
        checks=(CheckLine(2, 1.0, HOSTILE, HOSTILE, HOSTILE, "fail"),),
        odds=replace(report.odds, names=tuple(HOSTILE for _ in report.odds.names)),
    )  # fmt: skip


def test_the_text_of_a_pdf_can_be_selected_and_holds_what_was_found(sweeper: Any) -> None:
    found = report_of(sweeper.desk, "technician", sweeper.job)
    text = text_of(as_pdf(found, {}))
    for words in (found.cause, found.place, "Ása Þórs", "not right", "Practice job", found.job, "How the odds"):
        assert " ".join(words.split()) in text
    for check in found.checks:
        assert check.found in text


def test_the_customers_face_is_one_page_and_the_other_at_most_five(sweeper: Any, drawn: Any) -> None:
    for played in (sweeper, drawn):
        for paper in ("a4", "us-letter"):
            customer = report_of(played.desk, "customer", played.job)
            technician = report_of(played.desk, "technician", played.job)
            assert pages_of(as_pdf(customer, {}, read_paper(paper))) == 1
            assert 1 <= pages_of(as_pdf(technician, {}, read_paper(paper))) <= 5


@pytest.mark.parametrize(("paper", "width_pt"), [("a4", 595.3), ("us-letter", 612.0)])
def test_paper_has_its_size(sweeper: Any, paper: str, width_pt: float) -> None:
    pdf = as_pdf(report_of(sweeper.desk, "customer", sweeper.job), {}, read_paper(paper))
    assert float(PdfReader(io.BytesIO(pdf)).pages[0].mediabox.width) == pytest.approx(width_pt, abs=0.1)


def test_an_unknown_paper_gets_the_nearest() -> None:
    with pytest.raises(UserError) as caught:
        read_paper("us-leter")
    assert caught.value.code == "report-paper"
    assert "us-letter" in caught.value.hint


def test_the_same_report_gives_the_same_bytes(
    sweeper: Any, attach_content: Callable[..., str], picture: Callable[..., bytes]
) -> None:
    content = picture(40, 30)
    sha256 = attach_content(sweeper, content, "png")
    found = report_of(sweeper.desk, "technician", sweeper.job)
    assert as_pdf(found, {sha256: content}) == as_pdf(found, {sha256: content})
    assert as_html(found, {sha256: content}) == as_html(found, {sha256: content})


def test_a_pdf_is_tagged_and_has_a_title_and_language(sweeper: Any) -> None:
    reader = PdfReader(io.BytesIO(as_pdf(report_of(sweeper.desk, "customer", sweeper.job), {})))
    root: Any = reader.trailer["/Root"]
    assert root["/MarkInfo"]["/Marked"]
    assert root["/Lang"] == "en"
    assert reader.metadata is not None
    assert sweeper.job in str(reader.metadata.title)


def test_hostile_text_stays_text_on_paper(sweeper: Any) -> None:
    found = hostile(report_of(sweeper.desk, "technician", sweeper.job))
    text = text_of(as_pdf(found, {})).replace(" ", "")
    wanted = " ".join(HOSTILE.split()).replace(" ", "")
    assert text.count(wanted) >= 7


def test_hostile_text_stays_text_on_screen(sweeper: Any) -> None:
    tame = report_of(sweeper.desk, "technician", sweeper.job)
    plain, read = Read(as_html(tame, {})), Read(as_html(hostile(tame), {}))
    assert set(read.tags) <= set(plain.tags)
    assert "script" not in read.tags
    assert read.names <= plain.names
    assert read.text.count(" ".join(HOSTILE.split())) >= 8


@pytest.mark.parametrize("name", ["Ángel Ωmega-Çelik", "Łukasz Żółć", "Юрий Щукин", "Ελένη", "Nguyễn Thị", "ÅÄÖ äöüß"])
def test_names_beyond_plain_latin_are_printed(sweeper: Any, name: str) -> None:
    found = replace(report_of(sweeper.desk, "customer", sweeper.job), technicians=(name,))
    assert name in text_of(as_pdf(found, {}))
    assert unprinted(found) == ""


def test_signs_that_no_font_prints_are_named(sweeper: Any) -> None:
    found = replace(report_of(sweeper.desk, "customer", sweeper.job), technicians=("Юрий 山田 שלום", "\u0e2a\u0e27 田"))
    assert unprinted(found) == "\u0e27\u0e2a山田"


def test_pictures_are_shown_with_their_captions_and_a_broken_one_is_said_to_be(
    sweeper: Any, attach_content: Callable[..., str], picture: Callable[..., bytes]
) -> None:
    good = picture(60, 40)
    bad = b"\x89PNG\r\n\x1a\n" + b"no picture at all"
    contents = {
        attach_content(sweeper, good, "png", caption="Cavity 9, green"): good,
        attach_content(sweeper, bad, "png", caption="Seal"): bad,
    }
    found = report_of(sweeper.desk, "customer", sweeper.job)
    pdf = as_pdf(found, contents)
    reader = PdfReader(io.BytesIO(pdf))
    assert sum(len(page.images) for page in reader.pages) == 1
    assert "Cavity 9, green" in text_of(pdf)
    assert "Seal (cannot be shown)" in text_of(pdf)
    page = Read(as_html(found, {key: value for key, value in contents.items() if value == good}))
    assert page.tags.count("img") == 1
    assert "Seal (cannot be shown)" in page.text


@pytest.mark.parametrize(
    ("orientation", "corner", "mirrored", "turned"),
    [
        (1, "top left", False, False), (2, "top right", True, False), (3, "bottom right", False, False),
        (4, "bottom left", True, False), (5, "top left", True, True), (6, "top right", False, True),
        (7, "bottom right", True, True), (8, "bottom left", False, True),
    ],
)  # fmt: skip
def test_a_photo_stands_upright_however_the_camera_was_held(
    sweeper: Any, attach_content: Callable[..., str], orientation: int, corner: str, *, mirrored: bool, turned: bool
) -> None:
    """Where the first point that a camera stores belongs, by the eight orientations of Exif."""
    photo = small_jpeg([[20, 240, 240], [128, 128, 128]], orientation)
    assert kind_of(photo) == "jpeg"
    sha256 = attach_content(sweeper, photo, "jpeg", caption="Belly pan")
    report = report_of(sweeper.desk, "customer", sweeper.job)
    placed: list[tuple[float, ...]] = []
    for page in PdfReader(io.BytesIO(as_pdf(report, {sha256: photo}))).pages:
        at: list[tuple[float, ...]] = []
        for operands, operator in ContentStream(page.get_contents(), page.pdf).operations:
            if operator == b"cm":
                at.append(tuple(float(one) for one in operands))
            elif operator == b"Do":
                placed.append(at[-1])
    (a, b, c, d, e, f) = placed[-1]
    # The stored picture fills the unit square, its first point at the upper left corner (0, 1).
    x, y = c + e, d + f
    middle_x, middle_y = (a + c) / 2 + e, (b + d) / 2 + f
    assert corner == f"{'top' if y > middle_y else 'bottom'} {'left' if x < middle_x else 'right'}"
    assert (a * d - b * c < 0) == mirrored
    assert (abs(b) > abs(a)) == turned
    shown = as_html(report, {sha256: photo})
    assert base64.b64encode(photo).decode() in shown  # whole, with its orientation in it
    assert "image-orientation: from-image" in shown


def test_a_signature_stands_above_its_line(
    sweeper: Any, attach_content: Callable[..., str], picture: Callable[..., bytes]
) -> None:
    drawn = picture(80, 20)
    sha256 = attach_content(sweeper, drawn, "png", caption="M. Ωmega", role="customer-signature")
    found = report_of(sweeper.desk, "customer", sweeper.job)
    assert "Customer: M. Ωmega" in text_of(as_pdf(found, {sha256: drawn}))
    assert pages_of(as_pdf(found, {sha256: drawn})) == 1


def test_very_long_words_and_two_hundred_checks_stay_on_the_paper(sweeper: Any) -> None:
    found = report_of(sweeper.desk, "technician", sweeper.job)
    long = "x" * 300
    many = tuple(replace(found.checks[at % len(found.checks)], entry=at) for at in range(200))
    pdf = as_pdf(replace(found, checks=many, notes=(long,), unit=long), {})
    for page in PdfReader(io.BytesIO(pdf)).pages:
        right = float(page.mediabox.width)
        ends: list[float] = []

        def note(operator: bytes, shown: Any, cm: Any, tm: Any, ends: list[float] = ends) -> None:
            # Two bytes a letter; no letter of the serif is narrower than a fifth of its height, 8 points at least.
            if operator in (b"Tj", b"TJ"):
                pieces = shown[0] if operator == b"TJ" else shown
                letters = sum(len(one) // 2 for one in pieces if isinstance(one, bytes | str))
                ends.append(tm[4] * cm[0] + cm[4] + 0.2 * 8.0 * letters)

        page.extract_text(visitor_operand_before=note)
        assert ends
        assert max(ends) < right


@pytest.mark.parametrize(
    ("name", "code"),
    [("report.doc", "report-ending"), ("there.pdf", "report-there"), ("no/where.pdf", "report-unwritable")],
)
def test_a_report_that_cannot_be_written_says_why_and_writes_nothing(
    sweeper: Any, tmp_path: Path, name: str, code: str
) -> None:
    (tmp_path / "there.pdf").write_bytes(b"mine")
    with pytest.raises(UserError) as caught:
        write_report(sweeper.desk, "customer", tmp_path / name, sweeper.job)
    assert caught.value.code == code
    assert [(one.name, one.read_bytes()) for one in tmp_path.iterdir()] == [("there.pdf", b"mine")]


def test_a_folder_of_fonts_that_is_not_there_is_said(sweeper: Any, tmp_path: Path) -> None:
    with pytest.raises(UserError) as caught:
        as_pdf(report_of(sweeper.desk, "customer", sweeper.job), {}, "a4", tmp_path / "fonts")
    assert caught.value.code == "report-fonts"
