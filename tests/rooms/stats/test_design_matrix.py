"""Design matrices: contrasts, centring, interactions, reuse on other rows, wrong requests."""

import numpy as np
import pytest

from domatia.stats.design_matrix import Category, Columns, build_matrix, make_coding, with_value

COLUMNS: Columns = {
    "light": np.array([0.1, 0.3, 0.5, 0.7]),
    "arm": Category(np.array([2, 0, 3, 0]), ("control", "absent", "removed", "sham")),
    "habitat": Category(np.array([0, 1, 0, 1]), ("pasture", "forest")),
}


def test_columns_are_named_and_coded_by_treatment_contrasts() -> None:
    """The first level that occurs is the reference; a level nobody has gets no column."""
    coding = make_coding(COLUMNS, [("arm",), ("light",)])
    assert coding.names == ("intercept", "arm[removed]", "arm[sham]", "light")
    wanted = [[1, 1, 0, 0.1], [1, 0, 0, 0.3], [1, 0, 1, 0.5], [1, 0, 0, 0.7]]
    np.testing.assert_allclose(build_matrix(coding, COLUMNS), wanted)
    assert coding.columns_of("arm").tolist() == [1, 2]


def test_another_reference_and_centring() -> None:
    """A reference may be named, numbers may be centred, and the intercept left out without changing contrasts."""
    coding = make_coding(
        COLUMNS, [("arm",), ("light",)], intercept=False, centred=["light"], references={"arm": "sham"}
    )
    assert coding.names == ("arm[control]", "arm[removed]", "light")
    wanted = [[0, 1, -0.3], [1, 0, -0.1], [0, 0, 0.1], [1, 0, 0.3]]
    np.testing.assert_allclose(build_matrix(coding, COLUMNS), wanted, atol=1e-15)
    assert coding.centres["light"] == pytest.approx(0.4)


def test_interactions_are_products_of_their_parts() -> None:
    """Category by number and category by category give every product of their columns, in order of the names."""
    terms = [("arm",), ("light",), ("habitat",), ("arm", "light"), ("habitat", "arm")]
    coding = make_coding(COLUMNS, terms)
    matrix = build_matrix(coding, COLUMNS)
    by_name = dict(zip(coding.names, matrix.T, strict=True))
    assert coding.names[5:] == (
        "arm[removed] x light",
        "arm[sham] x light",
        "habitat[forest] x arm[removed]",
        "habitat[forest] x arm[sham]",
    )
    for name, column in by_name.items():
        parts = name.split(" x ")
        np.testing.assert_allclose(column, np.prod([by_name[part] for part in parts], axis=0))
    assert coding.columns_of("habitat", "arm").tolist() == [7, 8]


def test_other_rows_keep_the_first_rows_centres_and_columns() -> None:
    """The same coding on one row, with another treatment, has the same columns and the old centre."""
    coding = make_coding(COLUMNS, [("arm",), ("light",)], centred=["light"])
    other: Columns = {"light": np.array([0.9]), "arm": Category(np.array([0]), ("sham",))}
    np.testing.assert_allclose(build_matrix(coding, other), [[1, 0, 1, 0.5]])


def test_a_column_is_set_for_all_rows() -> None:
    """Setting a column gives a new mapping and leaves the old one as it was."""
    changed = with_value(with_value(COLUMNS, "arm", "sham"), "light", 0.2)
    arm = changed["arm"]
    assert isinstance(arm, Category)
    assert arm.codes.tolist() == [3, 3, 3, 3]
    light = changed["light"]
    assert not isinstance(light, Category)
    np.testing.assert_allclose(light, 0.2)
    assert isinstance(COLUMNS["arm"], Category)
    assert COLUMNS["arm"].codes.tolist() == [2, 0, 3, 0]


def test_row_order_changes_no_coding() -> None:
    """Shuffled rows give the same coding, centres to the last bit included."""
    rng = np.random.default_rng(0)
    light = rng.normal(size=1000)
    order = rng.permutation(1000)
    first = make_coding({"light": light}, [("light",)], centred=["light"])
    assert first == make_coding({"light": light[order]}, [("light",)], centred=["light"])


def test_no_terms_give_the_intercept_alone() -> None:
    """Without terms the design is a column of ones."""
    coding = make_coding(COLUMNS, [])
    np.testing.assert_array_equal(build_matrix(coding, COLUMNS), np.ones((4, 1)))


def test_all_problems_are_told_at_once() -> None:
    """Every fault of a request stands in one message."""
    columns = {**COLUMNS, "wet": np.array([1.0, np.nan, 2.0, 3.0]), "short": np.ones(3)}
    with pytest.raises(ValueError, match="design:") as caught:
        make_coding(
            columns, [("arm", "light"), ("soil",), ("wet",), ("wet",)], centred=["arm"], references={"arm": "absent"}
        )
    text = str(caught.value)
    for part in (
        "there is no column soil",
        "columns differ in length",
        "wet is asked for twice",
        "needs the main effect arm",
        "needs the main effect light",
        "wet has 1 missing values",
        "arm is a category and cannot be centred",
        "arm has no row in its reference absent",
    ):
        assert part in text


def test_rows_the_coding_does_not_know_are_refused() -> None:
    """New levels, other kinds, missing columns and unknown names are refused."""
    coding = make_coding(COLUMNS, [("arm",), ("light",)])
    strange: Columns = {**COLUMNS, "arm": Category(np.array([0, 0, 1, 0]), ("control", "barrier"))}
    with pytest.raises(ValueError, match="rows in barrier"):
        build_matrix(coding, strange)
    with pytest.raises(ValueError, match="arm was a category"):
        build_matrix(coding, {**COLUMNS, "arm": np.ones(4)})
    with pytest.raises(ValueError, match="no column light"):
        build_matrix(coding, {"arm": COLUMNS["arm"]})
    with pytest.raises(ValueError, match="no term habitat"):
        coding.columns_of("habitat")
    with pytest.raises(ValueError, match="has no level barrier"):
        with_value(COLUMNS, "arm", "barrier")
    with pytest.raises(ValueError, match="is a number"):
        with_value(COLUMNS, "light", "dark")
    with pytest.raises(ValueError, match="there is no column soil"):
        with_value(COLUMNS, "soil", 1.0)
    with pytest.raises(ValueError, match="codes that are no level"):
        make_coding({"arm": Category(np.array([-1]), ("a",))}, [("arm",)])
