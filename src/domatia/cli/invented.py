"""The command that makes the demo study."""

import click

from domatia.cli.showing import progress, say, wrapped


@click.command(short_help="Make an invented study and run the whole job on it.", epilog="Example: domatia demo lantern")
@click.argument("folder", type=click.Path(file_okay=False), default="demo")
@click.option("--seed", default=1, show_default=True, help="Seed of the invented study.")
def demo(folder: str, seed: int) -> None:
    """Make an invented study in FOLDER, as a crew's messy tables; import, check, answer and report it."""
    from domatia.tasks.demo import make_demo

    with progress(False) as tick:
        done = make_demo(folder, seed, tick)
    for line in done.lines:
        say(wrapped(line, "  "))
    say(f"The study:  {done.study}")
    say(f"Its tables: {done.tables}")
    say(f"Its report: {done.report.html}")
    say(f"            {done.report.pdf}")
