"""A PostgreSQL server for the length of a bench: the one named by DOMATIA_TEST_POSTGRES, or one started for it.

The server that is started keeps its defaults (each commit is flushed to the disk), and listens on a socket in a
temporary folder only.
"""

import os
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path


def _programs() -> Path | None:
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"), key=lambda p: int(p.parts[-3]))
    on_path = shutil.which("initdb")
    return found[-1].parent if found else Path(on_path).parent if on_path else None


def _user() -> str | None:
    """Name the user that runs the server when we are root; it refuses to run as root."""
    if not hasattr(os, "geteuid") or os.geteuid() != 0:
        return None
    import pwd

    return "postgres" if "postgres" in {p.pw_name for p in pwd.getpwall()} else "nobody"


@contextmanager
def server() -> Iterator[str | None]:
    """Give the address of a server, to which `study=NAME` can be added; None where there is none to start."""
    given = os.environ.get("DOMATIA_TEST_POSTGRES")
    programs = _programs()
    if given or programs is None:
        yield given or None
        return
    user = _user()
    folder = Path(tempfile.mkdtemp(prefix="dom"))

    def run(*command: str | Path) -> None:
        subprocess.run(command, user=user, cwd=Path(tempfile.gettempdir()), check=True, stdout=subprocess.DEVNULL)

    try:
        if user is not None:
            shutil.chown(folder, user)
        data, options = folder / "data", f"-c listen_addresses= -c unix_socket_directories={folder}"
        run(programs / "initdb", "-D", data, "-U", "crew", "-A", "trust", "-E", "UTF8", "--locale=C")
        run(programs / "pg_ctl", "-D", data, "-o", options, "-l", folder / "log", "-w", "start")
        try:
            yield f"postgresql://crew@/postgres?host={folder}"
        finally:
            run(programs / "pg_ctl", "-D", data, "-m", "fast", "-w", "stop")
    finally:
        # the stopped server may still be letting go of a file; a rest in the temporary folder spoils no measurement
        shutil.rmtree(folder, ignore_errors=True)


def study_address(address: str, study: str) -> str:
    """Name a study on a server, unless the address names one already."""
    if "study=" in address:
        return address
    return f"{address}{'&' if '?' in address else '?'}study={study}"
