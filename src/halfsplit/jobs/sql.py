"""The store in a database: an SQLite file by default, PostgreSQL when a shop wants one.

All statements are SQLAlchemy expressions that both understand. What only SQLite needs stands in
``_SqliteWays``, and nowhere else: settings of each connection, how a transaction begins, and the copy before
an upgrade. What only PostgreSQL needs stands in ``postgres``.

SQLite keeps a write-ahead log (readers never wait for the writer) with ``synchronous=FULL``: a commit returns
when the log has reached the disk, because a laptop in a truck loses its power without warning. The log does
not work on network drives; SQLite then refuses, and so do we.
"""

from __future__ import annotations

import contextlib
import sqlite3
import threading
from collections.abc import Collection, Iterator, Mapping, Sequence
from functools import lru_cache
from pathlib import Path
from typing import Any

from sqlalchemy import (
    URL,
    Connection,
    Engine,
    create_engine,
    event,
    func,
    insert,
    make_url,
    select,
    update,
)
from sqlalchemy.exc import ArgumentError, DBAPIError, IntegrityError, NoSuchModuleError, SQLAlchemyError
from sqlalchemy.exc import TimeoutError as PoolTimeout

from halfsplit.errors import InternalError, NotFound, UserError
from halfsplit.jobs import postgres
from halfsplit.jobs.events import Event, JobOpened, from_json
from halfsplit.jobs.migrations.steps import HEAD, bring_up_to_date, form_of
from halfsplit.jobs.migrations.tables import documents as document_rows
from halfsplit.jobs.migrations.tables import events as event_rows
from halfsplit.jobs.migrations.tables import jobs as job_rows
from halfsplit.jobs.migrations.tables import machine_files, machines, unit_events
from halfsplit.jobs.model import State
from halfsplit.jobs.store import (
    AlreadyThere,
    Document,
    DocumentOvertaken,
    JobLine,
    JobStore,
    Overtaken,
    by_opening,
    check_document,
    check_following,
    check_machine,
    check_opening,
    check_unit_events,
    state_after,
)
from halfsplit.jobs.units import UnitEvent, unit_from_json

#: Events kept as they were read, about 1 kB each; those of twenty long jobs. Invented limit.
_EVENTS_KEPT = 8192
#: How long a writer waits for another one before it gives up. Common practice, no source.
BUSY_SECONDS = 20
#: Jobs named in one statement; SQLite before 3.32 takes 999 values (its manual, limits).
_NAMED_AT_ONCE = 500
#: Times that switching to the write-ahead log is tried, one more than processes that may open a new store at once.
_SWITCHES = 100


class SqlStore(JobStore):
    """Jobs in the database at ``address`` (an SQLAlchemy URL), which is made or brought up to date.

    ``head`` and ``extra_steps`` are for tests that stand in for a later version; see ``migrations``.
    """

    def __init__(self, address: str | URL, *, head: str = HEAD, extra_steps: Sequence[Path] = ()) -> None:
        self._engine: Engine | None = None
        try:
            url = make_url(address)
            sqlite = url.get_backend_name() == "sqlite"
            if sqlite:
                engine = create_engine(url, connect_args={"timeout": BUSY_SECONDS})
            else:
                url = postgres.with_driver(url)
                engine = create_engine(url, **postgres.engine_arguments(url, BUSY_SECONDS))
        except ImportError as error:
            raise postgres.missing_driver(error) from error
        except (ArgumentError, NoSuchModuleError) as error:
            raise UserError("store-address", f"The store's address cannot be used: {error}.") from error
        self._place = url.render_as_string(hide_password=True)
        self._sqlite = _SqliteWays(url) if sqlite else None
        if self._sqlite:
            self._sqlite.attach(engine)
        else:
            postgres.attach(engine)
        self._engine = engine
        try:
            self._prepare(head, extra_steps)
        except BaseException:
            self.close()
            raise

    @classmethod
    def at_path(cls, path: Path, *, head: str = HEAD, extra_steps: Sequence[Path] = ()) -> SqlStore:
        """The store in the SQLite file ``path``; its folder must be there. Raises UserError("store-open")."""
        if not path.absolute().parent.is_dir():
            raise UserError("store-open", f"There is no folder {path.absolute().parent} to keep jobs in.")
        if path.is_dir():
            raise UserError("store-open", f"{path} is a folder, not a store.")
        return cls(URL.create("sqlite", database=str(path)), head=head, extra_steps=extra_steps)

    def create_job(self, opening: Event, more: Sequence[Event] = ()) -> None:
        """Begin a job; see JobStore."""
        texts = check_opening(opening, more)
        what = opening.what
        assert isinstance(what, JobOpened)  # check_opening saw to it; this tells the type checker
        last = more[-1] if more else opening
        row = {
            "id": opening.job,
            "machine": what.machine,
            "fingerprint": what.fingerprint,
            "unit": what.unit,
            "opened": opening.when,
            "state": state_after("open", more),
            "last_number": last.number,
            "changed": last.when,
        }
        with self._writing() as connection:
            try:
                connection.execute(insert(job_rows).values(row))
            except IntegrityError:
                raise AlreadyThere(opening.job) from None
            connection.execute(insert(event_rows), _rows(opening.job, 1, texts))

    def append_all(self, job: str, expected_number: int, events: Sequence[Event]) -> None:
        """Add events in one step; see JobStore."""
        texts = check_following(job, expected_number, events)
        with self._writing() as connection:
            found = connection.execute(
                select(job_rows.c.last_number, job_rows.c.state).where(job_rows.c.id == job)
            )
            row = found.one_or_none()
            if row is None:
                raise self._no_job(connection, job)
            if not events:
                return
            last = events[-1]
            # The job's row moves on only if it still is where the caller saw it. Changing it takes its lock,
            # so of two writers the second finds no row to change, on SQLite and PostgreSQL alike.
            moved = connection.execute(
                update(job_rows)
                .where(job_rows.c.id == job, job_rows.c.last_number == expected_number)
                .values(last_number=last.number, changed=last.when, state=state_after(row.state, events))
            )
            if moved.rowcount != 1:
                now = connection.scalar(select(job_rows.c.last_number).where(job_rows.c.id == job))
                raise Overtaken(job, expected_number, now or 0)
            connection.execute(insert(event_rows), _rows(job, expected_number + 1, texts))

    def events(self, job: str, after: int = 0) -> tuple[Event, ...]:
        """Give the events of a job; see JobStore."""
        with self._reading() as connection:
            texts = connection.scalars(
                select(event_rows.c.body)
                .where(event_rows.c.job == job, event_rows.c.number > after)
                .order_by(event_rows.c.number)
            ).all()
            if not texts and connection.scalar(select(job_rows.c.id).where(job_rows.c.id == job)) is None:
                raise self._no_job(connection, job)
        return tuple(map(_event, texts))

    def jobs(
        self, *, state: State | None = None, machine: str | None = None, unit: str | None = None
    ) -> tuple[JobLine, ...]:
        """List the jobs that fit; see JobStore."""
        chosen = select(job_rows)
        for column, wanted in (
            (job_rows.c.state, state),
            (job_rows.c.machine, machine),
            (job_rows.c.unit, unit),
        ):
            if wanted is not None:
                chosen = chosen.where(column == wanted)
        with self._reading() as connection:
            rows = connection.execute(chosen).mappings().all()
        return by_opening(JobLine(**row) for row in rows)

    def last_numbers(self, jobs: Collection[str]) -> dict[str, int]:
        """Give the numbers of last events; see JobStore."""
        found: dict[str, int] = {}
        named = sorted(jobs)
        with self._reading() as connection:
            for first in range(0, len(named), _NAMED_AT_ONCE):
                some = job_rows.c.id.in_(named[first : first + _NAMED_AT_ONCE])
                chosen = select(job_rows.c.id, job_rows.c.last_number).where(some)
                found.update((row.id, row.last_number) for row in connection.execute(chosen))
        return found

    def append_units(self, expected: Mapping[str, int], events: Sequence[UnitEvent]) -> None:
        """Add events of units in one step; see JobStore."""
        texts = check_unit_events(expected, events)
        with self._writing() as connection:
            # All writers take the units in the same order, so that none waits for one that waits for it.
            for unit, new in texts.items():
                last = select(func.max(unit_events.c.number)).where(unit_events.c.unit == unit)
                found = connection.scalar(last) or 0
                if found != expected[unit]:
                    raise Overtaken(unit, expected[unit], found, "Unit")
                rows = [{"unit": unit, "number": found + n, "body": text} for n, text in enumerate(new, 1)]
                try:
                    with connection.begin_nested():
                        connection.execute(insert(unit_events), rows)
                except IntegrityError:  # on PostgreSQL a second writer waits here, and then finds the number taken
                    raise Overtaken(unit, expected[unit], connection.scalar(last) or 0, "Unit") from None

    def unit_events(self, unit: str) -> tuple[UnitEvent, ...]:
        """Give the events of a unit; see JobStore."""
        chosen = select(unit_events.c.body).where(unit_events.c.unit == unit).order_by(unit_events.c.number)
        with self._reading() as connection:
            texts = connection.scalars(chosen).all()
        return tuple(map(unit_from_json, texts))

    def units(self) -> tuple[str, ...]:
        """List the units; see JobStore."""
        with self._reading() as connection:
            found = connection.scalars(select(unit_events.c.unit).distinct()).all()
        return tuple(sorted(found))

    def put_machine(self, fingerprint: str, files: Mapping[str, bytes]) -> None:
        """Keep the files of a machine; see JobStore."""
        check_machine(fingerprint, files)
        rows = [
            {"fingerprint": fingerprint, "name": name, "content": bytes(files[name])}
            for name in sorted(files)
        ]
        with self._writing() as connection:
            known = select(machines.c.fingerprint).where(machines.c.fingerprint == fingerprint)
            if connection.scalar(known) is not None:
                return
            # A second writer of the same machine waits here on PostgreSQL and then finds it there: equal
            # names are equal content, so there is nothing left to do.
            with contextlib.suppress(IntegrityError), connection.begin_nested():
                connection.execute(insert(machines).values(fingerprint=fingerprint))
                connection.execute(insert(machine_files), rows)

    def get_machine(self, fingerprint: str) -> dict[str, bytes]:
        """Give the files of a machine; see JobStore."""
        with self._reading() as connection:
            rows = connection.execute(
                select(machine_files.c.name, machine_files.c.content)
                .where(machine_files.c.fingerprint == fingerprint)
                .order_by(machine_files.c.name)
            ).all()
            if not rows:
                known = connection.scalars(select(machines.c.fingerprint)).all()
                raise NotFound("machine file with the fingerprint", fingerprint, known)
        return {row.name: bytes(row.content) for row in rows}

    def put_document(self, document: Document) -> None:
        """Keep the next document of a kind; see JobStore."""
        check_document(document)
        row = {
            "kind": document.kind, "number": document.number, "written": document.when, "by": document.by,
            "body": document.body,
        }  # fmt: skip
        latest = select(func.max(document_rows.c.number)).where(document_rows.c.kind == document.kind)
        with self._writing() as connection:
            found = connection.scalar(latest) or 0
            if document.number == found + 1:
                # On PostgreSQL a second writer of the same number waits here and then finds it taken.
                with contextlib.suppress(IntegrityError), connection.begin_nested():
                    connection.execute(insert(document_rows).values(row))
                    return
                found = connection.scalar(latest) or 0
            raise DocumentOvertaken(document.kind, document.number - 1, found)

    def documents(self, kind: str, after: int = 0) -> tuple[Document, ...]:
        """Give the documents of a kind; see JobStore."""
        with self._reading() as connection:
            rows = connection.execute(
                select(document_rows)
                .where(document_rows.c.kind == kind, document_rows.c.number > after)
                .order_by(document_rows.c.number)
            ).mappings()
            return tuple(Document(row["kind"], row["number"], row["written"], row["by"], row["body"]) for row in rows)

    def close(self) -> None:
        """Let go of everything; see JobStore."""
        engine, self._engine = self._engine, None
        if engine is not None:
            engine.dispose()

    def _prepare(self, head: str, extra_steps: Sequence[Path]) -> None:
        def copy(step: str) -> None:
            if self._sqlite:
                self._sqlite.copy_before(step)

        with self._reading() as connection:
            form = form_of(connection, head)
        if self._sqlite:
            with self._spoken():
                self._sqlite.keep_log(self._connected())
        if form == head:
            return
        with self._writing(changes_tables=True) as connection:
            if not self._sqlite:
                # PostgreSQL: of several processes that open an empty or older store, one works, others wait.
                connection.execute(select(func.pg_advisory_xact_lock(_UPGRADE_LOCK)))
            bring_up_to_date(connection, copy, head, extra_steps)
            if self._sqlite:
                self._sqlite.check_references(connection)
        self._connected().dispose()  # lets go of the connection that worked under other settings

    @contextlib.contextmanager
    def _reading(self) -> Iterator[Connection]:
        """A connection in a transaction that sees one state of the store."""
        options: dict[str, Any] = {} if self._sqlite else {"isolation_level": "REPEATABLE READ"}
        with self._spoken(), self._connected().connect() as connection:
            yield connection.execution_options(**options)

    @contextlib.contextmanager
    def _writing(self, *, changes_tables: bool = False) -> Iterator[Connection]:
        """A connection in a transaction that has reached the disk once the block has ended well."""
        # Writers of one process queue here: SQLite lets one write at a time, and who finds it busy sleeps a while.
        alone = self._sqlite.alone if self._sqlite else contextlib.nullcontext()
        with alone, self._spoken(), self._connected().connect() as connection:
            writing = connection.execution_options(**{_WRITES: True, _CHANGES_TABLES: changes_tables})
            with writing.begin():
                yield writing

    def _connected(self) -> Engine:
        if self._engine is None:
            raise InternalError("A store was used after it was closed.")
        return self._engine

    @contextlib.contextmanager
    def _spoken(self) -> Iterator[None]:
        """Turns what the database says into words for the person; what it cannot say is our mistake."""
        try:
            yield
        except DBAPIError as error:
            raise _worded(str(error.orig), self._place) from error
        except PoolTimeout as error:
            raise _worded("busy: every connection is in use", self._place) from error
        except SQLAlchemyError as error:
            raise InternalError(f"The store was asked for something it cannot do: {error}.") from error

    def _no_job(self, connection: Connection, job: str) -> NotFound:
        return NotFound("job", job, connection.scalars(select(job_rows.c.id)).all())


#: Execution option by which a transaction says that it is going to write.
_WRITES = "halfsplit_writes"
#: The same for one that changes the tables themselves.
_CHANGES_TABLES = "halfsplit_changes_tables"


#: Any number of our own: PostgreSQL locks by number, and one database holds one store.
_UPGRADE_LOCK = 7_041_959


class _SqliteWays:
    """What is done for SQLite alone."""

    def __init__(self, url: URL) -> None:
        name = url.database
        if not name or name == ":memory:" or url.query.get("mode") == "memory":
            raise UserError(
                "store-address",
                "An SQLite store needs a file.",
                'For a store that keeps nothing write "memory:".',
            )
        self._path = Path(name)
        self.alone = threading.Lock()

    def attach(self, engine: Engine) -> None:
        """Sets each new connection up and lets writers take the write lock at once.

        A transaction that begins by reading and then writes cannot wait for another writer: SQLite tells it
        "locked" at once, however long the timeout. BEGIN IMMEDIATE waits at the beginning instead.
        """
        event.listen(engine, "connect", self._set_up)
        event.listen(engine, "begin", self._begin)

    def copy_before(self, step: str) -> None:
        """Copies the whole store beside itself, once for each step, whole or not at all."""
        target = self._path.with_name(f"{self._path.stem}.before-{step}{self._path.suffix}")
        if target.exists():
            return
        unfinished = target.with_name(target.name + ".unfinished")
        unfinished.unlink(missing_ok=True)
        # The copy reads through a connection of its own, which sees the last kept state.
        with (
            contextlib.closing(sqlite3.connect(self._path)) as source,
            contextlib.closing(sqlite3.connect(unfinished)) as copy,
        ):
            source.backup(copy)
        unfinished.replace(target)

    def _set_up(self, connection: Any, _record: Any) -> None:
        connection.isolation_level = None  # the driver must not begin transactions by itself; see _begin
        cursor = connection.cursor()
        try:
            cursor.execute("PRAGMA synchronous=FULL")
            cursor.execute(f"PRAGMA busy_timeout={BUSY_SECONDS * 1000}")
            cursor.execute("PRAGMA foreign_keys=ON")
        except sqlite3.Error as error:  # SQLAlchemy does not wrap what fails here
            raise _worded(str(error), str(self._path)) from error
        finally:
            cursor.close()

    def keep_log(self, engine: Engine) -> None:
        """Switches the file to the write-ahead log. The file remembers it, so once on opening is enough.

        This writes into the file, so it comes after looking whether the file is ours. While another process does the
        same SQLite says "locked" at once, however long the timeout; taking the write lock waits for that process.
        """
        connection = engine.raw_connection()
        cursor = connection.cursor()
        try:
            for left in reversed(range(_SWITCHES)):
                try:
                    (mode,) = cursor.execute("PRAGMA journal_mode=WAL").fetchone()
                    break
                except sqlite3.OperationalError as error:
                    if not left or error.sqlite_errorcode & 0xFF != sqlite3.SQLITE_BUSY:
                        raise
                cursor.execute("BEGIN IMMEDIATE")
                cursor.execute("COMMIT")
        except sqlite3.Error as error:
            raise _worded(str(error), str(self._path)) from error
        finally:
            connection.close()
        if mode != "wal":
            raise UserError(
                "store-open",
                "SQLite cannot keep its write-ahead log there.",
                "Put the store on a drive of this computer, not on a network drive.",
            )

    @staticmethod
    def _begin(connection: Connection) -> None:
        options = connection.get_execution_options()
        if options.get(_CHANGES_TABLES, False):
            # A table is changed by making a new one and dropping the old; with references checked on every
            # step, dropping would take the rows that refer to it along. They are checked at the end instead.
            connection.exec_driver_sql("PRAGMA foreign_keys=OFF")
        connection.exec_driver_sql("BEGIN IMMEDIATE" if options.get(_WRITES, False) else "BEGIN")

    @staticmethod
    def check_references(connection: Connection) -> None:
        """Raises InternalError, and so undoes the upgrade, when a row refers to one that is not there."""
        if connection.exec_driver_sql("PRAGMA foreign_key_check").first() is not None:
            raise InternalError("Bringing the store up to date lost rows; it was left as it was.")


@lru_cache(maxsize=_EVENTS_KEPT)
def _event(text: str) -> Event:
    """The event of a line. A job is read anew at each request, and its events never change."""
    return from_json(text)


def _rows(job: str, first: int, texts: Sequence[str]) -> list[dict[str, Any]]:
    return [{"job": job, "number": number, "body": body} for number, body in enumerate(texts, start=first)]


def _worded(said: str, place: str) -> UserError:
    """What a database reported, as the person's error."""
    low = said.casefold()
    for signs, code, what, hint in _SAYINGS:
        if any(sign in low for sign in signs):
            return UserError(code, f"{what} ({place}: {said})", hint)
    advice = "Look at the address, and at whether you may write there."
    return UserError("store-open", f"The store cannot be used. ({place}: {said})", advice)


_SAYINGS = (
    (
        ("locked", "busy", "lock timeout", "deadlock", "too many clients", "starting up", "shutting down"),
        "store-busy",
        "Somebody else is writing into the store.",
        "Try again when they have finished.",
    ),
    (
        ("not a database", "malformed", "corrupt"),
        "store-damaged",
        "The file is no store, or a damaged one.",
        "Restore it from a copy.",
    ),
    (
        ("full", "no space left", "readonly", "read-only", "disk i/o", "permission"),
        "store-write",
        "The store cannot be written; nothing of this step was kept.",
        "Make room, or ask for the right to write there.",
    ),
)
