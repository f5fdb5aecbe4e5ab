"""A test of an error also reads its message."""

import ast
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]


def blind_raises(text: str) -> list[int]:
    """Give the lines on which `pytest.raises` stands without `match`."""
    return [
        node.lineno
        for node in ast.walk(ast.parse(text))
        if isinstance(node, ast.Call)
        and isinstance(node.func, ast.Attribute)
        and node.func.attr == "raises"
        and not any(k.arg == "match" for k in node.keywords)
    ]


def test_a_blind_raises_is_seen() -> None:
    """The search finds a `pytest.raises` without `match` and passes one with it."""
    assert blind_raises("import pytest\nwith pytest.raises(ValueError): f()\n") == [2]
    assert blind_raises("import pytest\nwith pytest.raises(ValueError, match='x'): f()\n") == []


def test_every_raises_has_a_match() -> None:
    """No test accepts an error without reading what it says."""
    found = {
        p.relative_to(ROOT).as_posix(): lines
        for p in sorted((ROOT / "tests").rglob("*.py"))
        if (lines := blind_raises(p.read_text(encoding="utf-8")))
    }
    assert found == {}
