"""Writes a page, or with --check on the command line says whether the one on disk is stale."""

from __future__ import annotations

import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent


def write_or_check(page: Path, wanted: str, counted: str) -> int:
    """Exit status: 0 when written or fresh, 1 when stale. ``counted`` says what the page now holds."""
    if "--check" in sys.argv[1:]:
        stale = not page.exists() or page.read_text("utf-8") != wanted
        if stale:
            print(f"{page.relative_to(ROOT)} is stale. Run `make pages`.")
        return int(stale)
    page.write_text(wanted, "utf-8")
    print(f"{page.relative_to(ROOT)}: {counted}")
    return 0
