"""docs/failures.md names tests that exist, and every row names one or says that nothing shows it."""

import ast
import re
from functools import cache
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
PAGE = (ROOT / "docs" / "failures.md").read_text(encoding="utf-8")
ROWS = [line for line in PAGE.splitlines() if line.startswith("| ") and not line.startswith("| what goes wrong")]


@cache
def _tests_in(path: str) -> frozenset[str]:
    """Functions, and the stateful machines' cases."""
    file = ROOT / path
    assert file.is_file(), f"{path} is not there"
    found = set()
    for node in ast.parse(file.read_text(encoding="utf-8")).body:
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            found.add(node.name)
        elif isinstance(node, ast.Assign):
            found |= {target.id for target in node.targets if isinstance(target, ast.Name)}
    return frozenset(name for name in found if name.lower().startswith("test"))


def test_every_test_named_exists() -> None:
    named = re.findall(r"`(tests/[\w/]+\.py)::(\w+)`", PAGE)
    assert len(named) > 80
    assert [f"{path}::{name}" for path, name in named if name not in _tests_in(path)] == []


def test_nothing_is_named_in_another_way() -> None:
    told = re.findall(r"`(tests/[^`]*)`", PAGE)
    assert [text for text in told if "::" not in text and text != "tests/test_failures.py"] == []


def test_every_row_has_three_cells_and_a_test_or_says_there_is_none() -> None:
    for row in ROWS:
        cells = [cell.strip() for cell in row.strip("|").split("|")]
        assert len(cells) == 3, row
        assert "`tests/" in cells[2] or "**not checked here**" in cells[1], row
