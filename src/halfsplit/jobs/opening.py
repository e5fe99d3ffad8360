"""Which store an address means."""

from __future__ import annotations

from pathlib import Path

from halfsplit.errors import UserError
from halfsplit.jobs.memory import MemoryStore
from halfsplit.jobs.store import JobStore
from halfsplit.settings import make_data_dir, setting, store_path

#: The address of a store in memory.
MEMORY = "memory:"


def open_store(where: str | Path | None = None) -> JobStore:
    """The store at ``where``.

    None is the user's own: the one that HALFSPLIT_STORE names, or else the file in the data folder. A path is
    an SQLite file, "memory:" one in memory, and anything with "://" a database address ("sqlite:///file",
    "postgresql+psycopg://..."). A file is made when it is not there; its folder must be. An old store is
    brought up to date, see ``migrations``. Raises UserError with a code of ``store.CODES``.
    """
    if where is None:
        where = setting("HALFSPLIT_STORE") or None
    if where == MEMORY:
        return MemoryStore()
    # SQLAlchemy takes longer to import than most commands to run, so it is left until a store is really
    # opened.
    from halfsplit.jobs.sql import SqlStore

    if where is None:
        make_data_dir()
        return SqlStore.at_path(store_path())
    if isinstance(where, Path):
        return SqlStore.at_path(where)
    scheme, sign, _rest = where.partition("://")
    if not sign:
        return SqlStore.at_path(Path(where))
    if scheme.partition("+")[0] not in ("sqlite", "postgresql"):
        raise UserError(
            "store-address",
            f'"{scheme}://" is no kind of store halfsplit knows.',
            'Give a file name, "memory:", or an address beginning with sqlite:/// or postgresql+psycopg://.',
        )
    return SqlStore(where)
