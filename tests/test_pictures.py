"""The pictures of README and docs are of today's layout, and show themselves without a network."""

import re

import pytest

from logger.model.points import POINTS
from tests.circuits import DRAWINGS, with_tables
from tests.circuits import PAGE as BUILD_PAGE
from tests.hook_ups import HOOK_UPS
from tests.pictures import (
    FOLDER,
    PAGE,
    RECORD,
    SCREEN,
    WORDS,
    first_page,
    page_text,
    page_words,
    pictured,
    screen,
    screen_text,
    text_in,
)
from tests.unchanged import read_records

AGAIN = "python -m tests.pictures"


def test_the_screen_and_the_page_say_what_they_say_today() -> None:
    state, rows = pictured(read_records(RECORD))
    assert WORDS.read_text(encoding="utf-8") == page_words(state), AGAIN
    lines = screen(state, rows)
    assert "SAMPLE DATA" in screen_text(lines) and "CYLINDER FULL SOON" in screen_text(lines)
    assert text_in(SCREEN) == screen_text(lines), AGAIN


def test_the_first_page_says_what_it_says_today() -> None:
    """But for the digest of the readings, which rounding may change."""
    now, drawn = (
        re.sub(r"SHA-256 \w+", "", text) for text in (page_text(first_page(read_records(RECORD))), text_in(PAGE))
    )
    assert "SAMPLE DATA, NOT A REAL JOB" in now and "Page 1 of 1" in now
    assert drawn.split() == now.split(), AGAIN


def test_the_tables_of_the_makers_page_are_as_they_are_computed_today() -> None:
    page = BUILD_PAGE.read_text(encoding="utf-8")
    assert page == with_tables(page), "python -m tests.circuits"
    assert page.count("<!-- table") == 8


def test_hook_ups_and_circuits_are_as_they_are_drawn_today() -> None:
    for name, sheet in (HOOK_UPS | DRAWINGS).items():
        assert (FOLDER / f"{name}.svg").read_text(encoding="utf-8") == sheet().svg(), AGAIN


@pytest.mark.parametrize(
    ("name", "points"),
    [
        ("recovery", ["system_pressure", "recovery_inlet_pressure", "recovery_inlet_temperature",
                      "recovery_outlet_pressure", "cylinder_pressure", "cylinder_temperature", "cylinder_mass"]),
        ("nitrogen", ["system_pressure", "system_temperature", "ambient_temperature"]),
        ("evacuation", ["vacuum", "system_temperature"]),
        ("charging", ["cylinder_mass", "discharge_pressure", "discharge_temperature", "liquid_pressure",
                      "liquid_temperature", "suction_pressure", "suction_temperature"]),
    ],
)  # fmt: skip
def test_a_sensor_is_called_in_a_drawing_what_the_wizard_calls_it(name: str, points: list[str]) -> None:
    drawn = HOOK_UPS[f"hook-up-{name}"]().svg()
    assert [one for one in points if POINTS[one].label.casefold() not in drawn] == []


def test_no_picture_asks_for_anything_from_elsewhere() -> None:
    pictures = sorted(FOLDER.glob("*.svg"))
    assert len(pictures) == 2 + len(HOOK_UPS) + len(DRAWINGS)
    for picture in pictures:
        text = picture.read_text(encoding="utf-8")
        assert "@font-face" not in text and "<script" not in text and "<image" not in text, picture.name
        addresses = set(re.findall(r"https?://[^\s\"'<)]+", text))
        assert all(address.startswith("http://www.w3.org/") for address in addresses), picture.name
