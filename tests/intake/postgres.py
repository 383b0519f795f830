"""A temporary PostgreSQL server on a free local port."""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

PASSWORD = "p#ss/w@rd %"


@dataclass(frozen=True)
class Server:
    """A running server: where it listens, and how to run SQL on it as its owner."""

    port: int
    folder: Path

    def url(self, user: str = "owner", password: str = "", database: str = "postgres") -> str:
        return f"postgresql://{user}{f':{password}' if password else ''}@127.0.0.1:{self.port}/{database}"

    def run(self, *statements: str) -> None:
        import psycopg

        parameters = {
            "host": "127.0.0.1",
            "port": self.port,
            "user": "owner",
            "password": PASSWORD,
            "dbname": "postgres",
        }
        with psycopg.connect(**parameters, autocommit=True) as connection:
            for statement in statements:
                connection.execute(statement)


def binaries() -> Path | None:
    """The folder of the server's programs: the newest of the usual ones, or from the search path."""
    usual = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"), key=lambda path: int(path.parts[-3]))
    result = str(usual[-1]) if usual else shutil.which("initdb")
    return Path(result).parent if result else None


@contextmanager
def server(programs: Path) -> Iterator[Server]:
    """Start a server in a new folder, and stop and remove it at the end. Root runs it as the user postgres."""
    folder = Path(tempfile.mkdtemp(prefix="pg"))
    try:
        secret = folder / "secret"
        secret.write_text(PASSWORD)
        if os.geteuid() == 0:
            shutil.chown(folder, "postgres")
            shutil.chown(secret, "postgres")
        data, port = folder / "data", _free_port()
        _run(
            programs / "initdb",
            "-D",
            data,
            "-U",
            "owner",
            f"--pwfile={secret}",
            "-A",
            "scram-sha-256",
            "-N",
            "-E",
            "UTF8",
        )
        options = f"-p {port} -c listen_addresses=127.0.0.1 -c unix_socket_directories= -c fsync=off"
        _run(programs / "pg_ctl", "-D", data, "-w", "-l", folder / "log", "-o", options, "start")
        try:
            yield Server(port, folder)
        finally:
            _run(programs / "pg_ctl", "-D", data, "-m", "immediate", "stop")
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def _run(*command: object) -> None:
    words = [str(word) for word in command]
    as_owner = ["runuser", "-u", "postgres", "--", *words] if os.geteuid() == 0 else words
    subprocess.run(as_owner, check=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, cwd="/", timeout=120)


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])
