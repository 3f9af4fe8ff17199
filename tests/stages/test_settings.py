"""Settings of a stage: what is entered is checked, and what was stored is read again."""

from dataclasses import asdict, dataclass, fields
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.model.points import Quantity
from logger.stages import registry
from logger.stages.evacuation.definition import Evacuation
from logger.stages.pressure_test.definition import PressureTest
from logger.stages.settings import (
    MAX_COUNT,
    MAX_NUMBER,
    MAX_TEXT,
    Form,
    NoSettings,
    Setting,
    SettingError,
    check,
    read,
    setting,
    settings_of,
)
from tests.worded import values_of

PROFILES = ("gentle", "strict")


@dataclass(frozen=True, slots=True, kw_only=True)
class Brew:
    """One setting of each kind."""

    mass: float | None = setting(Quantity.MASS, "how much")
    direction: str | None = setting(("in", "out"), "which way")
    times: int | None = setting(Form.COUNT, "how many times")
    reason: str | None = setting(Form.TEXT, "why")
    profile: str | None = setting(Form.PROFILE, "judged by")
    gently: bool = setting(Form.FLAG, "without shaking")


def of_kind(one: Setting, profiles: tuple[str, ...] = PROFILES) -> st.SearchStrategy[Any]:
    """Anything that a setting of this kind may be."""
    match one.kind:
        case Form.FLAG:
            return st.booleans()
        case Form.TEXT:
            return st.text(max_size=3 * MAX_TEXT)
        case Form.LONG_TEXT:
            unit = "lb/h" if one.name == "rated_flow" else "W@F"
            numbers = st.lists(st.floats(-1e6, 1e6), min_size=10, max_size=10)
            return numbers.map(lambda found: " ".join(f"{x:.6g}" for x in found) + f" {unit}")
        case Form.DAY:
            return st.dates().map(lambda day: day.isoformat())
        case Form.PROFILE:
            return st.sampled_from(profiles)
        case Form.COUNT:
            return st.integers(1, MAX_COUNT)
        case tuple() as words:
            return st.sampled_from(words)
    return st.floats(0, MAX_NUMBER, exclude_min=True) | st.integers(1, int(MAX_NUMBER))


def some_of(cls: type[Any], profiles: tuple[str, ...] = PROFILES) -> st.SearchStrategy[dict[str, Any]]:
    """Settings that fit the class, any of them left out."""
    return st.fixed_dictionaries({}, optional={one.name: of_kind(one, profiles) for one in settings_of(cls)})


VALUES = st.one_of(
    st.none(), st.booleans(), st.integers(), st.floats(), st.text(), st.lists(st.integers()), st.sampled_from(PROFILES),
    st.sampled_from(["in", "out"]),
)  # fmt: skip
ANYTHING = st.dictionaries(st.sampled_from([f.name for f in fields(Brew)]) | st.text(), VALUES)


def accepted(cls: type[Any], given_: dict[str, Any]) -> dict[str, Any] | None:
    try:
        return check(cls, given_, PROFILES)
    except SettingError:
        return None


@given(some_of(Brew))
def test_what_fits_is_accepted_and_read_again(entered: dict[str, Any]) -> None:
    stored = check(Brew, entered, PROFILES)
    assert stored.keys() == entered.keys()
    assert {k: v for k, v in stored.items() if k != "reason"} == {k: v for k, v in entered.items() if k != "reason"}
    assert asdict(read(Brew, stored)) == {**asdict(Brew()), **stored}


@given(ANYTHING)
def test_whatever_is_accepted_is_read_again_and_accepted_again(entered: dict[str, Any]) -> None:
    stored = accepted(Brew, entered)
    if stored is not None:
        assert asdict(read(Brew, stored)) == {**asdict(Brew()), **stored}
        assert check(Brew, stored, PROFILES) == stored


@given(ANYTHING)
def test_a_record_of_any_content_can_be_read_and_nothing_that_does_not_fit_comes_out_of_it(
    stored: dict[str, Any],
) -> None:
    found = {k: v for k, v in asdict(read(Brew, stored)).items() if v is not None}
    assert accepted(Brew, {k: v for k, v in found.items() if k != "profile"}) is not None


@pytest.mark.parametrize("kind", [one.kind for one in registry.STAGES])
@given(data=st.data())
def test_every_stage_reads_what_it_accepts(kind: str, data: st.DataObject) -> None:
    stage = registry.definition(kind)
    assert stage is not None
    entered = data.draw(some_of(stage.settings, tuple(stage.profiles) or ("none",)))
    stored = check(stage.settings, entered, stage.profiles, as_entered=True)
    assert asdict(read(stage.settings, stored)) == {**asdict(stage.settings()), **stored}


@pytest.mark.parametrize(
    ("name", "value", "key", "given_"),
    [
        ("mass", "98", "number", {"mass"}),
        ("mass", True, "number", {"mass"}),
        ("mass", 0, "above_zero", {"mass"}),
        ("mass", -1.0, "above_zero", {"mass"}),
        ("mass", float("nan"), "above_zero", {"mass"}),
        ("mass", float("inf"), "too_large", {"mass"}),
        ("mass", 10**400, "too_large", {"mass"}),
        ("direction", "up", "one_of", {"direction", "in", "out", "up"}),
        ("direction", ["in"], "one_of", {"direction", "in", "out"}),
        ("times", 0, "count", {"times", 1000.0}),
        ("times", 10**400, "count", {"times"}),
        ("times", 2.0, "count", {"times"}),
        ("times", True, "count", {"times"}),
        ("reason", 3, "text", {"reason"}),
        ("profile", "500", "profile", {"500", "gentle", "strict"}),
        ("profile", None, "profile", {"None"}),
        ("gently", 1, "flag", {"gently"}),
        ("colour", "red", "not_of_stage", {"colour", "mass", "direction", "times"}),
    ],
)
def test_what_does_not_fit_is_refused_with_its_name_and_what_would_fit(
    name: str, value: object, key: str, given_: set[Any]
) -> None:
    with pytest.raises(SettingError) as caught:
        check(Brew, {"gently": True, name: value}, PROFILES)
    (why,) = caught.value.why
    assert why.key == f"setting.{key}" and given_ <= values_of(why)


def test_a_stage_without_settings_takes_none_and_says_so() -> None:
    assert check(NoSettings, {}, PROFILES) == {}
    with pytest.raises(SettingError, match=r"^setting\.not_of_stage, setting target$"):
        check(NoSettings, {"target": 3.0}, PROFILES)


def test_a_name_from_outside_cannot_steer_a_terminal() -> None:
    with pytest.raises(SettingError) as caught:
        check(Brew, {"\x1b[31m" + "x" * 200: 1}, PROFILES)
    assert "\x1b" not in str(caught.value) and len(str(caught.value)) < 200


@given(some_of(Brew), st.text().filter(lambda name: name not in {f.name for f in fields(Brew)}), VALUES)
def test_settings_of_a_later_version_are_left_out(stored: dict[str, Any], name: str, value: object) -> None:
    assert read(Brew, {**stored, name: value}) == read(Brew, stored)


def test_a_stored_value_that_does_not_fit_is_left_out_and_costs_no_other() -> None:
    assert read(Brew, {"mass": -3.0, "direction": "sideways", "times": 2}) == Brew(times=2)


def test_a_profile_is_read_by_name_whatever_is_known_of_it_here() -> None:
    """The name may be one of the user's own, which the record carries and this computer may not have."""
    assert read(Brew, {"profile": "of the user"}).profile == "of the user"


def test_text_is_cleaned_and_bounded() -> None:
    stored = check(Brew, {"reason": "seasonal\x1b[2J\n" * 50}, PROFILES)
    assert "\x1b" not in stored["reason"] and "\n" not in stored["reason"] and len(stored["reason"]) == MAX_TEXT


@pytest.mark.parametrize(
    ("stage", "name", "value"),
    [
        (PressureTest, "test_pressure", 150e5),  # bar for psi
        (PressureTest, "test_pressure", 103_000.0),  # psia for psig
        (Evacuation, "target_vacuum", 66_661.0),  # Torr for microns
        (Evacuation, "target_vacuum", 0.5),
    ],
)
def test_a_number_that_is_probably_of_another_unit_is_refused_until_it_is_confirmed(
    stage: type[Any], name: str, value: float
) -> None:
    with pytest.raises(SettingError, match=rf"^setting\.unusual, setting {name}, "):
        check(stage, {name: value}, ())
    assert check(stage, {name: value}, (), as_entered=True) == {name: value}
    usual = {"test_pressure": 2.0e6, "target_vacuum": 40.0}[name]
    assert check(stage, {name: usual}, ()) == {name: usual}
