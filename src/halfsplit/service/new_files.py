"""Writing a result to a file that is not there yet: whole or not at all, and never over another."""

from __future__ import annotations

from pathlib import Path


def write_new(place: Path, content: bytes) -> None:
    """Writes ``content`` to a new file. Raises FileExistsError, or OSError with nothing left behind."""
    with place.open("xb") as out:
        try:
            out.write(content)
            out.flush()
        except OSError:
            place.unlink(missing_ok=True)
            raise
