"""Commands for single records: correct, withdraw, life, changes."""

import click

from domatia.cli.showing import quoted, say, show_table, wrapped

_ID_SHOWN = 12


@click.command(
    short_help="Correct a value; the old one stays readable.",
    epilog='Example: domatia correct ridge.domatia 0192ab height_cm=48 --why "480 on the sheet is 48.0" --author Ada',
)
@click.argument("study")
@click.argument("record")
@click.argument("changes", nargs=-1, required=True)
@click.option("--why", required=True, help="Why the value is corrected.")
@click.option("--author", required=True, help="Who corrects it.")
def correct(study: str, record: str, changes: tuple[str, ...], why: str, author: str) -> None:
    """Correct fields of RECORD in STUDY, each given as field=value; an empty value empties the field."""
    from domatia.model.errors import WrongUse
    from domatia.tasks.correcting import correct as correct_record

    wrong = [c for c in changes if "=" not in c]
    if wrong:
        raise WrongUse(f"{', '.join(wrong)} is no change", "field=value", "Write for example height_cm=48.")
    pairs = dict(c.split("=", 1) for c in changes)
    for done in correct_record(study, record, pairs, why, author):
        say(f"{done.kind}.{done.column}: {done.before} is now {done.after} (record {done.record_id.hex()[:12]}).")


@click.command(
    short_help="Say that a record no longer counts.",
    epilog='Example: domatia withdraw ridge.domatia 0192ab --why "entered twice" --author Ada',
)
@click.argument("study")
@click.argument("record")
@click.option("--why", required=True, help="Why it no longer counts.")
@click.option("--author", required=True, help="Who says so.")
def withdraw(study: str, record: str, why: str, author: str) -> None:
    """Say that RECORD of STUDY no longer counts; it stays readable, and the withdrawal can itself be withdrawn."""
    from domatia.tasks.correcting import withdraw as withdraw_record

    say(f"Withdrawn (record {withdraw_record(study, record, why, author).hex()[:12]}).")


@click.command(short_help="One plant's whole story.", epilog="Example: domatia life ridge.domatia North-2/118")
@click.argument("study")
@click.argument("plant")
@click.option("--json", "as_json", is_flag=True, help="Print it as JSON.")
def life(study: str, plant: str, as_json: bool) -> None:
    """Tell the story of PLANT: its tag, place/tag, or the first digits of its id."""
    from domatia.tasks.life import life_of

    found = life_of(study, plant)
    if as_json:
        from domatia.tasks.as_json import as_text, finding_as_dict

        events = [{"when": e.when, "what": e.what, "origin": e.origin, "record": e.record} for e in found.events]
        findings = [finding_as_dict(f) for f in found.findings]
        plain = {"plant": found.plant.hex(), "heading": found.heading, "events": events}
        say(as_text({**plain, "revisions": list(found.revisions), "findings": findings}))
        return
    say(found.heading)
    for e in found.events:
        record = f"; record {e.record[:_ID_SHOWN]}" if e.record else ""
        say(wrapped(f"{e.when or 'undated':<11} {e.what}  [{e.origin}{record}]", "  "))
    for title, lines in (("Revisions", found.revisions), ("Open findings", tuple(map(str, found.findings)))):
        if lines:
            say(f"{title}:")
            for line in lines:
                say(wrapped(line, "  "))
    say(f'Mend a value: domatia correct {quoted(study)} RECORD FIELD=VALUE --why "…" --author NAME.')


@click.command(
    short_help="Who replaced what, when and why.", epilog="Example: domatia changes ridge.domatia --since 2024-05-01"
)
@click.argument("study")
@click.option("--since", help="Only changes after this moment (ISO 8601).")
@click.option("--until", help="Only changes up to this moment (ISO 8601).")
@click.option("--all", "every", is_flag=True, help="Show every change, not one screen of them.")
@click.option("--json", "as_json", is_flag=True, help="Print them as JSON.")
def changes(study: str, since: str | None, until: str | None, every: bool, as_json: bool) -> None:
    """List the corrections, changed imports and withdrawals of STUDY, newest first."""
    from domatia.tasks.copying import changes_of

    found = changes_of(study, since, until)
    if as_json:
        from domatia.tasks.as_json import as_text, table_as_list

        say(as_text(table_as_list(found)))
        return
    if found.is_empty():
        say("Nothing was changed.")
        return
    import polars as pl

    why = pl.coalesce(pl.col("why").replace("", None), "changed in " + pl.col("origin_file"), pl.lit(""))
    shown = found.select(
        pl.col("at").cast(pl.String).str.slice(0, 16).str.replace("T", " "),
        *("author", "kind"),
        pl.col("new_record").alias("record"),
        *("column", "before", "after"),
        why.alias("why"),
    )
    show_table(shown, 10**9 if every else 22)
