"""Pages on paper: the one caller of the typesetter, in a process of its own.

The typesetter keeps what it has compiled for as long as its process lives; a child process gives the memory back.
"""

import subprocess
import sys
from pathlib import Path
from tempfile import TemporaryDirectory

from domatia.press.charts import font_folder


class CannotTypeset(RuntimeError):
    """The typesetter refused a source; this is an error of the program, never of the data."""


def typeset(source: str, pictures: dict[str, str], target: Path) -> None:
    """Typeset a source into a PDF file.

    Parameters
    ----------
    source : str
        Typst markup.
    pictures : dict of str to str
        SVG text by the file name that the source uses.
    target : pathlib.Path
        The PDF; written whole or not at all.

    Raises
    ------
    CannotTypeset
        With the typesetter's message.
    """
    with TemporaryDirectory() as folder:
        here = Path(folder)
        (here / "main.typ").write_text(source, encoding="utf-8")
        for name, svg in pictures.items():
            (here / name).write_text(svg, encoding="utf-8")
        made = here / "main.pdf"
        command = [sys.executable, "-m", "domatia.press.typeset", str(here / "main.typ"), str(made)]
        done = subprocess.run(command, capture_output=True, text=True, check=False)  # noqa: S603 - our own module
        if done.returncode:
            raise CannotTypeset(done.stderr.strip()[-2000:])
        part = target.with_name(target.name + ".part")
        part.write_bytes(made.read_bytes())
        part.replace(target)


def _child(source: str, target: str) -> None:
    import typst

    typst.compile(source, output=target, font_paths=[str(font_folder())], ignore_system_fonts=True)


if __name__ == "__main__":
    _child(sys.argv[1], sys.argv[2])
