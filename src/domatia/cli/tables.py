"""Commands for tables on their way in: propose, import, compare."""

from pathlib import Path

import click

from domatia.cli.showing import LINES, SCREEN, aside, counted, progress, quoted, say, show_findings, show_table


@click.command(
    short_help="Propose a mapping for a table.", epilog="Example: domatia propose census-2021.xlsx --out census.toml"
)
@click.argument("table", type=click.Path(dir_okay=False))
@click.option("--sheet", default="", help="Sheet of a workbook; the first visible one if left out.")
@click.option("--out", type=click.Path(dir_okay=False), help="Write the mapping to this file instead of the screen.")
def propose(table: str, sheet: str, out: str | None) -> None:
    """Look at TABLE and propose a mapping: which column is which field, with the reason for each guess.

    Read it, mend it, and give it to `domatia import`. Nothing is guessed silently.
    """
    from domatia.tasks.proposing import propose_mapping

    text = propose_mapping(table, sheet)
    if out is None:
        say(text)
        return
    path = Path(out)
    if path.exists():
        from domatia.model.errors import WrongUse

        raise WrongUse(f"{path} exists", next_step="Choose another name; a mapping that was edited is not overwritten.")
    path.write_text(text, encoding="utf-8")
    say(f"Wrote {path}. Read it, mend it, then: domatia import STUDY {quoted(path)} --dry-run")


@click.command(
    "import",
    short_help="Bring tables into a study.",
    epilog="Example: domatia import ridge.domatia census.toml --dry-run",
)
@click.argument("study")
@click.argument("mapping", type=click.Path(dir_okay=False))
@click.argument("tables", nargs=-1, type=click.Path(dir_okay=False))
@click.option("--dry-run", is_flag=True, help="Show what would come in; write nothing.")
@click.option("--author", default="", help="Who imports.")
@click.option("--all", "every", is_flag=True, help="Show every finding.")
@click.option("--json", "as_json", is_flag=True, help="Print the result as JSON.")
def import_(
    study: str, mapping: str, tables: tuple[str, ...], dry_run: bool, author: str, every: bool, as_json: bool
) -> None:
    """Bring TABLES into STUDY as MAPPING says; without TABLES, the files that the mapping names beside itself.

    All or nothing: a file comes in whole or not at all. Importing it again brings in only what changed.
    """
    from domatia.tasks.importing import import_tables

    with progress(as_json) as tick:
        done = import_tables(study, mapping, tables, dry_run=dry_run, author=author, tick=tick)
    if as_json:
        from domatia.tasks.as_json import as_text

        say(as_text(done.as_dict()))
        return
    text = done.text()
    say(text)
    if done.findings:
        say(f"{counted(len(done.findings), 'finding')} about the tables{'' if every else ' (--all shows each)'}:")
        show_findings(done.findings, every, max(LINES - text.count("\n"), 10))
    if dry_run:
        aside("Dry run: nothing was written. Mend the mapping until it says what you mean; then leave out --dry-run.")
    else:
        aside(f"Next: domatia check {quoted(study)}, or the next table.")


@click.command(
    short_help="Compare two entries of the same sheet.",
    epilog="Example: domatia compare sheet7-ada.csv sheet7-bram.csv --key sheet --key line --out to-decide.csv",
)
@click.argument("first", type=click.Path(dir_okay=False))
@click.argument("second", type=click.Path(dir_okay=False))
@click.option("--key", "keys", multiple=True, required=True, help="Column that tells rows apart; may be given again.")
@click.option("--out", default="", help="Write what is to be decided to this file, or the settled table.")
@click.option("--decided", default="", help="The filled-in list: write the settled table to --out.")
@click.option("--all", "every", is_flag=True, help="Show every difference.")
def compare(first: str, second: str, keys: tuple[str, ...], out: str, decided: str, every: bool) -> None:
    """Compare two entries of the same sheet cell by cell, and settle them into one table."""
    from domatia.tasks.comparing import compare as compare_tables

    found = compare_tables(first, second, keys, out, decided)
    say(found.text)
    if found.differences.height and not decided:
        show_table(found.differences.drop("decided"), 10**9 if every else SCREEN)
    if found.findings:
        show_findings(found.findings, every)
