"""A round that nobody walked is proposed, confirmed, and then no plant is 'not found' in it."""

from tests.rooms.intake.small_tables import bring, codes

from domatia.intake.brought import Brought

CENSUS = """
[table]
row = "visit"
[place]
name = "plot"
[round]
name = "year"
[plant]
key = "no"
[visit]
when = { column = "year", date = "yyyy" }
status = { column = "st", words = { a = "alive", m = "not found", d = "dead confirmed" } }
height_cm = "ht"
"""


def census(extra: str = "", seen: int = 0) -> Brought:
    """Bring in 30 plants of plot A in two years, the second with `seen` measured, and 30 of plot B in the first."""
    rows = [f"A,{n},2000,a,10" for n in range(30)]
    rows += [f"A,{n},2001,{'a,11' if n < seen else 'm,'}" for n in range(30)]
    rows += [f"B,{n + 100},2000,a,10" for n in range(30)]
    return bring("plot,no,year,st,ht\n" + "\n".join(rows), CENSUS + extra)


def statuses(brought: Brought) -> dict[str, int]:
    """Count visits by status."""
    return dict(brought.summary.statuses)


def test_a_round_without_sight_of_a_plant_is_proposed() -> None:
    """Nothing changes until the mapping confirms it; rounds without rows are listed."""
    brought = census()
    assert statuses(brought) == {"alive": 60, "not found": 30}
    assert codes(brought) == ["round_perhaps_not_visited", "round_without_rows"]
    (proposal,) = brought.proposals
    assert 'confirmed = { "A" = ["2001"] }' in proposal
    assert [(r.place, r.name) for r in brought.summary.rounds.empty] == [("B", "2001")]


def test_a_confirmed_round_is_not_visited() -> None:
    """The missing become 'not visited', and the place's visit says that it was not searched."""
    brought = census('[not_visited]\nconfirmed = { A = ["2001"], B = ["2001"] }')
    assert statuses(brought) == {"alive": 60, "not visited": 30}
    assert codes(brought) == []
    visits = brought.batch.tables["place_visit"]
    assert visits["searched"].to_list() == ["not", "not"]
    rounds, places = brought.batch.tables["round"], brought.batch.tables["place"]
    assert set(visits["round"]) == set(rounds.filter(rounds["name"] == "2001")["subject_id"])
    assert set(visits["place"]) == set(places["subject_id"])
    assert visits["when_earliest"].dt.year().to_list() == [2001, 2001]


def test_what_was_measured_in_a_partly_searched_round_stays() -> None:
    """One plant of thirty was measured: under 5 %; it stays alive and the others are not visited."""
    proposed = census(seen=1)
    assert 'partly = { "A" = ["2001"] }' in proposed.proposals[0]
    brought = census('[not_visited]\npartly = { A = ["2001"] }', seen=1)
    assert statuses(brought) == {"alive": 61, "not visited": 29}
    assert brought.batch.tables["place_visit"]["searched"].to_list() == ["partly"]


def test_a_round_with_more_than_a_twentieth_seen_is_a_round() -> None:
    """Two of thirty are over 5 %: the others were not found."""
    brought = census(seen=2)
    assert codes(brought) == ["round_without_rows"]
    assert statuses(brought)["not found"] == 28


def test_confirming_what_is_not_there_is_told() -> None:
    """A misspelt place in the mapping is a finding."""
    brought = census('[not_visited]\nconfirmed = { AA = ["2001"] }')
    assert "round_unknown" in codes(brought)
    assert statuses(brought)["not found"] == 30


def blank_round(extra: str = "", measured: int = 0) -> Brought:
    """Bring in 30 plants in two years; in the second nobody wrote a status, and `measured` plants have a height."""
    rows = [f"A,{n},2000,a,10" for n in range(30)]
    rows += [f"A,{n},2001,,{'11' if n < measured else ''}" for n in range(30)]
    return bring("plot,no,year,st,ht\n" + "\n".join(rows), CENSUS + extra)


def test_a_round_of_blank_cells_is_proposed() -> None:
    """A blank status says as little as 'not found'; nothing changes until the mapping confirms it."""
    brought = blank_round()
    assert codes(brought) == ["round_perhaps_not_visited"]
    assert "For 30 nothing was written at all" in brought.findings[0].found
    assert statuses(brought) == {"alive": 30, "no status": 30}
    (proposal,) = brought.proposals
    assert 'confirmed = { "A" = ["2001"] }' in proposal
    confirmed = blank_round('[not_visited]\nconfirmed = { A = ["2001"] }')
    assert statuses(confirmed) == {"alive": 30, "not visited": 30}
    assert codes(confirmed) == []


def test_a_measure_without_a_status_shows_that_somebody_was_there() -> None:
    """One height of thirty is a partly searched round and stays; two of thirty are a round that was walked."""
    assert 'partly = { "A" = ["2001"] }' in blank_round(measured=1).proposals[0]
    partly = blank_round('[not_visited]\npartly = { A = ["2001"] }', measured=1)
    assert statuses(partly) == {"alive": 30, "no status": 1, "not visited": 29}
    assert partly.batch.tables["visit"]["height_cm"].count() == 31
    assert codes(blank_round(measured=2)) == []


def test_blank_years_of_a_wide_table_list_nothing() -> None:
    """A plant has cells for every year in a wide table; those before its tag are blank and propose no round."""
    wide = """
[table]
row = "plant with repeated groups"
[groups]
names = ["2000", "2001"]
[place]
name = "plot"
[round]
name = "@group"
[plant]
key = "no"
[visit]
when = { column = "@group", date = "yyyy" }
status = { column = "st {group}", words = { a = "alive", m = "not found" } }
"""
    rows = [f"A,{n},,a" for n in range(30)] + [f"A,{n + 50},a," for n in range(1)]
    brought = bring("plot,no,st 2000,st 2001\n" + "\n".join(rows), wide)
    assert codes(brought) == []
    assert statuses(brought) == {"alive": 31}
