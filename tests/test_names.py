"""One name, one meaning: no module and no class of `logger/` shares its name with another; limits are MIN_ and MAX_;
and a name says what a thing is."""

import ast
import re
from collections import defaultdict
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
LOGGER = ROOT / "logger"
STAGES = LOGGER / "stages"
# A room's errors and its words; the files that a stage's folder may have, and stages/ for what they share.
IN_EVERY_ROOM = {"__init__", "__main__", "errors", "words"}
IN_A_STAGE = {"definition", "noticing", "analysis", "findings", "live", "compare", "carry", "settings"}


def _modules() -> set[str]:
    found = defaultdict(set)
    for path in LOGGER.rglob("*.py"):
        fixed = path.stem in IN_EVERY_ROOM or (path.stem in IN_A_STAGE and STAGES in (path.parent, path.parent.parent))
        found[path.stem].add("fixed" if fixed else str(path))
    return {name for name, places in found.items() if len(places) > 1}


def _classes() -> set[str]:
    found = defaultdict(list)
    for path in LOGGER.rglob("*.py"):
        for node in ast.parse(path.read_text(encoding="utf-8")).body:
            if isinstance(node, ast.ClassDef):
                found[node.name].append(path)
    return {name for name, places in found.items() if len(places) > 1}


def test_no_module_name_has_two_meanings() -> None:
    assert _modules() == set()


def test_no_class_name_has_two_meanings() -> None:
    assert _classes() == set()


# A bound is MIN_ or MAX_; time in ns is counted in model.units.NS_PER_S.
NO_BOUND = re.compile(
    r"_?(FEWEST|LONGEST|SHORTEST|LARGEST|SMALLEST|MOST|LEAST|HIGHEST|LOWEST|FASTEST|SLOWEST|STEEPEST|EARLIEST|DENSEST)"
    r"(?![A-Z])"
)
SECOND_IN_NS = re.compile(r"\b\d+_000_000_000\b|\b1e9 ?\*|[*/] ?1e9\b|\b10 ?\*\* ?9\b")


def _constants(path: Path) -> Iterator[str]:
    for node in ast.parse(path.read_text(encoding="utf-8")).body:
        if isinstance(node, ast.Assign | ast.AnnAssign):
            for target in node.targets if isinstance(node, ast.Assign) else [node.target]:
                yield from (one.id for one in ast.walk(target) if isinstance(one, ast.Name))


def _sources() -> Iterator[Path]:
    for room in ("logger", "sim_device", "firmware_protocol"):
        yield from (ROOT / room).rglob("*.py")


def test_limits_are_called_min_and_max() -> None:
    assert [f"{path}: {name}" for path in _sources() for name in _constants(path) if NO_BOUND.match(name)] == []


def test_a_second_is_written_in_nanoseconds_once() -> None:
    written = {
        f"{path.relative_to(ROOT)}: {line.strip()}"
        for path in LOGGER.rglob("*.py")
        for line in path.read_text(encoding="utf-8").splitlines()
        if SECOND_IN_NS.search(line)
    }
    assert {line for line in written if "since 1970" not in line} == {"logger/model/units.py: NS_PER_S = 1_000_000_000"}


# Words that say nothing of what a thing is: recorded, entered, sent, listed, stored ... say it.
NO_NAMES = re.compile(
    r"(?:^|_)(told|kept|heard|heart|tell|tells|teller|look|looked|looks|behind|often|laid_out|let_go|while_input"
    r"|host_made|breathe|scene|asks)(?:_|$)",
    re.IGNORECASE,
)
TRADE_WORDS = {"can_tell", "cannot_tell", "CANNOT_TELL"}  # a verdict


def _identifiers(path: Path) -> Iterator[str]:
    """Of modules, functions, classes, parameters, attributes and all that is assigned to."""
    yield path.stem
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        match node:
            case ast.FunctionDef(name=name) | ast.AsyncFunctionDef(name=name) | ast.ClassDef(name=name):
                yield name
            case ast.arg(arg=name):
                yield name
            case ast.Attribute(attr=name, ctx=ast.Store()) | ast.Name(id=name, ctx=ast.Store()):
                yield name


def _helpers(path: Path) -> Iterator[str]:
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        match node:
            case ast.FunctionDef(name=name) | ast.AsyncFunctionDef(name=name) if not name.startswith("test_"):
                yield name
            case ast.ClassDef(name=name) | ast.arg(arg=name):
                yield name


def test_names_say_what_a_thing_is() -> None:
    found = {(str(path.relative_to(ROOT)), name) for path in _sources() for name in _identifiers(path)}
    for path in (ROOT / "tests").rglob("*.py"):  # of tests their helpers and what those are given
        found |= {(str(path.relative_to(ROOT)), name) for name in _helpers(path)}
    assert {(path, name) for path, name in found if NO_NAMES.search(name) and name not in TRADE_WORDS} == set()
