"""Public functions of the computing and storing rooms say what they return, and name what they raise."""

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

LOGGER = Path(__file__).resolve().parent.parent / "logger"
ROOMS = ("model", "physics", "statistics", "scale", "cylinder", "refrigerant", "stages", "evidence", "store")
SHORT = 3  # lines: its name and its annotations say all
CAUGHT = {"parse_record": {"ValueError"}}  # raised and caught within
Function = ast.FunctionDef | ast.AsyncFunctionDef


def bases() -> dict[str, set[str]]:
    """Each class of logger/ and the names of those that it is made from, all the way up."""
    own = {
        node.name: {base.id for base in node.bases if isinstance(base, ast.Name)}
        for path in LOGGER.rglob("*.py")
        for node in ast.parse(path.read_text(encoding="utf-8")).body
        if isinstance(node, ast.ClassDef)
    }

    def up(name: str) -> set[str]:
        return {name}.union(*(up(base) for base in own.get(name, ())))

    return {name: up(name) for name in own}


BASES = bases()


def public(node: ast.Module | ast.ClassDef, around: str = "") -> Iterator[tuple[Function, str]]:
    """Functions and methods, each with the docstring of its class."""
    for one in node.body:
        if isinstance(one, ast.ClassDef) and not one.name.startswith("_"):
            yield from public(one, ast.get_docstring(one) or "")
        elif isinstance(one, Function) and not one.name.startswith("_"):
            yield one, around


def raised(function: Function) -> set[str]:
    """Names of exceptions that its own lines raise."""
    found = set()
    for node in ast.walk(function):
        if isinstance(node, ast.Raise) and node.exc is not None:
            what = node.exc.func if isinstance(node.exc, ast.Call) else node.exc
            if isinstance(what, ast.Name) and what.id[:1].isupper():
                found.add(what.id)
    return found - CAUGHT.get(function.name, set()) - {"AssertionError"}


@pytest.mark.parametrize("room", ROOMS)
def test_public_functions_say_what_they_give_and_raise(room: str) -> None:
    silent, unnamed = [], []
    for path in sorted((LOGGER / room).rglob("*.py")):
        for function, around in public(ast.parse(path.read_text(encoding="utf-8"))):
            text, where = ast.get_docstring(function), f"{path.relative_to(LOGGER)}:{function.lineno} {function.name}"
            if text is None and (function.end_lineno or 0) - function.lineno >= SHORT:
                silent.append(where)
            said = f"{text} {around}"
            missing = (name for name in raised(function) if not any(up in said for up in BASES.get(name, {name})))
            unnamed += [f"{where}: {name}" for name in missing]
    assert (silent, unnamed) == ([], [])
