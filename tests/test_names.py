"""One name, one meaning: no module and no class of `logger/` shares its name with another."""

import ast
from collections import defaultdict
from pathlib import Path

LOGGER = Path(__file__).resolve().parent.parent / "logger"
STAGES = LOGGER / "stages"
# A room's errors and its words; the files that a stage's folder may have, and stages/ for what they share.
IN_EVERY_ROOM = {"__init__", "__main__", "errors", "words"}
IN_A_STAGE = {"definition", "analysis", "findings", "live", "compare", "carry", "settings"}


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
