"""The Heliconia census through the whole way: tables in by their mappings, then a question asked of the study.

Source of the data: Bruna et al. 2023, Ecology 104:e4174. Grade of the numbers: another program's output (R survival
3.5-3 and npsurv 0.5.0 on the same table), but for counts of rows and plants, which were made with other code.
"""

import csv
import random
import re
import shutil
import subprocess
from collections.abc import Callable
from itertools import chain
from pathlib import Path

import polars as pl
import pytest

from domatia.model import Ask
from domatia.tasks.as_json import answer_as_dict, as_text
from domatia.tasks.asking import ask_study
from domatia.tasks.checking import check_study
from domatia.tasks.importing import import_tables
from domatia.tasks.opening import reading
from domatia.tasks.starting import new_study

pytestmark = [pytest.mark.real, pytest.mark.slow]

HERE = Path(__file__).parent
ASK = Ask(by="origin", draws=5)
CURVES = {
    "found as adult": (5007, -3524.71101864, [0.98159856, 0.96396916, 0.90716263, 0.86028324]),
    "seedling": (3091, -3885.07210797, [0.85268278, 0.75709438, 0.58068742, 0.46846529]),
}
SEEN_ONCE = "seen alive once and never found dead, so it was followed for no time"
RENAMED = {
    "plant_id": "number of the plant", "plot_id": "Parzelle", "year": "visited in", "census_status": "state",
    "recorded_sdlg": "was a seedling", "ht": "h (cm)", "tag_number": "tag", "subplot": "cell",
}  # fmt: skip
R_SCRIPT = """
suppressMessages({library(survival); library(npsurv)})
z <- read.csv("plants.csv"); z$right[is.na(z$right)] <- Inf
k <- coxph(Surv(ifelse(is.finite(right), right, left), is.finite(right)) ~ seedling, z, ties = "efron")
cat("hr", format(summary(k)$conf.int[c(1, 3, 4)], digits = 12), "\\n")
y <- z[is.finite(z$right) | z$left > 0, ]
for (g in 0:1) { r <- npsurv(as.matrix(y[y$seedling == g, c("left", "right")])); f <- r$f
  cat(g, sum(y$seedling == g), format(r$ll, digits = 14),
      format(sapply(c(1, 2, 5, 8), function(t) 1 - sum(f$p[f$right <= t])), digits = 12), "\\n") }
"""


def bring(study: str, name: str, table: Path) -> None:
    """Import one table by its mapping."""
    import_tables(study, str(HERE / f"heliconia_{name}.toml"), (str(table),))


@pytest.fixture(scope="module")
def folder(real_data: Path) -> Path:
    """Give the folder of the census, or skip."""
    found = real_data / "heliconia_census"
    if not found.is_dir():
        pytest.skip("DOMATIA_REAL_DATA has no folder heliconia_census")
    return found


@pytest.fixture(scope="module")
def empty(folder: Path, tmp_path_factory: pytest.TempPathFactory) -> str:
    """Make a study that holds the plots only."""
    study = new_study(str(tmp_path_factory.mktemp("plots") / "census"), "Census")
    bring(study, "plots", folder / "HDP_plots.csv")
    return study


@pytest.fixture(scope="module")
def study(folder: Path, empty: str) -> str:
    """Make a study of the plots, the tidy table and the tag changes."""
    whole = str(Path(empty).with_name("whole.domatia"))
    shutil.copy(empty, whole)
    bring(whole, "survey", folder / "HDP_survey.csv")
    bring(whole, "tag_changes", folder / "tag_changes.csv")
    return whole


def survey_rows(folder: Path) -> tuple[list[str], list[dict[str, str]]]:
    """Read the tidy table as text."""
    with (folder / "HDP_survey.csv").open(newline="", encoding="utf-8") as file:
        reader = csv.DictReader(file)
        return list(reader.fieldnames or ()), list(reader)


def write_rows(path: Path, header: list[str], rows: list[dict[str, str]]) -> Path:
    """Write a table."""
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, header)
        writer.writeheader()
        writer.writerows(rows)
    return path


def test_the_study_holds_every_row(study: str) -> None:
    """66,396 visits of 8,586 plants by status, and all 206 tag changes beside the plants' first tags."""
    with reading(study) as opened:
        data = opened.read()
    assert dict(data.table("visit")["status"].value_counts().rows()) == {
        "alive": 56_935, "not found": 4_889, "not visited": 2_596, "dead confirmed": 1_976,
    }  # fmt: skip
    assert data.table("plant").height == 8_586
    assert data.table("tag").height == 8_586 + 206
    assert not any(t.height for t in data.undecided.values())


def test_found_again_and_twin_tags_are_named(folder: Path, empty: str, tmp_path: Path) -> None:
    """734 plants found again after a not-found row are named; the tidy table alone has 32 numbers borne by two."""
    alone = str(tmp_path / "alone.domatia")
    shutil.copy(empty, alone)
    bring(alone, "survey", folder / "HDP_survey.csv")
    found = check_study(alone, ("not_found_then_found", "tag_borne_by_two"))
    again = {s for f in found.open if f.code == "not_found_then_found" for s in f.subjects}
    twins = [f for f in found.open if f.code == "tag_borne_by_two"]
    with reading(alone) as opened:
        plants = set(opened.read().table("plant")["subject_id"])
    assert len(again & plants) == 734
    assert len(twins) == 32


def test_survival_by_origin_is_what_r_prints(study: str) -> None:
    """Plants, curves, log-likelihoods and the ratio of dated deaths, from the answer's own JSON."""
    plain = answer_as_dict(ask_study(study, "survival", ASK))
    assert plain["answered"]
    assert plain["counts"]["plants"] == 8_098
    assert plain["counts"]["blocks"] == 13
    assert plain["counts"]["left_out"] == {SEEN_ONCE: 471, "never seen alive": 17}
    fits = {row["group"]: row for row in plain["tables"]["curve_fit"]}
    for group, (plants, likelihood, alive) in CURVES.items():
        assert fits[group]["plants"] == plants
        assert fits[group]["log_likelihood"] == pytest.approx(likelihood, abs=1e-6, rel=0)
        assert fits[group]["gap"] < 1e-6
        rows = plain["tables"]["survival_at"]
        at = [r["survival"] for t in (1.0, 2.0, 5.0, 8.0) for r in rows if (r["group"], r["years"]) == (group, t)]
        assert at == pytest.approx(alive, abs=1e-7, rel=0)
    dated = plain["tables"]["dated_deaths"][0]
    assert (dated["of"], dated["against"], dated["plants"], dated["deaths"]) == (
        "seedling", "found as adult", 8_569, 1_962,
    )  # fmt: skip
    printed = [f"{dated[c]:.3f}" for c in ("hazard_ratio", "low", "high")]
    assert printed == ["5.336", "4.848", "5.873"]
    doubt = next(d["text"] for d in plain["doubts"] if d["code"] == "dated_deaths")
    assert "plants as independent would give 5.34 (4.85 to 5.87)" in doubt


def test_survival_adjusted_for_habitat_is_what_r_prints(study: str) -> None:
    """With habitat as covariate: 5.309 (4.822 to 5.845), Efron ties, plants taken as independent."""
    answer = ask_study(study, "survival", Ask(by="origin", adjust=("habitat",), draws=5))
    dated = answer.tables["dated_deaths"].filter(pl.col("intervals") == "plants taken as independent")
    assert [f"{dated[c][0]:.3f}" for c in ("hazard_ratio", "low", "high")] == ["5.309", "4.822", "5.845"]
    assert (dated["plants"][0], dated["deaths"][0]) == (8_569, 1_962)


def test_clustering_by_plot_widens_the_interval(study: str) -> None:
    """The answer's own interval holds the naive one: the 13 plots count, not the plants."""
    answer = ask_study(study, "survival", ASK)
    main = answer.effects[0]
    assert main.low < 4.848 < 5.873 < main.high
    assert "coarse_dates" in {d.code for d in answer.doubts}


def test_row_order_leaves_the_answer_byte_equal(folder: Path, empty: str, tmp_path: Path) -> None:
    """Two studies of one id, the table's rows shuffled for the second: survival and growth to the last byte."""
    header, rows = survey_rows(folder)
    random.Random(11).shuffle(rows)
    (tmp_path / "shuffled").mkdir()
    shuffled = write_rows(tmp_path / "shuffled" / "HDP_survey.csv", header, rows)
    answers = []
    for i, table in enumerate((folder / "HDP_survey.csv", shuffled)):
        one = str(tmp_path / f"order{i}.domatia")
        shutil.copy(empty, one)
        bring(one, "survey", table)
        answers.append([as_text(answer_as_dict(ask_study(one, q, ASK))) for q in ("survival", "growth")])
    assert answers[0] == answers[1]


def reduced(rows: list[dict[str, str]], path: Path) -> None:
    """Write one row a plant for R: years to last measured and to recorded dead, and whether it was a seedling."""
    years: dict[str, dict[str, list[int]]] = {}
    seedlings = {r["plant_id"] for r in rows if r["recorded_sdlg"] == "TRUE"}
    for r in rows:
        years.setdefault(r["plant_id"], {}).setdefault(r["census_status"], []).append(int(r["year"]))
    lines = ["left,right,seedling"]
    for plant, seen in sorted(years.items()):
        if measured := seen.get("measured"):
            died = str(min(seen["dead"]) - min(measured)) if "dead" in seen else "NA"
            lines.append(f"{max(measured) - min(measured)},{died},{int(plant in seedlings)}")
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")


def renamed_mapping(text: str) -> str:
    """Write the mapping anew for the renamed columns."""
    for old, new in RENAMED.items():
        text = re.sub(rf'"{old}"', f'"{new}"', text)
    return text[: text.index("[not_visited]")].replace("HDP_survey.csv", "part.csv")


def run_r(folder: Path) -> dict[str, list[float]]:
    """Run R on the reduced table, or skip."""
    if shutil.which("Rscript") is None:
        pytest.skip("Rscript is not installed")
    done = subprocess.run(["Rscript", "-e", R_SCRIPT], cwd=folder, capture_output=True, text=True, check=False)
    if "there is no package called" in done.stderr:
        pytest.skip("R lacks the package survival or npsurv")
    assert done.returncode == 0, done.stderr
    lines = [line.split() for line in done.stdout.splitlines()]
    return {line[0]: [float(v) for v in line[1:]] for line in lines}


@pytest.fixture
def subsample(folder: Path, tmp_path: Path) -> Callable[[int], list[dict[str, str]]]:
    """Give a function that draws 80 % of the plants and writes `part.csv` and its mapping."""

    def draw(seed: int) -> list[dict[str, str]]:
        header, rows = survey_rows(folder)
        rng = random.Random(seed)
        plants = sorted({r["plant_id"] for r in rows})
        kept = set(rng.sample(plants, round(0.8 * len(plants))))
        rows = [r for r in rows if r["plant_id"] in kept]
        rng.shuffle(rows)
        rng.shuffle(header)
        out = [{RENAMED.get(k, k): v for k, v in r.items()} for r in rows]
        write_rows(tmp_path / "part.csv", [RENAMED.get(h, h) for h in header], out)
        mapping = renamed_mapping((HERE / "heliconia_survey.toml").read_text(encoding="utf-8"))
        (tmp_path / "part.toml").write_text(mapping, encoding="utf-8")
        return rows

    return draw


@pytest.mark.parametrize("seed", [20260])
def test_a_renamed_reordered_subsample_equals_r_run_now(
    seed: int, subsample: Callable[[int], list[dict[str, str]]], empty: str, tmp_path: Path
) -> None:
    """80 % of the plants, columns renamed and shuffled: curves and dated ratio equal R's on the same plants."""
    reduced(subsample(seed), tmp_path / "plants.csv")
    theirs = run_r(tmp_path)
    one = str(tmp_path / "part.domatia")
    shutil.copy(empty, one)
    import_tables(one, str(tmp_path / "part.toml"))
    answer = ask_study(one, "survival", ASK)
    fits, at = answer.tables["curve_fit"], answer.tables["survival_at"]
    for group, code in (("found as adult", "0"), ("seedling", "1")):
        own = fits.filter(pl.col("group") == group)
        alive = at.filter((pl.col("group") == group) & pl.col("years").is_in([1.0, 2.0, 5.0, 8.0]))["survival"]
        ours = list(chain([own["plants"][0], own["log_likelihood"][0]], alive))
        assert ours[0] == theirs[code][0]
        assert ours[1] == pytest.approx(theirs[code][1], abs=1e-6, rel=0)
        assert ours[2:] == pytest.approx(theirs[code][2:], abs=1e-5, rel=0)
    dated = answer.tables["dated_deaths"].row(0, named=True)
    assert [dated[c] for c in ("hazard_ratio", "low", "high")] == pytest.approx(theirs["hr"], rel=1e-7)
