"""What is done for PostgreSQL alone, so that the store in ``sql`` keeps there what it keeps in SQLite.

* An acknowledged step has reached the server's disk: a server set to ``synchronous_commit = off`` is told otherwise
  for our connections. (A server that runs with ``fsync = off`` cannot be helped from here.)
* Writers see what was committed while they waited (READ COMMITTED, the isolation the numbering of events rests on),
  whatever the server's default is.
* Nobody waits without end: not for a server that does not answer, and not for a lock.
* Texts come back letter for letter, so the database must be one of UTF-8.
"""

from __future__ import annotations

from typing import Any

from sqlalchemy import URL, Engine, event

from halfsplit.errors import UserError

#: The one driver, psycopg 3, which the optional extra "postgres" brings.
DRIVER = "postgresql+psycopg"
#: How long a server may take to answer a connection. Common practice, no source.
CONNECT_SECONDS = 10


def with_driver(url: URL) -> URL:
    """The address with our driver in it when it names none; raises UserError for any other driver."""
    if url.drivername not in ("postgresql", DRIVER):
        raise UserError(
            "store-address",
            f'The store\'s address names the driver "{url.drivername}", which halfsplit does not use.',
            f"Begin the address with {DRIVER}://.",
        )
    return url.set(drivername=DRIVER)


def engine_arguments(url: URL, busy_seconds: int) -> dict[str, Any]:
    """Keyword arguments for ``create_engine``; ``busy_seconds`` is how long a writer waits for a lock."""
    given = url.query.get("options", "")
    options = given if isinstance(given, str) else " ".join(given)
    return {
        "isolation_level": "READ COMMITTED",
        "pool_pre_ping": True,  # a server that was started anew since has cut the connections that lie in the pool
        "connect_args": {
            "connect_timeout": CONNECT_SECONDS,
            "client_encoding": "utf8",
            "options": f"{options} -c lock_timeout={busy_seconds * 1000 or 1}".strip(),
        },
    }


def attach(engine: Engine) -> None:
    """Sets each new connection up. Raises UserError("store-open") for a database that is not one of UTF-8."""
    event.listen(engine, "connect", _set_up)


def missing_driver(error: ImportError) -> UserError:
    """What to say when psycopg is not installed."""
    return UserError(
        "store-address",
        f"A store on PostgreSQL needs the package psycopg, which cannot be loaded ({error}).",
        'Install it with: pip install "halfsplit[postgres]"',
    )


def _set_up(connection: Any, _record: Any) -> None:
    encoding = connection.info.parameter_status("server_encoding")
    if encoding != "UTF8":
        raise UserError(
            "store-open",
            f"The database keeps text as {encoding}, in which not every letter can be kept.",
            "Make one for halfsplit with: createdb --encoding UTF8 --template template0 NAME",
        )
    with connection.cursor() as cursor:
        cursor.execute("SHOW synchronous_commit")
        if cursor.fetchone() == ("off",):
            cursor.execute("SET synchronous_commit = on")
    connection.commit()
