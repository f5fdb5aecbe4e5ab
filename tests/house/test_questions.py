"""Every question's file is its manual page: headings, columns that exist, an example that runs, references."""

import doctest
import re
import sys

import pytest

from domatia.model import Question, all_fields
from domatia.questions import ALL

HEADINGS = ("What is measured", "Model", "When not to use it", "Example", "References")
COLUMNS = {f"{f.record}.{f.column}" for f in all_fields()}


def page(question: Question) -> str:
    """Give the manual page of a question."""
    return sys.modules[question.estimate.__module__].__doc__ or ""


every = pytest.mark.parametrize("question", ALL, ids=lambda q: q.code)


@every
def test_the_manual_page_has_its_headings(question: Question) -> None:
    """The question in a line, then the headings in their order, each underlined."""
    text = page(question)
    assert text.splitlines()[0].startswith(question.asks.split(",")[0].rstrip("?"))
    places = [text.find(f"\n{h}\n{'-' * len(h)}\n") for h in HEADINGS]
    assert places == sorted(places)
    assert min(places) > 0


@every
def test_symbols_are_tied_to_columns_that_exist(question: Question) -> None:
    """Words in double back-quotes with a full stop are fields of the one table."""
    named = set(re.findall(r"``([a-z_]+\.[a-z_]+)``", page(question)))
    assert named
    assert named <= COLUMNS


@every
def test_the_example_runs(question: Question) -> None:
    """The examples of the page give what they print."""
    module = sys.modules[question.estimate.__module__]
    found = doctest.testmod(module)
    assert found.attempted > 0
    assert found.failed == 0


@every
def test_references_have_authors_years_and_journals(question: Question) -> None:
    """Each source names people, a year and where it stands; the page's references are among them."""
    assert question.sources
    assert all(re.match(r"[A-Z][\w’'\-]+ .*(18|19|20)\d\d[.a-z]", s) for s in question.sources)
    years = set(re.findall(r"\b(?:19|20)\d\d\b", page(question).split("References")[1]))
    assert {y for s in question.sources for y in re.findall(r"\b(?:19|20)\d\d\b", s)[:1]} <= years


@every
def test_needs_and_method_are_whole_phrases(question: Question) -> None:
    """The method is a paragraph for a paper; each need is a phrase a person can act on."""
    assert len(question.method.split()) > 25
    assert question.method.endswith(".")
    assert all(len(n.what.split()) > 3 for n in question.needs)
