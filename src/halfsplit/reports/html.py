"""A report as one HTML file that needs nothing beside it: pictures and style are inside."""

from __future__ import annotations

import base64
from collections.abc import Mapping
from functools import cache
from importlib.resources import files
from typing import TYPE_CHECKING

from halfsplit.jobs.attachments import KINDS
from halfsplit.reports.content import Report
from halfsplit.reports.sections import Picture, page

if TYPE_CHECKING:
    from jinja2 import Template


def as_html(report: Report, pictures: Mapping[str, bytes]) -> str:
    """The HTML of a report; ``pictures`` are contents by SHA-256. Texts are escaped, whatever is in them.

    The same report and pictures give the same text.
    """

    def source(one: Picture) -> str:
        content = pictures.get(one.sha256)
        if content is None:
            return ""
        return f"data:{KINDS[one.media]};base64,{base64.b64encode(content).decode('ascii')}"

    return _template().render(page=page(report), source=source)


@cache
def _template() -> Template:
    from jinja2 import Environment, StrictUndefined
    from markupsafe import Markup

    environment = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    # The figure is SVG made by ``figures``, which escapes every text in it.
    environment.filters["own_svg"] = Markup
    text = (files("halfsplit.reports") / "templates" / "report.html.j2").read_text(encoding="utf-8")
    return environment.from_string(text)
