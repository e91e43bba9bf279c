"""A PostgreSQL server of the tests' own, where the machine has the programs for one."""

from __future__ import annotations

import os
import pwd
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest


@dataclass(frozen=True, slots=True)
class Server:
    """A server that listens on a socket in a folder of its own, and on no network."""

    socket: Path

    def address(self, database: str, user: str = "owner") -> str:
        return f"postgresql://{user}@/{database}?host={self.socket}"

    def sql(self, statement: str, database: str = "postgres", user: str = "owner") -> list[tuple]:
        """Run statements as somebody; rows of the last one."""
        import psycopg

        with psycopg.connect(
            host=str(self.socket), dbname=database, user=user, autocommit=True
        ) as connection:
            cursor = connection.execute(statement)
            return cursor.fetchall() if cursor.description else []


def _programs() -> Path | None:
    """Where initdb and pg_ctl are: on the path, or where Debian keeps them, newest first."""
    found = shutil.which("initdb")
    if found:
        return Path(found).parent
    versions = Path("/usr/lib/postgresql").glob("*/bin/initdb")
    return max((p.parent for p in versions), key=lambda p: float(p.parent.name), default=None)


def _as_ordinary_user() -> list[str]:
    """A server refuses to run as root: give what to put before a command."""
    if os.geteuid() != 0:
        return []
    for name in ("postgres", "nobody"):
        try:
            user = pwd.getpwnam(name)
        except KeyError:
            continue
        ids = [f"--reuid={user.pw_uid}", f"--regid={user.pw_gid}", "--clear-groups"]
        return ["setpriv", *ids, "--"]
    return []


@pytest.fixture(scope="session")
def postgres() -> Iterator[Server]:
    """Start a server for all tests; skip those that need one where none is installed."""
    programs = _programs()
    if programs is None:
        pytest.skip("no PostgreSQL server is installed (Debian: apt-get install postgresql)")
    before = _as_ordinary_user()
    if os.geteuid() == 0 and not before:
        pytest.skip("a PostgreSQL server cannot run as root, and there is no user 'nobody'")
    # A short path: sockets take at most about 100 characters.
    folder = Path(tempfile.mkdtemp(prefix="pg"))
    if before:
        user = pwd.getpwuid(int(before[1].partition("=")[2]))
        os.chown(folder, user.pw_uid, user.pw_gid)

    def run(*command: str) -> None:
        subprocess.run(
            [*before, *command],
            check=True,
            cwd=folder,
            stdout=subprocess.DEVNULL,
            timeout=120,
            env={"PATH": os.environ["PATH"], "LC_ALL": "C"},
        )

    data = folder / "data"
    # Speed of the disk is no matter here; what survives a kill of a client is.
    settings = f"-c listen_addresses= -c unix_socket_directories={folder} -c fsync=off"
    try:
        run(
            *(str(programs / "initdb"), "--pgdata", str(data), "--username=owner"),
            *("--auth=trust", "--encoding=UTF8", "--no-sync"),
        )
        # One user that must give a password; all others of this private socket are trusted.
        rules = data / "pg_hba.conf"
        rules.write_text("local all guarded scram-sha-256\n" + rules.read_text())
        control = (str(programs / "pg_ctl"), "--pgdata", str(data), "--wait")
        run(*control, "start", "--options", settings, "--log", str(folder / "log"))
        try:
            yield Server(folder)
        finally:
            run(*control, "stop", "--mode=immediate")
    finally:
        shutil.rmtree(folder, ignore_errors=True)
