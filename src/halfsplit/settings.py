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
    Setting(
        "HALFSPLIT_STORE",
        "`jobs.sqlite3` in the data folder",
        "The file or database address of the job store, like postgresql+psycopg://name@host/database.",
    ),
    Setting(
        "HALFSPLIT_CACHE",
        "the platform's folder for a user's cache",
        "The folder in which what was worked out about machines is kept to open jobs faster; off keeps nothing.",
    ),
    Setting(
        "HALFSPLIT_LARGEST_ATTACHMENT",
        "25 MB",
        "The largest file that may be attached to a job, in kB or MB.",
    ),
    Setting(
        "HALFSPLIT_ATTACHMENT_KINDS",
        "jpeg png webp heic mp4 m4a mp3 ogg wav webm pdf text blf mf4",
        "What may be attached, told from the content of a file; a list of these words.",
    ),
    Setting(
        "HALFSPLIT_SHOP", "no name", "The name that stands at the top of a report, with address if wanted."
    ),
    Setting("HALFSPLIT_HOUR_RATE", "work has no price", "Price of an hour of work, like 92.00 EUR."),
    Setting("HALFSPLIT_TRAVEL_RATE", "travel has no price", "Price of an hour of travel, like 60.00 EUR."),
    Setting("HALFSPLIT_TAX", "no tax line", "Tax on everything that has a price, like 20 %."),
    Setting(
        "HALFSPLIT_CURRENCY",
        "that of the first price",
        "The one currency that prices may be in, three letters as in ISO 4217.",
    ),
    Setting("HALFSPLIT_PAPER", "a4", "Paper of printed reports: a4 or us-letter."),
    Setting(
        "HALFSPLIT_FONTS",
        "built-in fonts alone",
        "A folder with more fonts for printed reports, for scripts the built-in ones lack.",
    ),
)

#: File name of the job store inside the data folder.
STORE_NAME = "jobs.sqlite3"
#: Name of the folder of the certificates for serving to the network, beside it.
CERTIFICATES_NAME = "certificates"
#: Name of the folder of attachments beside it.
ATTACHMENTS_NAME = "attachments"


def data_dir(environ: Mapping[str, str] | None = None) -> Path:
    """The data folder, not made: HALFSPLIT_HOME if set and not empty, else the platform's usual place."""
    chosen = (os.environ if environ is None else environ).get("HALFSPLIT_HOME", "").strip()
    if chosen:
        return Path(chosen).expanduser()
    import platformdirs

    return Path(platformdirs.user_data_dir("halfsplit", appauthor=False))


def cache_dir(environ: Mapping[str, str] | None = None) -> Path | None:
    """The folder for what can be worked out again, not made; None when HALFSPLIT_CACHE is "off"."""
    chosen = (os.environ if environ is None else environ).get("HALFSPLIT_CACHE", "").strip()
    if chosen.casefold() == "off":
        return None
    if chosen:
        return Path(chosen).expanduser()
    import platformdirs

    return Path(platformdirs.user_cache_dir("halfsplit", appauthor=False))


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


def setting(name: str, environ: Mapping[str, str] | None = None) -> str:
    """What a setting of ``SETTINGS`` is set to, "" when it is not; blanks around it do not count."""
    return (os.environ if environ is None else environ).get(name, "").strip()


def attachments_dir(environ: Mapping[str, str] | None = None) -> Path:
    """The folder of attachments inside the data folder. Makes neither."""
    return data_dir(environ) / ATTACHMENTS_NAME


def certificates_dir(environ: Mapping[str, str] | None = None) -> Path:
    """The folder of certificates inside the data folder. Makes neither."""
    return data_dir(environ) / CERTIFICATES_NAME


def store_path(environ: Mapping[str, str] | None = None) -> Path:
    """The job store's file inside the data folder. Makes neither."""
    return data_dir(environ) / STORE_NAME
