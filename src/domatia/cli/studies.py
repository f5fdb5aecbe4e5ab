"""Commands for whole studies: new, copy."""

import click

from domatia.cli.showing import say


@click.command(
    short_help="Start an empty study.",
    epilog='Example: domatia new ridge --title "Ants off, ants on: the ridge" --profile hollow-stem',
)
@click.argument("study")
@click.option("--title", required=True, help="Title of the study.")
@click.option("--profile", default="any", show_default=True, help="A shipped profile, or the path of a profile file.")
@click.option("--time-zone", default="UTC", show_default=True, help="Time zone of the study, such as America/Lima.")
@click.option("--licence", default="", help="Licence under which the data may be used, such as CC-BY-4.0.")
def new(study: str, title: str, profile: str, time_zone: str, licence: str) -> None:
    """Start an empty study in the file STUDY (a name, a path, or a postgresql:// address)."""
    from domatia.tasks.starting import new_study

    path = new_study(study, title, profile, time_zone, licence)
    say(f"Made {path}. Next: domatia propose TABLE looks at your first table.")


@click.command(
    short_help="Make a safe copy of a study.",
    epilog="Example: domatia copy ridge.domatia /media/stick/ridge-2024-05-01.domatia",
)
@click.argument("study")
@click.argument("target")
def copy(study: str, target: str) -> None:
    """Write a whole copy of STUDY to the new file TARGET, also while somebody writes to it."""
    from domatia.tasks.copying import copy_study

    say(f"Copied to {copy_study(study, target)}.")
