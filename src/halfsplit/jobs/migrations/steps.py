"""Finds out which form a database is in and runs the steps that are missing."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

from sqlalchemy import Connection, column, inspect, select, table

from halfsplit.errors import UserError
from halfsplit.jobs.migrations.tables import metadata

#: The newest step. A test compares it with the files in ``versions``.
HEAD = "0003"

_VERSION_TABLE = "alembic_version"
_VERSIONS = Path(__file__).parent / "versions"


def form_of(connection: Connection, head: str = HEAD) -> str | None:
    """The number of the last step that ran here, None in an empty database; writes nothing.

    Raises UserError with "store-foreign", or with "store-newer" for a form above ``head``.
    """
    present = set(inspect(connection).get_table_names())
    if not present:
        return None
    found: Sequence[str] = ()
    if _VERSION_TABLE in present:
        found = connection.scalars(select(column("version_num")).select_from(table(_VERSION_TABLE))).all()
    if len(found) != 1 or not set(metadata.tables) & present:
        raise UserError(
            "store-foreign",
            "The database holds tables of some other program, and no jobs.",
            "Give the store a file or database of its own.",
        )
    form: str = found[0]
    if form > head:  # numbers have four digits, so they compare as text
        raise UserError(
            "store-newer",
            f"The store has form {form}; this halfsplit knows forms up to {head}.",
            "Install the newer halfsplit; the store was left as it is.",
        )
    return form


def bring_up_to_date(
    connection: Connection,
    before_changing: Callable[[str], None],
    head: str = HEAD,
    extra: Sequence[Path] = (),
) -> None:
    """Runs the steps that are missing, inside the transaction that ``connection`` is in.

    ``before_changing`` is called with the number of the step that comes first when an older store is about to
    be changed. ``head`` and ``extra`` (more folders with steps) let a test stand in for a later version.
    Raises UserError with "store-newer" or "store-foreign".
    """
    form = form_of(connection, head)
    if form == head:
        return
    from alembic import command
    from alembic.config import Config
    from alembic.script import ScriptDirectory

    config = Config()
    config.set_main_option("script_location", str(Path(__file__).parent).replace("%", "%%"))
    config.set_main_option("path_separator", "newline")
    config.set_main_option(
        "version_locations", "\n".join(str(each).replace("%", "%%") for each in (_VERSIONS, *extra))
    )
    config.attributes["connection"] = connection
    known = [step.revision for step in ScriptDirectory.from_config(config).walk_revisions()]
    if form is not None and form not in known:
        raise UserError("store-foreign", f"The store calls its form {form!r}, which no halfsplit ever wrote.")
    if form is not None:
        before_changing(min(step for step in known if step > form))
    command.upgrade(config, head)
