"""Streams of random numbers."""

import numpy as np
import pytest

from domatia.lifecycle.streams import Purpose, stream


def test_the_generator_is_the_published_one() -> None:
    """Philox4x64-10 of zero counter and key: the first known-answer vector published with Salmon et al. 2011."""
    before_zero = np.full(4, 2**64 - 1, dtype=np.uint64)
    words = np.random.Philox(key=np.zeros(2, dtype=np.uint64), counter=before_zero).random_raw(4)
    assert [hex(int(w)) for w in words] == [
        "0x16554d9eca36314c", "0xdb20fe9d672d0fdc", "0xd7e772cee186176b", "0x7e68b68aec7ba23b",
    ]  # fmt: skip


def test_a_plant_gets_the_same_number_whoever_else_is_there() -> None:
    """The first hundred plants draw the same uniforms in a study of a hundred and of ten thousand."""
    few = stream(3, 1, Purpose.DEATH, 5).random(100)
    many = stream(3, 1, Purpose.DEATH, 5).random(10_000)
    np.testing.assert_array_equal(few, many[:100])


def test_every_part_of_the_key_matters() -> None:
    """Another seed, replicate, purpose or month gives other numbers."""
    keys = [(1, 0, Purpose.DEATH, 0), (2, 0, Purpose.DEATH, 0), (1, 1, Purpose.DEATH, 0), (1, 0, Purpose.GROWTH, 0),
            (1, 0, Purpose.DEATH, 1)]  # fmt: skip
    drawn = [stream(*key).random(50) for key in keys]
    for i, a in enumerate(drawn):
        for b in drawn[:i]:
            assert not np.intersect1d(a, b).size


def test_negative_keys_are_refused() -> None:
    """A negative seed would silently be another seed."""
    with pytest.raises(ValueError, match="never negative"):
        stream(-1, 0, Purpose.DEATH)
