"""The report: one self-contained page and one paper from the same blocks."""

import re
from html import unescape
from itertools import pairwise

import polars as pl
import pytest
from pypdf import PdfReader
from tests.rooms.report.small_report import page, told, written

from domatia.press.charts import font_folder
from domatia.press.typeset import CannotTypeset, typeset
from domatia.report.as_html import as_html
from domatia.report.as_typst import as_typst
from domatia.report.compose import CAUTIONS, compose
from domatia.report.document import Bullets, Document, Figure, Heading, Paragraph, as_table

AWKWARD = 'Tag #6 *or* _9_ $x$ "quoted" \\ <b>&amp; @here `code` [x] ~ 20 % — ants’'


def flat(text: str) -> str:
    """Take out tags, white space and hyphens, so that texts broken over lines can be found."""
    return re.sub(r"[\s\-\u00ad\u2010]+", "", text)


def seen_in_page() -> str:
    """Give the words of the page."""
    body = page()[page().index("<body") :]
    return flat(unescape(re.sub(r"<[^>]+>", " ", body)))


def seen_in_paper() -> str:
    """Give the words of the paper."""
    return flat(" ".join(p.extract_text() for p in PdfReader(written().pdf).pages))


def test_the_page_fetches_nothing_and_runs_nothing() -> None:
    """No script, no handler, no link, image, style or font from elsewhere."""
    text = re.sub(r'xmlns(:xlink)?="[^"]*"', "", page())
    text = text.replace("https://vega.github.io/schema/vega-lite/v5.json", "")
    assert not re.search(r"https?://", text)
    assert not re.search(r"<(script|link|img|iframe|object|embed)\b", text, re.IGNORECASE)
    assert not re.search(r"\son[a-z]+=", text)
    assert not re.search(r"url\((?!data:|#|['\"]?#)", text)
    assert "@import" not in text


def test_the_page_names_its_language_and_parts() -> None:
    """Headings step down one at a time; every link of the contents leads to a part; pictures are described."""
    text = page()
    assert '<html lang="en-GB">' in text
    assert text.count("<h1>") == 1
    levels = [int(x) for x in re.findall(r"<h([1-4])", text)]
    assert all(b - a <= 1 for a, b in pairwise(levels))
    assert set(re.findall(r'href="#(part\d+)"', text)) == set(re.findall(r'id="(part\d+)"', text))
    pictures = re.findall(r"<svg [^>]*", text)
    assert pictures
    assert all('aria-label="' in s for s in pictures if "role=" in s)


def test_ids_in_the_drawings_stand_once() -> None:
    """Two drawings in one page do not take each other's clipping paths."""
    ids = re.findall(r'\bid="([^"]+)"', page())
    assert len(ids) == len(set(ids))


@pytest.mark.parametrize("where", ["page", "paper"])
def test_page_and_paper_hold_the_same_answers(where: str) -> None:
    """Sentences, doubts, methods, sources, cautions, open findings and the truth stand in both."""
    text = seen_in_page() if where == "page" else seen_in_paper()
    wanted = [a.sentence for a in told().answers]
    wanted += [d.text for a in told().answers for d in a.doubts]
    wanted += [a.method for a in told().answers] + [s for a in told().answers for s in a.sources]
    wanted += [*CAUTIONS, "plant <6> & 9", "Found <b>.", "leaves scored for the share missing", "Answers and truth"]
    missing = [w for w in wanted if flat(w) not in text]
    assert missing == []


def test_the_paper_has_pages_and_a_title() -> None:
    """More than three pages; the title of the file is the study's."""
    reader = PdfReader(written().pdf)
    assert len(reader.pages) > 3
    assert reader.metadata is not None
    assert reader.metadata.title == told().data.name


def test_figures_on_paper_keep_their_words() -> None:
    """Axis titles are text on the paper, not pictures of text left out."""
    assert flat("Years since the start") in seen_in_paper()
    assert flat("Share alive") in seen_in_paper()


def awkward() -> Document:
    """Make a document whose every text has signs that mean something to a typesetter or a browser."""
    table = as_table(pl.DataFrame({AWKWARD: [AWKWARD, None]}), AWKWARD)
    return Document(AWKWARD, AWKWARD, (Heading(AWKWARD), Paragraph(AWKWARD), Bullets((AWKWARD,), "caution"), table))


def test_awkward_signs_stand_as_they_were_written(tmp_path_factory: pytest.TempPathFactory) -> None:
    """Seven times in page and paper: title, subtitle, heading, paragraph, bullet, caption, cell (and column)."""
    html = as_html(awkward(), lambda chart: "", font_folder())
    assert unescape(html).count(AWKWARD) >= 8
    assert "<b>" not in html
    source, pictures = as_typst(awkward(), lambda chart: "")
    target = tmp_path_factory.mktemp("paper") / "a.pdf"
    typeset(source, pictures, target)
    text = flat(" ".join(p.extract_text() for p in PdfReader(target).pages))
    assert text.count(flat(AWKWARD)) >= 7


def test_a_source_that_cannot_be_set_is_told(tmp_path_factory: pytest.TempPathFactory) -> None:
    """The typesetter's own message; no half-written paper."""
    target = tmp_path_factory.mktemp("bad") / "a.pdf"
    with pytest.raises(CannotTypeset, match="unknown variable"):
        typeset("#nothing-of-that-name", {}, target)
    assert not target.exists()


def test_tables_of_text_count_what_they_do_not_show() -> None:
    """Rows beyond the limit are counted; blanks, infinities and yes/no are words."""
    frame = pl.DataFrame({"x": [1.0, float("inf"), None], "y": [True, False, None]}, strict=False)
    found = as_table(frame, "c", most=2)
    assert found.rows[:2] == (("1", "yes"), ("no bound", "no"))
    assert found.more == 1
    assert as_table(frame, "c").rows[2] == ("–", "–")


def test_the_report_is_made_of_the_parts_a_reader_looks_for() -> None:
    """Study, effort, map, findings, treatment received, answers, cautions, appendix, and truth on the last page."""
    titles = [b.text for b in compose(told()).blocks if isinstance(b, Heading) and b.level == 1]
    wanted = ["The study", "Effort", "Map", "Findings", "Treatment received", "Do ants keep plants alive?"]
    places = [titles.index(w) for w in wanted]
    assert places == sorted(places)
    assert titles.index("Cautions") < titles.index("Appendix") < titles.index("Answers and truth")
    assert titles[-1] == "Answers and truth"
    figures = [b for b in compose(told()).blocks if isinstance(b, Figure)]
    assert len(figures) >= 3
    assert all(f.description for f in figures)
