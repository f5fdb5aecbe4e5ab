"""Commands for findings: check, settle."""

import click

from domatia.cli.showing import counted, progress, quoted, say, show_findings, wrapped


@click.command(
    short_help="Look for what is wrong or doubtful.",
    epilog="Example: domatia check ridge.domatia --only tag_borne_by_two --all",
)
@click.argument("study")
@click.option("--only", multiple=True, help="Run only this check; may be given again.")
@click.option("--all", "every", is_flag=True, help="Show every finding, not one for each check.")
@click.option("--manual", default="", metavar="CHECK", help="Show the manual page of one check instead.")
@click.option("--json", "as_json", is_flag=True, help="Print the findings as JSON.")
@click.pass_context
def check(ctx: click.Context, study: str, only: tuple[str, ...], every: bool, manual: str, as_json: bool) -> None:
    """Run the checks on STUDY. The exit code is 1 if findings are open."""
    from domatia.tasks.checking import check_study, manual_of

    if manual:
        say(manual_of(manual))
        return
    with progress(as_json) as tick:
        found = check_study(study, only, tick)
    if as_json:
        from domatia.tasks.as_json import as_text, finding_as_dict

        plain = {"open": [finding_as_dict(f) for f in found.open], "settled": len(found.settled)}
        say(as_text(plain))
    else:
        are = "is" if len(found.open) == 1 else "are"
        say(f"{counted(len(found.open), 'finding')} {are} open, {len(found.settled):,} settled.")
        show_findings(found.open, every)
        if found.open:
            name = quoted(study)
            say(f'Settle one: domatia settle {name} KEY --why "…" --author NAME (the key stands before the finding).')
            say(f'Or mend the table and import it again, or: domatia correct {name} RECORD FIELD=VALUE --why "…" …')
            say(f"A plant's whole story: domatia life {name} PLACE/TAG. What a check looks for: --manual CHECK.")
    ctx.exit(1 if found.open else 0)


@click.command(
    short_help="Settle findings, with a reason.",
    epilog='Example: domatia settle ridge.domatia 3fa94c --why "Two plants, one number" --author Ada',
)
@click.argument("study")
@click.argument("keys", nargs=-1, required=True)
@click.option("--why", required=True, help="What was decided, and why.")
@click.option("--author", required=True, help="Who decided.")
def settle(study: str, keys: tuple[str, ...], why: str, author: str) -> None:
    """Settle the findings KEYS of STUDY. They stay settled until their values change."""
    from domatia.tasks.checking import settle as settle_findings

    for f in settle_findings(study, keys, why, author):
        say(wrapped(f"Settled {f.key} ({f.code}): {f.found}", "  "))
