"""The machines shipped with halfsplit, wherever it is installed."""

from __future__ import annotations

from pathlib import Path

from halfsplit.errors import NotFound

#: Inside an installed package; in a working copy the folder lies two levels above the package.
INSTALLED = Path(__file__).resolve().parent.parent / "examples"
WORKING_COPY = Path(__file__).resolve().parents[3] / "examples"


def examples_folder() -> Path:
    """The folder of shipped machines. Raises NotFound when the installation lacks it."""
    for folder in (INSTALLED, WORKING_COPY):
        if folder.is_dir():
            return folder
    raise NotFound("folder of shipped machines", "examples")


def shipped() -> tuple[str, ...]:
    """Names of the shipped machines."""
    return tuple(sorted(one.name for one in examples_folder().iterdir() if (one / "machine.yaml").is_file()))


def find_machine(text: str) -> Path:
    """A machine folder or file by its path, or a shipped machine by its name. Raises NotFound."""
    path = Path(text).expanduser()
    if path.exists():
        return path
    names = shipped()
    if text in names:
        return examples_folder() / text
    raise NotFound("machine folder or file", text, names)
