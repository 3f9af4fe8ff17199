"""The file of kept cylinders: whole or not at all, and every fault told."""

import json
from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.config.cylinders import (
    add_cylinder,
    find_cylinder,
    read_cylinders,
    remove_cylinder,
    write_cylinders,
)
from logger.config.errors import ConfigError, FileProblems
from logger.config.job_file import parse_water_capacity
from logger.cylinder.checks import requalification
from logger.model.cylinder import Cylinder, MonthOnly, marked_date
from logger.model.finding import Verdict
from logger.model.plain import from_plain, plain
from logger.model.text import clean
from logger.model.units import POUND_KG, UnitError
from logger.model.value import day_of

ONE = Cylinder("C-1", 12.5, 21.6, 2.76e6, date(2024, 2, 1), "R-410A", contents_kg=3.2, requalify_years=10.0,
               serial="A-1")  # fmt: skip
TWO = Cylinder('Kälte "2"', 12.0, 20.0, candidates=("R-22", "R-407C"))


def test_what_is_written_is_read(tmp_path: Path) -> None:
    path = tmp_path / "new" / "cylinders.toml"
    assert read_cylinders(path) == ()
    add_cylinder(path, ONE)
    add_cylinder(path, TWO)
    assert read_cylinders(path) == (ONE, TWO)
    assert find_cylinder(path, "c-1") == ONE
    assert [p.name for p in path.parent.iterdir()] == ["cylinders.toml"]  # no half-written file is left


names = st.text(min_size=1, max_size=60).map(lambda text: clean(text, 60)).filter(lambda text: text != "")


@settings(max_examples=100, deadline=None)
@given(names, st.floats(1e-3, 1e4), st.floats(1e-3, 1e4), st.none() | st.floats(1e3, 1e8), st.none() | st.dates())
def test_any_cylinder_survives(
    tmp_path_factory: pytest.TempPathFactory,
    name: str,
    tare: float,
    water: float,
    service: float | None,
    day: date | None,
) -> None:
    path = tmp_path_factory.mktemp("c") / "cylinders.toml"
    cylinder = Cylinder(name, tare, water, service, day, as_stamped=True)
    write_cylinders(path, [cylinder])
    assert read_cylinders(path) == (cylinder,)


def test_a_name_is_kept_once_and_replaced_only_when_asked(tmp_path: Path) -> None:
    path = tmp_path / "cylinders.toml"
    add_cylinder(path, ONE)
    with pytest.raises(ConfigError, match="kept already"):
        add_cylinder(path, replace(ONE, name="c-1", tare_kg=13.0))
    add_cylinder(path, replace(ONE, tare_kg=13.0), replace=True)
    assert [c.tare_kg for c in read_cylinders(path)] == [13.0]


def test_removing(tmp_path: Path) -> None:
    path = tmp_path / "cylinders.toml"
    add_cylinder(path, ONE)
    add_cylinder(path, TWO)
    assert remove_cylinder(path, "C-1") == ONE
    assert read_cylinders(path) == (TWO,)
    with pytest.raises(ConfigError, match="known: Kälte"):
        remove_cylinder(path, "C-1")


def test_a_hand_edited_file_tells_every_fault_with_its_key(tmp_path: Path) -> None:
    path = tmp_path / "cylinders.toml"
    path.write_text(
        '[[cylinder]]\nname = "A"\ntare = "heavy"\nwater_capacity = "47.6psi"\nrefrigerant = "R-41OA"\n'
        '[[cylinder]]\nname = "a"\ntare = "12kg"\nwater_capacity = "20L"\n'
    )
    with pytest.raises(FileProblems) as caught:
        read_cylinders(path)
    keys = [key for key, _ in caught.value.problems]
    assert keys == ["cylinder[1].tare", "cylinder[1].water_capacity", "cylinder[1].refrigerant", "cylinder[2].name"]
    assert "R-410A" in str(caught.value)


def test_what_cannot_be_written_is_told_and_the_old_file_stays(tmp_path: Path) -> None:
    path = tmp_path / "cylinders.toml"
    add_cylinder(path, ONE)
    blocked = path.with_name("file") / "cylinders.toml"
    blocked.parent.write_text("in the way")
    with pytest.raises(ConfigError, match="cannot be written"):
        write_cylinders(blocked, [ONE])
    assert read_cylinders(path) == (ONE,)


def test_water_capacity_is_a_mass_or_a_volume() -> None:
    assert parse_water_capacity("47.6lb") == pytest.approx(47.6 * POUND_KG)
    assert parse_water_capacity("21.6L") == pytest.approx(21.6 * 0.999)
    with pytest.raises(UnitError, match="not a mass"):
        parse_water_capacity("21.6psi")


def test_a_month_stays_a_month(tmp_path: Path) -> None:
    path = tmp_path / "cylinders.toml"
    write_cylinders(path, [Cylinder("C-1", 12.0, 21.0, tested=marked_date("2021-05"))])
    assert 'tested = "2021-05"' in path.read_text()
    (kept,) = read_cylinders(path)
    again = from_plain(Cylinder, json.loads(json.dumps(plain(kept))))
    for cylinder in (kept, again):
        assert isinstance(cylinder.tested, MonthOnly) and str(cylinder.tested) == "2021-05"
    told = requalification(kept, date(2026, 5, 1))
    assert told.verdict is Verdict.PASS
    assert told.inputs[:2] == (day_of("tested", "2021-05"), day_of("due", "2026-05-01"))
    assert told.codes("counted") == ("month_only",)
    overdue = requalification(kept, date(2026, 5, 2))
    assert (overdue.verdict, overdue.inputs[:2]) == (Verdict.FAIL, told.inputs[:2])


@pytest.mark.parametrize("written", ['"2021-13"', '"May 2021"', "2021"])
def test_no_month_is_refused_with_its_key(tmp_path: Path, written: str) -> None:
    path = tmp_path / "cylinders.toml"
    path.write_text(f'[[cylinder]]\nname = "a"\ntare = "12kg"\nwater_capacity = "21kg"\ntested = {written}\n')
    with pytest.raises(FileProblems) as caught:
        read_cylinders(path)
    assert [key for key, _ in caught.value.problems] == ["cylinder[1].tested"]
