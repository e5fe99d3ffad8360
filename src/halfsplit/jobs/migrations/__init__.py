"""The tables of a job store in a database, and the steps from every older form of them to today's.

What happens on opening:

* Nothing there yet: the tables are made by running every step, so that no second way of making them exists.
* Today's form: nothing, and alembic is not even imported.
* An older form: in an SQLite store the file is first copied beside itself (``jobs.sqlite3`` to
  ``jobs.before-0002.sqlite3``), then all steps run in one transaction. The transaction guards against a power
  cut, the copy against a step that was wrong. A copy that is there already is left as it is. On PostgreSQL
  the steps run in one transaction and no copy is made: whoever runs a database server has its backups.
* A newer form: refused, with the advice to install the newer halfsplit. Nothing is written.
* Tables of some other program: refused. Nothing is written.
"""
