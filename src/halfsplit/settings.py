"""Where halfsplit keeps its data, and the few environment variables it reads.

Nothing else in the package reads the environment, so ``SETTINGS`` is the whole list; docs/settings.md repeats
it and a test holds the two together.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from halfsplit.errors import UserError

CODES: dict[str, str] = {
    "home-unusable": "The data folder cannot be made or is not a folder.",
}


@dataclass(frozen=True, slots=True)
class Setting:
    """One environment variable: its name, what holds when it is not set, and one sentence about it."""

    name: str
    default: str
    meaning: str


SETTINGS: tuple[Setting, ...] = (
    Setting(
        "HALFSPLIT_HOME",
        "the platform's folder for a user's data",
        "The folder in which jobs are kept; it is made when first needed.",
    ),
)

#: File name of the job store inside the data folder.
STORE_NAME = "jobs.sqlite3"


def data_dir(environ: Mapping[str, str] | None = None) -> Path:
    """The data folder, not made: HALFSPLIT_HOME if set and not empty, else the platform's usual place."""
    chosen = (os.environ if environ is None else environ).get("HALFSPLIT_HOME", "").strip()
    if chosen:
        return Path(chosen).expanduser()
    import platformdirs

    return Path(platformdirs.user_data_dir("halfsplit", appauthor=False))


def make_data_dir(environ: Mapping[str, str] | None = None) -> Path:
    """The data folder, made for its owner alone if it was not there. Raises UserError when it cannot be."""
    folder = data_dir(environ)
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    except OSError as error:
        raise UserError(
            "home-unusable",
            f"The data folder {folder} cannot be used: {error.strerror or error}.",
            "Set HALFSPLIT_HOME to a folder you may write to.",
        ) from error
    return folder


def store_path(environ: Mapping[str, str] | None = None) -> Path:
    """The job store's file inside the data folder. Makes neither."""
    return data_dir(environ) / STORE_NAME
