"""Both databases for every test that asks for one: fixtures for the conftest files of the store's tests."""

import os
import shutil
import subprocess
import tempfile
from collections.abc import Callable, Iterator
from itertools import count
from pathlib import Path

import pytest

_ADDRESS = "DOMATIA_TEST_POSTGRES"


def _programs() -> Path | None:
    """Find the newest PostgreSQL server's programs."""
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"), key=lambda p: int(p.parts[-3]))
    if found:
        return found[-1].parent
    on_path = shutil.which("initdb")
    return Path(on_path).parent if on_path else None


def _server_user() -> str | None:
    """Give the unprivileged user that runs the server when we are root; it refuses to run as root."""
    if os.geteuid() != 0:
        return None
    import pwd

    names = {p.pw_name for p in pwd.getpwall()}
    return "postgres" if "postgres" in names else "nobody"


def _run(user: str | None, *command: str | Path) -> None:
    subprocess.run(command, user=user, cwd=Path(tempfile.gettempdir()), check=True, stdout=subprocess.DEVNULL)


@pytest.fixture(scope="session")
def postgres_address() -> Iterator[str]:
    """Give the address of a PostgreSQL server: the one named by DOMATIA_TEST_POSTGRES, or one started for the tests."""
    given = os.environ.get(_ADDRESS)
    if given:
        yield given
        return
    programs = _programs()
    if programs is None:
        pytest.skip(f"no PostgreSQL server: install one, or name an empty database in {_ADDRESS}")
    user = _server_user()
    folder = Path(tempfile.mkdtemp(prefix="dom"))
    try:
        if user is not None:
            shutil.chown(folder, user)
        data = folder / "data"
        options = f"-c listen_addresses= -c unix_socket_directories={folder} -c fsync=off"
        _run(user, programs / "initdb", "-D", data, "-U", "crew", "-A", "trust", "-E", "UTF8", "-N", "--locale=C")
        _run(user, programs / "pg_ctl", "-D", data, "-o", options, "-l", folder / "log", "-w", "start")
        try:
            yield f"postgresql://crew@/postgres?host={folder}"
        finally:
            _run(user, programs / "pg_ctl", "-D", data, "-m", "immediate", "-w", "stop")
    finally:
        # the stopped server may still be letting go of a file; a test must not fail for a rest in the temporary folder
        shutil.rmtree(folder, ignore_errors=True)


_numbers = count(1)


@pytest.fixture(params=["sqlite", "postgresql"])
def new_place(request: pytest.FixtureRequest, tmp_path: Path) -> Callable[[], str]:
    """Give a function that names, at each call, a place for a new study in the one or the other database."""
    if request.param == "sqlite":
        return lambda: str(tmp_path / f"study{next(_numbers)}.domatia")
    address: str = request.getfixturevalue("postgres_address")
    joint = "&" if "?" in address else "?"
    return lambda: f"{address}{joint}study=s{os.getpid()}_{next(_numbers)}"


@pytest.fixture
def place(new_place: Callable[[], str]) -> str:
    """Name a place for one new study, in each of both databases."""
    return new_place()
