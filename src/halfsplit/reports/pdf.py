"""A report as PDF, set by typst from one template.

Every text goes in as data (JSON), never as markup, so signs that mean something to the typesetter stay signs.
Nothing is fetched and no font of the computer is used unless a folder of fonts is named, so the same report
gives the same bytes everywhere. The PDF is tagged, and its text can be selected and searched.
"""

from __future__ import annotations

import json
import re
import tempfile
import unicodedata
from collections.abc import Mapping
from importlib.resources import files
from pathlib import Path
from typing import Literal, get_args

from halfsplit.errors import InternalError, UserError, nearest
from halfsplit.jobs.attachments import KINDS
from halfsplit.reports.content import Report, plain
from halfsplit.reports.sections import page

Paper = Literal["a4", "us-letter"]

#: The last number of Latin letters in one row of Unicode (Latin Extended-B).
LATIN_TO = 0x24F
#: A sign that stands for nothing in any font (Unicode, private use, the last but two).
NO_SIGN = "\U0010fffd"

#: Codes of UserErrors raised here, each with one sentence.
CODES: dict[str, str] = {
    "report-paper": "Reports are not printed on paper of that name.",
    "report-fonts": "The folder of fonts for reports is not there.",
}


def read_paper(text: str) -> Paper:
    """A paper by its name; "" is A4 (ISO 216). Raises UserError("report-paper")."""
    for paper in get_args(Paper):
        if text.strip().casefold() == paper:
            found: Paper = paper
            return found
    if not text.strip():
        return "a4"
    near = nearest(text, get_args(Paper))
    raise UserError("report-paper", f'There is no paper "{text}" here.', f"Use {near or ' or '.join(get_args(Paper))}.")


def as_pdf(
    report: Report, pictures: Mapping[str, bytes], paper: Paper = "a4", fonts: Path | None = None
) -> bytes:
    """The PDF of a report; ``pictures`` are contents by SHA-256, ``fonts`` a folder with more fonts.

    A picture that the typesetter cannot read is left out and said to be. Raises UserError for a folder of fonts
    that is not there.
    """
    import typst

    if fonts is not None and not fonts.is_dir():
        raise UserError("report-fonts", f"There is no folder of fonts {fonts}.", "Look at HALFSPLIT_FONTS.")
    with tempfile.TemporaryDirectory(prefix="halfsplit-report-") as name:
        folder = Path(name)
        media = {one.sha256: one.media for one in report.attachments}
        placed = {}
        for sha256, content in sorted(pictures.items()):
            kind = media.get(sha256, "")
            if kind in KINDS:
                placed[sha256] = f"{sha256}.{'jpg' if kind == 'jpeg' else kind}"
                (folder / placed[sha256]).write_bytes(content)
        template = folder / "report.typ"
        template.write_bytes((files("halfsplit.reports") / "templates" / "report.typ").read_bytes())

        def compiled(shown: Mapping[str, str]) -> bytes:
            content = {"page": plain(page(report)), "paper": paper, "files": dict(shown)}
            done = typst.compile(
                str(template),
                root=str(folder),
                ignore_system_fonts=True,
                font_paths=_font_paths(fonts),
                format="pdf",
                sys_inputs={"content": json.dumps(content, ensure_ascii=False)},
            )
            if not isinstance(done, bytes):
                raise InternalError("The typesetter gave back no file.")
            return done

        try:
            return compiled(placed)
        except typst.TypstError as error:
            readable = {sha256: file for sha256, file in placed.items() if _readable(folder, file)}
            if len(readable) == len(placed):
                raise InternalError(f"The typesetter refused the report: {error}.") from error
            return compiled(readable)


def _font_paths(fonts: Path | None) -> list[str]:
    return [str(fonts)] if fonts is not None else []


def unprinted(report: Report, fonts: Path | None = None) -> str:
    """The signs of a report for which no font at hand has a shape, in the order of their numbers."""
    text = json.dumps(plain(page(report)), ensure_ascii=False)
    # The built-in fonts have all of Latin; marks that join a letter show with it.
    rare = (sign for sign in set(text) if ord(sign) > LATIN_TO and unicodedata.category(sign)[0] in "LNS")
    return "".join(_shapeless("".join(sorted(rare)), fonts))


def _shapeless(signs: str, fonts: Path | None) -> list[str]:
    """Those of some signs that are drawn as a sign that does not exist is."""
    import typst

    if not signs:
        return []
    source = "\n\n".join(f"#str.from-unicode({ord(sign)})" for sign in NO_SIGN + signs)
    with tempfile.TemporaryDirectory(prefix="halfsplit-report-") as name:
        probe = Path(name, "probe.typ")
        probe.write_text(f"#set page(width: auto, height: auto)\n{source}\n", encoding="utf-8")
        drawn = typst.compile(
            str(probe), root=name, ignore_system_fonts=True, font_paths=_font_paths(fonts), format="svg"
        )
    lines = re.findall(r"<g transform=[^>]*>(.*?)</g>", drawn.decode("utf-8"))
    if len(lines) == len(signs) + 1:
        shapes = [re.findall(r'href="(#\w+)"', line) for line in lines]
        return [sign for sign, shape in zip(signs, shapes[1:], strict=True) if set(shape) & set(shapes[0])]
    # Something is not drawn as a line of shapes: one at a time then, and what cannot be told is taken as printed.
    return [] if len(signs) == 1 else [one for sign in signs for one in _shapeless(sign, fonts)]


def _readable(folder: Path, picture: str) -> bool:
    """Whether the typesetter can read a picture."""
    import typst

    probe = folder / "probe.typ"
    probe.write_text('#image(sys.inputs.at("file"))', encoding="utf-8")
    try:
        typst.compile(str(probe), root=str(folder), ignore_system_fonts=True, format="pdf",
                      sys_inputs={"file": picture})  # fmt: skip
    except typst.TypstError:
        return False
    return True
