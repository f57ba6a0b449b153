"""A real PostgreSQL server in a folder of its own, and empty databases on it."""

import os
import pwd
import shutil
import subprocess
import tempfile
from contextlib import suppress
from pathlib import Path

import psycopg
import pytest

#: A user whom the server asks for a password.
GUARDED, PASSWORD = "guarded", "Hush/it@7%Ø"


def binaries():
    """Debian keeps the server's programs by version, off the path."""
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"))
    return found[-1].parent if found else None


def as_server(*words):
    """Run a program of the server, which refuses to be root."""
    user = None
    if os.getuid() == 0:
        with suppress(KeyError):
            user = pwd.getpwnam("postgres").pw_name
        user = user or "nobody"
    subprocess.run(
        words, check=True, user=user, cwd="/", env={"PATH": "/usr/bin:/bin", "LC_ALL": "C"},
        stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, start_new_session=True,
    )  # fmt: skip


class Server:
    """
    One server.

    Attributes
    ----------
    folder : Path
        Of its socket; a path of its own, since sockets take short ones.
    """

    def __init__(self, folder):
        self.folder, self.programs = folder, binaries()
        self.data = str(folder / "data")

    def start(self):
        as_server(self.programs / "initdb", "-D", self.data, "-U", "spc", "-A", "trust", "-E",
                  "UTF8", "-N")  # fmt: skip
        rules = Path(self.data, "pg_hba.conf")
        rules.write_text(f"local all {GUARDED} scram-sha-256\n{rules.read_text()}")
        options = f"-k {self.folder} -c listen_addresses='' -c fsync=off"
        self.control("-o", options, "-l", "/dev/null", "-w", "start")
        self.admin(f"CREATE ROLE {GUARDED} LOGIN PASSWORD '{PASSWORD}'")

    def control(self, *words):
        as_server(self.programs / "pg_ctl", "-D", self.data, *words)

    def crash(self):
        """Every connection is cut off, whatever it was doing; then the server starts anew."""
        self.control("-m", "immediate", "-w", "-l", "/dev/null", "restart")

    def admin(self, statement):
        with psycopg.connect(
            f"host={self.folder} user=spc dbname=postgres", autocommit=True
        ) as connection:
            connection.execute(statement)

    def url(self, database, user="spc"):
        return f"postgresql://{user}@/{database}?host={self.folder}"


@pytest.fixture(scope="session")
def server():
    if binaries() is None:
        pytest.skip("no PostgreSQL server under /usr/lib/postgresql")
    folder = Path(tempfile.mkdtemp(prefix="spc-pg-", dir="/tmp"))
    folder.chmod(0o777)
    running = Server(folder)
    running.start()
    try:
        yield running
    finally:
        running.control("-m", "immediate", "-w", "stop")
        shutil.rmtree(folder)


@pytest.fixture
def place(server, request):
    """An empty database."""
    name = f"t{abs(hash(request.node.nodeid))}"
    server.admin(f"CREATE DATABASE {name}")
    return server.url(name)
