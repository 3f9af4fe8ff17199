"""The stages together: each says what the others say of the same thing, and names only what there is."""

import ast
import re
from collections import defaultdict
from pathlib import Path
from typing import Any

import pytest

import logger
from logger.alarms.alarm_engine import ALARM_COUNT
from logger.alarms.defaults import HEALTH
from logger.model.points import POINTS
from logger.stages import registry
from logger.stages.definition import StageDefinition
from logger.stages.settings import Form, settings_of

LOGGER = Path(logger.__file__).parent
KINDS = [one.kind for one in registry.STAGES]
of_each = pytest.mark.parametrize("stage", registry.STAGES, ids=KINDS)
Stage = StageDefinition[Any]


def folder(stage: Stage) -> Path:
    return LOGGER / "stages" / stage.kind.replace("-", "_")


def texts(path: Path) -> set[str]:
    """String literals of a module, docstrings among them."""
    nodes = ast.walk(ast.parse(path.read_text(encoding="utf-8")))
    return {node.value for node in nodes if isinstance(node, ast.Constant) and isinstance(node.value, str)}


def test_kinds_labels_and_what_decides_are_unique() -> None:
    for names in (KINDS, [s.label for s in registry.STAGES], [s.decides for s in registry.STAGES]):
        assert len(set(names)) == len(names)
    assert all(re.fullmatch(r"[a-z]+(-[a-z]+)*", kind) for kind in KINDS)


@of_each
def test_a_stage_is_found_by_its_kind_and_lives_in_the_folder_of_that_name(stage: Stage) -> None:
    assert registry.definition(stage.kind) is stage
    assert (registry.label(stage.kind), registry.view(stage.kind)) == (stage.label, stage.view)
    assert stage.kind in texts(folder(stage) / "definition.py")


def test_of_a_stage_that_is_not_known_the_name_is_shown() -> None:
    assert registry.definition("oil-change") is None
    assert registry.label("oil-change") == "Oil change"
    assert registry.view("oil-change") is registry.view(None) is registry.NO_STAGE


@of_each
def test_what_decides_is_a_finding_of_the_stages_own_analysis(stage: Stage) -> None:
    sources = [path for path in folder(stage).glob("*.py") if path.name != "definition.py"]
    assert any(stage.decides in texts(path) for path in sources)


def test_a_live_quantity_means_the_same_in_all_stages_that_list_it() -> None:
    found = defaultdict(set)
    for one in (*registry.CYLINDER_LIVE, *(one for stage in registry.STAGES for one in stage.live)):
        found[one.key].add(one)
    assert {key: said for key, said in found.items() if len(said) > 1} == {}
    assert registry.live_quantities() == {key: said.pop() for key, said in found.items()}


def test_a_live_quantity_with_a_points_name_is_that_point() -> None:
    for key, one in registry.live_quantities().items():
        assert key not in POINTS or one.quantity is POINTS[key].quantity


@of_each
def test_the_view_shows_only_what_the_stage_has(stage: Stage) -> None:
    own = {one.key for one in (*registry.CYLINDER_LIVE, *stage.live)}
    assert {stage.view.headline, *stage.view.lines} <= own
    assert {stage.view.trend, *stage.view.points} <= set(POINTS)
    assert stage.view.trend in stage.view.points


@of_each
def test_it_names_only_points_that_there_are(stage: Stage) -> None:
    drawn = {point for plot in stage.plots for point in plot.points}
    assert stage.fed_by | stage.silence_matters | drawn <= set(POINTS)
    for beginning in stage.listed:
        assert any(name.startswith(beginning) for name in POINTS), beginning
    assert all(point.startswith(stage.listed) for plot in stage.plots for point in plot.points)


def test_settings_of_one_name_are_of_one_kind() -> None:
    """They are one option of `stage begin`."""
    found = defaultdict(set)
    for stage in registry.STAGES:
        for one in settings_of(stage.settings):
            found[one.name].add(one.kind)
    assert {name: kinds for name, kinds in found.items() if len(kinds) > 1} == {}
    assert not {"kind", "operator", "job", "ago", "ago_s"} & found.keys(), "options of the command itself"


@of_each
def test_its_settings_can_be_left_out_and_say_what_they_are(stage: Stage) -> None:
    empty = stage.settings()
    for one in settings_of(stage.settings):
        assert getattr(empty, one.name) is (False if one.kind is Form.FLAG else None)
        assert one.text and not one.text.endswith(".")
        assert one.kind is not Form.PROFILE or stage.profiles


@of_each
def test_its_alarms_are_its_own_and_watch_what_there_is(stage: Stage) -> None:
    sources = {*registry.live_quantities(), *POINTS, *HEALTH, ALARM_COUNT}
    rules = stage.alarms(None, {})
    assert len({rule.key for rule in rules}) == len(rules)
    for rule in (*rules, *stage.alarms(stage.settings(), {})):
        assert rule.stages == frozenset({stage.kind})
        assert rule.source in sources and (rule.other is None or rule.other in sources)


def test_alarms_of_one_key_differ_in_nothing_but_the_stage() -> None:
    found = defaultdict(set)
    for stage in registry.STAGES:
        for rule in stage.alarms(None, {}):
            found[rule.key].add((rule.about, rule.source, rule.kind, rule.limit, rule.basis))
    assert {key: said for key, said in found.items() if len(said) > 1} == {}


def test_no_module_keeps_the_list_of_stages() -> None:
    """One that did would not see a stage that a test, or a later version, puts in."""
    found = set()
    for path in LOGGER.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.ImportFrom) and node.module == "logger.stages.registry":
                found |= {path.name for alias in node.names if alias.name == "STAGES"}
    assert found == set()


def test_no_file_outside_names_a_stage() -> None:
    """A seventh one is found by all that iterate the registry."""
    outside = (path for path in LOGGER.rglob("*.py") if (LOGGER / "stages") not in path.parents)
    assert {str(path.relative_to(LOGGER)): found for path in outside if (found := texts(path) & set(KINDS))} == {}


def test_a_stage_goes_back_to_one_that_there_is() -> None:
    assert {one.again for one in registry.STAGES} - {""} <= set(KINDS)
