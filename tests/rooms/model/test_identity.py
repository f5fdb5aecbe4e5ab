"""Ids: names give the same id for ever, no two contents share a hash by their form, versions as in RFC 9562."""

from uuid import UUID

from hypothesis import given
from hypothesis import strategies as st

from domatia.model.identity import content_hash, named_id, short, typed_id

VALUES = st.lists(st.one_of(st.none(), st.text(), st.integers(-(2**53), 2**53), st.booleans(), st.binary()), max_size=4)


def form(values: list[object]) -> list[tuple[str, object]]:
    """Give values with their kinds, as True is not 1 and "1" is not 1."""
    return [(type(v).__name__, v) for v in values]


@given(VALUES, VALUES)
def test_different_contents_have_different_hashes(a: list[object], b: list[object]) -> None:
    """Also where one is the other cut at another place."""
    assert (content_hash(a) == content_hash(b)) == (form(a) == form(b))


def test_blank_empty_and_number_forms() -> None:
    """None is not "", 1 is not "1" nor True; 1 and 1.0 are one number."""
    hashes = [content_hash([v]) for v in (None, "", 1, "1", True, b"1", b"", "-", "?1")]
    assert len(set(hashes)) == 9
    assert content_hash([1]) == content_hash([1.0])
    assert content_hash(["ab", "c"]) != content_hash(["a", "bc"])
    assert content_hash([]) != content_hash([None])


@given(st.text(), st.text())
def test_named_ids_are_version_8_and_tell_keys_apart(a: str, b: str) -> None:
    """The variant and version of RFC 9562; the same name gives the same id, another another."""
    uuid = UUID(bytes=named_id(b"s" * 16, "visit", a))
    assert (uuid.version, uuid.variant) == (8, "specified in RFC 4122")
    assert (named_id(b"s" * 16, "visit", a) == named_id(b"s" * 16, "visit", b)) == (a == b)
    assert named_id(b"s" * 16, "plant", a) != named_id(b"s" * 16, "visit", a)
    assert named_id(b"t" * 16, "visit", a) != named_id(b"s" * 16, "visit", a)


def test_a_named_id_never_changes() -> None:
    """Studies hold these ids: our own earlier value."""
    assert short(named_id(b"s" * 16, "visit", "N1|118|2003")) == EARLIER


def test_typed_ids_are_version_7_and_sort_by_time() -> None:
    """RFC 9562: 48 bits of milliseconds first; two of one millisecond differ."""
    first, second = typed_id(1_000), typed_id(2_000)
    assert UUID(bytes=first).version == UUID(bytes=second).version == 7
    assert first < second
    assert int.from_bytes(first[:6], "big") == 1_000
    assert typed_id(5) != typed_id(5)
    assert len(typed_id()) == 16


EARLIER = "319de5c0772d8b238c9b784b01eda0b8"
