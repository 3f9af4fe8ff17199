"""The job file."""

from dataclasses import fields
from datetime import date

import pytest

from logger.config.errors import FileProblems
from logger.config.job_file import ReportTable, parse_job
from logger.model.job import Job

GOOD = """
[job]
refrigerant = "r407c"
full_charge = "220lb"
volume = "180L"
recovery_machine_made = 2019-05-01

[[cylinder]]
name = "C-1"
tare = "55lb"
water_capacity = "123lb"
service_pressure = "400psi"
tested = 2024-02-01
refrigerant = "407C"
"""


def test_units_and_names() -> None:
    setup = parse_job(GOOD, "2026-11-25-01")
    job, (cylinder,) = setup.job, setup.cylinders
    assert job.refrigerant == cylinder.refrigerant == "R-407C"
    assert job.full_charge_kg == pytest.approx(220 * 0.45359237)
    assert job.volume_m3 == pytest.approx(0.18)
    assert job.recovery_machine_made == date(2019, 5, 1)
    assert cylinder.service_pressure_pa == pytest.approx(400 * 6894.757293)


def test_every_fault_of_meaning_is_told() -> None:
    bad = GOOD.replace("r407c", "R-4070").replace("220lb", "-1lb").replace("55lb", "55").replace("400psi", "400F")
    bad += '[[cylinder]]\nname = "C-1"\ntare = "1kg"\nwater_capacity = "2kg"\n'
    with pytest.raises(FileProblems) as caught:
        parse_job(bad, "j")
    keys = {key for key, _ in caught.value.problems}
    assert keys == {"job.refrigerant", "job.full_charge", "cylinder[1].tare", "cylinder[1].service_pressure",
                    "cylinder[2].name"}  # fmt: skip


@pytest.mark.parametrize(
    ("was", "is_", "key"),
    [
        ('"55lb"', '"1e9lb"', "tare"),
        ('"123lb"', '"1e400lb"', "water_capacity"),
        ('"400psi"', '"0psi"', "service_pressure"),
        ('"407C"', '"407C"\ncontents = "-2lb"', "contents"),
        ('"407C"', '"407C"\ncandidates = ["R-22"]', "candidates"),
    ],
)
def test_a_cylinder_that_cannot_be_is_refused(was: str, is_: str, key: str) -> None:
    with pytest.raises(FileProblems) as caught:
        parse_job(GOOD.replace(was, is_), "j")
    assert [key for key, _ in caught.value.problems] == [f"cylinder[1].{key}"]


@pytest.mark.parametrize("line", ['altitude = "90000ft"', 'barometer = "1psia"', 'volume_u = "-5L"'])
def test_a_place_that_is_not_on_earth_is_refused_and_not_taken_for_sea_level(line: str) -> None:
    with pytest.raises(FileProblems, match=line.split()[0]):
        parse_job(GOOD.replace("[job]", f"[job]\n{line}"), "j")


@pytest.mark.parametrize(
    ("was", "is_", "key"),
    [
        ('"123lb"', '"123kg"', "cylinder[1].water_capacity"),
        ('"123lb"', '"1230lb"', "cylinder[1].water_capacity"),
        ('"55lb"', '"55kg"', "cylinder[1].tare"),
        ('"400psi"', '"400bar"', "cylinder[1].service_pressure"),
        ('"400psi"', '"400psia"', "cylinder[1].service_pressure"),
        ('"180L"', '"180m3"', "job.volume"),
        ('"180L"', '"18L"', "job.volume"),
    ],
)
def test_a_slip_that_would_permit_more_is_refused_until_it_is_confirmed(was: str, is_: str, key: str) -> None:
    slipped = GOOD.replace(was, is_)
    with pytest.raises(FileProblems) as caught:
        parse_job(slipped, "j")
    assert [key for key, _ in caught.value.problems] == [key]
    if "psia" in is_:
        return  # not a question of how much
    confirmed = slipped.replace("[job]", "[job]\nas_entered = true").replace("name =", "as_stamped = true\nname =")
    assert parse_job(confirmed, "j").cylinders[0].as_stamped


def test_what_the_report_prints_has_a_section_of_its_own() -> None:
    text = '[job]\nrefrigerant = "R-407C"\n[report]\nwork_order = "WO-7"\ncompany = ["One", "Two"]\n'
    job = parse_job(text, "j").job
    assert (job.work_order, job.company, job.vacuum_pump) == ("WO-7", ("One", "Two"), "")
    with pytest.raises(FileProblems, match=r"report\.certification.*it is in \[job\] too"):
        parse_job(text.replace("[report]", 'certification = "1"\n[report]\ncertification = "2"'), "j")


def test_every_field_of_that_section_is_one_of_the_job() -> None:
    assert set(ReportTable.model_fields) <= {field.name for field in fields(Job)}
