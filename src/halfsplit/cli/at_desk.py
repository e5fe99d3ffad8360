"""From the arguments of a command to the desk its use case works at."""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from halfsplit.service.desk import Desk


@contextmanager
def at_desk(arguments: argparse.Namespace) -> Iterator[Desk]:
    """A desk over the store in --home or the user's own, closed at the end."""
    from halfsplit.jobs.attachments import FolderShelf
    from halfsplit.jobs.opening import open_store
    from halfsplit.service.desk import Desk
    from halfsplit.service.kept_tables import tables
    from halfsplit.service.odds_notes import notes
    from halfsplit.settings import attachments_dir, make_data_dir, store_path

    home: str | None = arguments.home
    environ = None
    if home:
        environ = {"HALFSPLIT_HOME": home}
        make_data_dir(environ)
        store = open_store(store_path(environ))
    else:
        store = open_store()
    with store:
        shelf = FolderShelf(attachments_dir(environ))
        by = getattr(arguments, "by", "")
        yield Desk(
            store, lambda: datetime.now(UTC).astimezone(), by, shelf=shelf, tables=tables(), notes=notes(),
        )  # fmt: skip


def machine_path(text: str) -> Path:
    """A machine folder or file, or one of the shipped machines by its name. Raises NotFound."""
    from halfsplit.service.examples import find_machine

    return find_machine(text)
