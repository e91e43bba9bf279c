"""Publishing a generation of tables to a SQL database, in one transaction.

::

    layout       contracts as SQL tables: types, keys, constraints, comments
    state        what of ours a database holds, kept in three small tables beside the others
    transfer     compare, send what changed, commit: the same for every database
    sqlite       a file
    postgres     a server

The Parquet files stay the record: a database that is lost, or was never reached, is filled
again from them.
"""

from pipeline.tables.publish.postgres import PostgresDatabase
from pipeline.tables.publish.sqlite import SqliteDatabase
from pipeline.tables.publish.transfer import Database, Published, publish_tables

__all__ = ["Database", "PostgresDatabase", "Published", "SqliteDatabase", "publish_tables"]
