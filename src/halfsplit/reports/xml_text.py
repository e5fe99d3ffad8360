"""Text that XML 1.0 can carry."""

from __future__ import annotations

import re

#: What is not a character of XML 1.0 (W3C recommendation, production 2).
_NOT_XML = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


def xml_text(text: str) -> str:
    """``text`` with a replacement sign for every character that XML cannot carry, not yet escaped."""
    return _NOT_XML.sub("\ufffd", text)
