"""What is in a cylinder by jobs and by what was entered of where it went; what does not fit is asked about."""

import json
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from logger.config.cylinders import FILE_NAME, add_cylinder
from logger.model.cylinder import Cylinder
from logger.register import RegisterError
from logger.register.cylinders_now import with_contents
from logger.register.cylinders_sent import FILE_NAME as SENT
from logger.register.cylinders_sent import Sent, add_sent, read_sent, undo_last
from logger.register.register import asked, mend, rebuild
from tests.cli.commandline import CommandLine
from tests.register.shop import store, weighing

B = Cylinder("B", 12.5, 21.6, 2.76e6, date(2024, 2, 1), "R-410A", serial="4711")
POUND = 0.45359237


@pytest.fixture
def data(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("RIMELOG_DATA", str(tmp_path))
    return tmp_path


@pytest.fixture
def rimelog(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> CommandLine:
    return CommandLine(monkeypatch, capsys)


def movements(data: Path, id_: str = "b") -> list[tuple[Any, ...]]:
    sql = "SELECT date, kind, round(mass_kg, 3), to_kind FROM movements WHERE cylinder_id = ? ORDER BY n"
    return asked(lambda c: [tuple(row) for row in c.execute(sql, (id_,))], data)


def inside(data: Path, id_: str = "b") -> Any:
    sql = "SELECT contents_kg FROM cylinders WHERE id = ?"
    return asked(lambda c: c.execute(sql, (id_,)).fetchone()[0], data)


def test_its_life_is_what_jobs_weighed_and_what_was_sent(data: Path, rimelog: CommandLine) -> None:
    store(data, weighing("2025-03-01", "recovery", B, 12.5, 17.5))
    store(data, weighing("2025-03-05", "recovery", B, 17.52, 20.52))
    assert inside(data) == pytest.approx(8.02)
    ran = rimelog("cylinder", "out", "b", "--to", "reclaimer", "--who", "Reclaim Co", "--paper", "77", "--units", "si")
    assert ran.status == 0 and "B: 8.02 kg R-410A to reclaimer (Reclaim Co)" in ran.out and "paper 77" in ran.out
    assert inside(data) == 0.0
    assert [row[1:] for row in movements(data)] == [
        ("recovered", 5.0, "cylinder"), ("recovered", 3.0, "cylinder"), ("sent", 8.02, "reclaimer"),
    ]  # fmt: skip
    rows = json.loads(rimelog("cylinder", "life", "B", "--json").out)
    assert [row["inside"] for row in rows] == pytest.approx([5.0, 8.0, 0.0], abs=0.03)
    shown = rimelog("cylinder", "life", "B").out
    assert max(map(len, shown.splitlines())) <= 80 and "2025-03-01" in shown.splitlines()[-1]
    before = movements(data)
    rebuild(data)
    assert movements(data) == before
    assert "taken back" in rimelog("cylinder", "out", "B", "--undo").out
    assert inside(data) == pytest.approx(8.02)
    assert rimelog("cylinder", "out", "B", "--undo").status == 2


def test_a_weight_that_does_not_fit_is_a_difference_until_it_is_entered(data: Path) -> None:
    store(data, weighing("2025-03-01", "recovery", B, 12.5, 22.5))
    store(data, weighing("2025-03-09", "recovery", B, 14.5, 15.5))
    assert [row[:3] for row in movements(data)][1] == ("2025-03-09", "difference", 8.0)
    add_sent(data, Sent(0, 1_741_176_000_000_000_000, "2025-03-05", "B", "reclaimer", mass_kg=8.0))
    assert [row[1] for row in movements(data)] == ["recovered", "sent", "recovered"]
    assert inside(data) == pytest.approx(3.0)


def test_closing_the_job_asks_where_it_went(data: Path, rimelog: CommandLine) -> None:
    store(data, weighing("2025-03-01", "recovery", B, 12.5, 22.5))
    store(data, weighing("2025-03-09", "recovery", B, 14.5, 15.5))
    asked_back = rimelog("close", "2025-03-09-01")
    assert asked_back.status == 0 and "rimelog cylinder out B" in asked_back.out and "17.6 lb" in asked_back.out
    assert "rimelog cylinder out" not in rimelog("close", "2025-03-01-01").out


def test_two_refrigerants_in_one_are_a_mixture_until_it_is_emptied(data: Path, rimelog: CommandLine) -> None:
    add_cylinder(data / FILE_NAME, B)
    store(data, weighing("2025-03-01", "recovery", B, 12.5, 17.5))
    store(data, weighing("2025-03-05", "recovery", B, 17.5, 18.5, "R-22"))
    (listed,) = json.loads(rimelog("cylinder", "list", "--json").out)
    assert listed["mixture"] == "R-410A + R-22" and listed["candidates"] == ["R-410A", "R-22"]
    assert listed["inside"]["value"] == pytest.approx(6.0 / POUND) and listed["on_list"]
    assert listed["room_left"]["si"] == pytest.approx(listed["max_net"]["si"] - 6.0)
    text = rimelog("cylinder", "list").out
    assert "MIXTURE" in text and "last weight 40.8 lb on 2025-03-05" in text
    assert max(map(len, text.splitlines())) <= 100
    rimelog("cylinder", "out", "B", "--to", "destruction", "--paper", "1")
    assert json.loads(rimelog("cylinder", "list", "--json").out)[0]["mixture"] is None


def test_names_and_serial_numbers(data: Path, rimelog: CommandLine) -> None:
    other = Cylinder("b", 12.0, 21.6, refrigerant="R-410A", serial="99")
    store(data, weighing("2025-03-01", "recovery", B, 12.5, 17.5))
    store(data, weighing("2025-03-02", "recovery", other, 12.0, 13.0))
    assert (inside(data, "b #4711"), inside(data, "b #99")) == (pytest.approx(5.0), pytest.approx(1.0))
    sample = weighing("2025-03-03", "recovery", B, 17.5, 19.5, invented=True)
    store(data, sample)
    assert inside(data, "b #4711") == pytest.approx(5.0) and inside(data, "sample: b") == pytest.approx(7.0)
    assert {one["name"] for one in json.loads(rimelog("cylinder", "list", "--json").out)} == {"b", "B"}


def test_charging_takes_out_what_the_supply_had(data: Path) -> None:
    supply = Cylinder("new 410A", 10.0, 20.0, refrigerant="R-410A", contents_kg=11.3)
    store(data, weighing("2025-03-01", "charging", supply, 21.3, 18.3))
    assert [row[1:3] for row in movements(data, "new 410a")] == [("opening", 11.3), ("charged", 3.0)]
    assert inside(data, "new 410a") == pytest.approx(8.3)


def test_a_new_job_knows_what_is_in_a_kept_one(data: Path) -> None:
    assert with_contents([B], data) == (B,)
    store(data, weighing("2025-03-01", "recovery", B, 12.5, 17.5))
    assert with_contents([B], data) == (B,)  # it does not wait for the register
    mend(data)
    assert with_contents([B], data)[0].contents_kg == pytest.approx(5.0)


def test_nothing_is_guessed_and_nothing_impossible_entered(data: Path, rimelog: CommandLine) -> None:
    add_cylinder(data / FILE_NAME, B)
    for words in (
        ("B", "--to", "reclaimer"), ("nobody", "--to", "reuse"), ("B",), ("B", "--to", "reuse", "--mass", "0lb"),
        ("B", "--to", "reuse", "--mass", "5lb", "--date", "2999-01-01"),
    ):  # fmt: skip
        assert rimelog("cylinder", "out", *words).status == 2, words
    assert not (data / SENT).exists()
    assert rimelog("cylinder", "out", "B", "--to", "reuse", "--mass", "5lb").status == 0


def test_what_was_entered_outlives_a_cut_of_power(data: Path) -> None:
    add_sent(data, Sent(0, 1, "2025-03-05", "B", "reuse", mass_kg=1.0))
    with (data / SENT).open("ab") as file:
        file.write(b'{"n": 2, "t_ns"')
    assert len(read_sent(data)) == 1
    assert add_sent(data, Sent(0, 2, "2025-03-06", "B", "reuse", mass_kg=2.0)).n == 2
    assert [sent.mass_kg for sent in read_sent(data)] == [1.0, 2.0]
    undo_last(data, "b", 3)
    assert [sent.mass_kg for sent in read_sent(data)] == [1.0]
    (data / SENT).write_bytes(b"{}\n")
    with pytest.raises(RegisterError, match="line 1 cannot be read"):
        read_sent(data)
