"""A report as PDF, set by typst from one template.

Every text goes in as data (JSON), never as markup, so signs that mean something to the typesetter stay signs.
Nothing is fetched and no font of the computer is used unless a folder of fonts is named, so the same report
gives the same bytes everywhere. The PDF is tagged, and its text can be selected and searched.
"""

from __future__ import annotations

import json
import tempfile
from collections.abc import Mapping
from importlib.resources import files
from pathlib import Path
from typing import Literal, get_args

from halfsplit.errors import InternalError, UserError, nearest
from halfsplit.jobs.attachments import KINDS
from halfsplit.reports.content import Report, plain
from halfsplit.reports.sections import page

Paper = Literal["a4", "us-letter"]

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
                font_paths=[str(fonts)] if fonts is not None else [],
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
