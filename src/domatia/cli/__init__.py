"""The commands; they call tasks only."""

import sys

import click

from domatia.cli.answers import answer, questions, report
from domatia.cli.findings import check, settle
from domatia.cli.invented import demo
from domatia.cli.records import changes, correct, life, withdraw
from domatia.cli.studies import copy, new
from domatia.cli.tables import compare, import_, propose
from domatia.version import TOOL


class _Plain(click.Group):
    """A group of commands that turns wrong use into a sentence and exit code 2."""

    def invoke(self, ctx: click.Context) -> object:
        """Run the command."""
        try:
            return super().invoke(ctx)
        except KeyboardInterrupt:
            click.echo("\nStopped. What was finished is kept; nothing is half written.", err=True)
            ctx.exit(130)
        except Exception as e:
            if not _is_wrong_use(e):
                raise
            click.echo(str(e), err=True)
            ctx.exit(2)


def _is_wrong_use(error: Exception) -> bool:
    from domatia.model.errors import WrongUse

    return isinstance(error, WrongUse)


@click.group(
    cls=_Plain,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    epilog="Example, the whole job on an invented study: domatia demo lantern",
)
@click.version_option(package_name="domatia", message=TOOL)
def commands() -> None:
    """Domatia: from messy field tables on ant-plants to answers with honest intervals."""


_ALL = (
    (new, propose, import_, compare, check, settle, correct, withdraw),
    (copy, life, changes, questions, answer, report, demo),
)
for _command in (c for row in _ALL for c in row):
    commands.add_command(_command)


def main() -> None:
    """Run the commands."""
    for stream in (sys.stdout, sys.stderr):
        reconfigure = getattr(stream, "reconfigure", None)
        if reconfigure is not None:
            reconfigure(encoding="utf-8", errors="replace")
    commands(prog_name="domatia")
