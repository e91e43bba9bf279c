"""Publish the tables of a station for dashboards."""

from __future__ import annotations

import datetime as dt
import os
import stat
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING

from pipeline.errors import Fault, PlantFileError, PublishError
from pipeline.plant import Plant, read_plant
from pipeline.plant.publication import (
    PASSWORD_VARIABLE,
    USUAL_FILE,
    Address,
    AddressFault,
    Publication,
    parse_address,
)
from pipeline.tables.catalogue import BY_NAME, PUBLISHED
from pipeline.tables.store import open_tables

if TYPE_CHECKING:
    from pipeline.tables.publish import Database, Published

__all__ = ["publish_plant", "read_password"]


def publish_plant(
    plant: Plant | str | Path, to: str | None = None, *, anew: bool = False
) -> Published:
    """Publish the current tables of a station in one transaction.

    Parameters
    ----------
    plant : Plant, str or Path
        The plant, or its file.
    to : str, optional
        Address in place of that of the plant file; see ``parse_address``. Without either,
        the file ``published.sqlite`` in the data folder.
    anew : bool
        Send every row again.

    Returns
    -------
    Published

    Raises
    ------
    PlantFileError
        If the plant file or the address has faults.
    StoreError
        If there are no tables yet.
    PublishError
        If the database cannot be reached or used; nothing was changed there then.
    """
    from pipeline.tables.publish import publish_tables

    if not isinstance(plant, Plant):
        plant = read_plant(plant)
    publication = _publication(plant, to)
    unknown = [name for name in publication.without if name not in BY_NAME]
    if unknown:
        known = ", ".join(BY_NAME)
        faults = [Fault("publish, without", f"'{n}'", f"one of {known}") for n in unknown]
        raise PlantFileError("The plant file names tables that are not published.", faults)
    return publish_tables(
        lambda: open_tables(plant.data_folder),
        [c for c in PUBLISHED if c.name not in publication.without],
        _database(plant, publication),
        station=plant.station.name,
        display=plant.station.display,
        currency=plant.tariffs[-1].currency if plant.tariffs else "EUR",
        at=dt.datetime.now(dt.UTC),
        version=version("gaugeless"),
        anew=anew,
    )


def _publication(plant: Plant, to: str | None) -> Publication:
    declared = plant.publish or Publication(to=Address(kind="sqlite"))
    if to is None:
        return declared
    address = parse_address(to)
    if isinstance(address, AddressFault):
        fault = Fault("--to", address.found, address.expected, address.remedy)
        raise PlantFileError("The command cannot be understood.", [fault])
    return Publication(
        to=address,
        schema=declared.schema,
        password_file=declared.password_file,
        without=declared.without,
    )


def _database(plant: Plant, publication: Publication) -> Database:
    from pipeline.tables.publish import PostgresDatabase, SqliteDatabase

    address = publication.to
    if address.kind == "sqlite":
        inside = plant.path.parent / address.path if address.path else None
        return SqliteDatabase(inside or plant.data_folder / USUAL_FILE)
    return PostgresDatabase(
        name=str(address),
        schema=publication.schema,
        user=address.user,
        host=address.host,
        port=address.port,
        database=address.database,
        options=dict(address.options),
        password=read_password(plant.path.parent, publication.password_file),
    )


def read_password(folder: Path, password_file: str | None) -> str | None:
    """Take the password from the environment, or from a file its owner alone can read.

    Parameters
    ----------
    folder : Path
        Of the plant file.
    password_file : str or None
        Name of the file, from that folder.

    Returns
    -------
    str or None
        None where neither is there: the driver's own settings then decide.

    Raises
    ------
    PublishError
        If the file cannot be read, or others than its owner may read it.
    """
    given = os.environ.get(PASSWORD_VARIABLE)
    if given:
        return given
    if password_file is None:
        return None
    path = folder / password_file
    try:
        with path.open("rb") as file:
            # Of the open file, so that it cannot be exchanged between look and reading.
            found = os.fstat(file.fileno())
            content = file.read(4096)
    except OSError as error:
        raise PublishError(
            f"The password file {path} cannot be read ({error.strerror or error})."
        ) from None
    if not stat.S_ISREG(found.st_mode) or found.st_mode & 0o077 or found.st_uid != os.geteuid():
        raise PublishError(
            f"The password file {path} has mode {stat.S_IMODE(found.st_mode):04o} and belongs to "
            f"user {found.st_uid}: it must be an ordinary file that only the user who publishes "
            f"can read. Make it so with: chmod 600 {path}"
        )
    try:
        password = content.decode().strip("\r\n")
    except UnicodeDecodeError:
        password = ""
    if not password or "\n" in password or "\0" in password:
        raise PublishError(
            f"The password file {path} holds no password: expected one line of text and "
            "nothing else."
        )
    return password
