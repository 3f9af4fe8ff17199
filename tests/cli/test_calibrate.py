"""`rimelog calibrate` on a real socket: a simulated scale with a zero and a span error is put right."""

from datetime import date
from pathlib import Path

import click
import pytest

from logger.app.calibrating import SteadyReading
from logger.cli.calibrate import _compared
from logger.cli.helpers import say_calibrations
from logger.cli.quantities import ambient_of
from logger.clock import local_day
from logger.config.rig_file import load_rig
from logger.decode.calibration_fit import Standing, standing
from logger.export.report.report_data import InstrumentChannel
from logger.export.report.report_view import _channel
from logger.model.rig import Calibration
from logger.model.units import POUND_KG
from logger.model.value import known
from logger.wording.values import Shown
from sim_device.device import Device
from tests.app.test_device_author import BOARDS
from tests.cli.commandline import CommandLine
from tests.cli.serving import served

ID = b"\x01\x02\x03\x04\x05\x06\x07\x08"


class Scale:
    """Reads true / 1.02 + 0.5 lb."""

    def __init__(self) -> None:
        self.true_kg = 0.0

    def build(self) -> Device:
        (board,) = (b for b in BOARDS if b.name == "scale")
        return Device(board, lambda point, t_s: self.true_kg / 1.02 + 0.5 * POUND_KG, ID)


def _rig(tmp_path: Path, url: str, more: str = "") -> Path:
    path = tmp_path / "rig.toml"
    path.write_text(
        f'[rig]\nname = "r"\n[[device]]\nname = "scale"\nurl = "{url}"\n'
        f'  [[device.channel]]\n  index = 0\n  point = "cylinder_mass"\n{more}'
    )
    return path


def _calibration(path: Path) -> Calibration:
    return load_rig(path).devices[0].channels[0].calibration


@pytest.fixture
def rimelog(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path) -> CommandLine:
    monkeypatch.setenv("RIMELOG_DATA", str(tmp_path / "data"))
    return CommandLine(monkeypatch, capsys)


def test_zero_by_an_empty_scale_with_the_drift_since_the_one_before(rimelog: CommandLine, tmp_path: Path) -> None:
    with served(Scale().build) as url:
        before = '  zero = "0.1lb"\n  span = 1.02\n  u = "0.05lb"\n  calibrated = 2025-03-02\n  certificate = "C-118"\n'
        path = _rig(tmp_path, url, before)
        ran = rimelog(
            "calibrate", "cylinder_mass", path, "--at", "empty", "--by", "the technician", "--seconds", "2", "--yes",
        )  # fmt: skip
    assert ran.status == 0, ran.err
    made = _calibration(path)
    assert made.zero == pytest.approx(0.5 * POUND_KG, abs=0.05 * POUND_KG)
    assert (made.span, made.done, made.certificate, made.by) == (1.02, date(2025, 3, 2), "C-118", "")
    assert (made.zeroed, made.zeroed_by, made.zeroed_against) == (local_day(), "the technician", "empty")
    assert standing(made, local_day()) is Standing.OVERDUE  # a zero renews nothing: the span was not looked at
    assert made.u == pytest.approx(0.05 * POUND_KG)  # one point says nothing of these two
    assert made.earlier_zero == pytest.approx(0.1 * POUND_KG)
    assert "MORE THAN ITS STATED ACCURACY" in ran.out  # 0.4 lb against the board's 0.1 lb


def test_two_masses_give_the_span_and_carry_the_references_uncertainty_on(
    rimelog: CommandLine, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    scale = Scale()
    applied = iter([0.0, 100.0])

    def applies(*_: object, **__: object) -> str:
        scale.true_kg = next(applied) * POUND_KG
        return ""

    monkeypatch.setattr("click.prompt", applies)
    monkeypatch.setattr("click.confirm", lambda *_, **__: True)
    with served(scale.build) as url:
        path = _rig(tmp_path, url)
        ran = rimelog(
            "calibrate", "cylinder_mass", path, "--at", "empty", "--at", "100lb", "--by", "the technician",
            "--reference", "test weight", "--certificate", "C-118", "--reference-u", "0.02lb", "--seconds", "2",
        )  # fmt: skip
    assert ran.status == 0, ran.err
    made = _calibration(path)
    assert made.span == pytest.approx(1.02, abs=0.002)
    assert made.u is not None and 0.02 * POUND_KG < made.u < 0.08 * POUND_KG
    assert (made.reference, made.certificate) == ("test weight", "C-118")
    assert made.done is not None
    assert made.zeroed is None


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("suction_pressure", "--at", "empty"), "has no channel at"),
        (("cylinder_mass", "--at", "ice-bath"), "is no reference for cylinder_mass"),
        (("cylinder_mass", "--at", "7"), "has no unit"),
    ],
)
def test_what_cannot_be_compared_is_refused(
    rimelog: CommandLine, tmp_path: Path, arguments: tuple[str, ...], says: str
) -> None:
    path = _rig(tmp_path, "socket://127.0.0.1:1")
    before = path.read_text()
    ran = rimelog("calibrate", arguments[0], path, *arguments[1:], "--by", "the technician", "--yes")
    assert ran.status != 0
    assert says in ran.err
    assert path.read_text() == before


@pytest.mark.parametrize(
    ("on_it_lb", "at", "says"),
    [
        (28.0, ("empty",), "something is on it"),
        (0.0, ("empty", "100lb"), "as at the point before"),  # Enter twice, and nothing put on
    ],
)
def test_what_was_not_applied_as_it_was_said_is_refused(
    rimelog: CommandLine,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    on_it_lb: float,
    at: tuple[str, ...],
    says: str,
) -> None:
    """--yes reads the first point at once, and waits for Enter before each of the others."""
    asked: list[object] = []
    monkeypatch.setattr("click.prompt", lambda *words, **_: asked.append(words))
    scale = Scale()
    scale.true_kg = on_it_lb * POUND_KG
    with served(scale.build) as url:
        path = _rig(tmp_path, url)
        before = path.read_text()
        points = [word for one in at for word in ("--at", one)]
        ran = rimelog("calibrate", "cylinder_mass", path, *points, "--by", "N.", "--seconds", "2", "--yes")
    assert ran.status == 1
    assert says in ran.err and "Nothing was written" in ran.err
    assert path.read_text() == before
    assert len(asked) == len(at) - 1


def test_the_report_tells_who_when_against_what_and_whether_it_is_overdue() -> None:
    made = Calibration(0.2, 1.0, None, date(2025, 3, 2), "C-118", "the technician", "test weight", 0.1)
    channel = InstrumentChannel(
        0, "Scale", "cylinder_mass", "kg", "direct", 0, 200, 0.05, None, made, known(0.03, "kg")
    )
    row = _channel(channel, Shown("si"), date(2026, 11, 28))[5]
    for said in ("2025-03-02", "by the technician", "against test weight", "certificate C-118", "0.10 kg", "OVERDUE"):
        assert said in row
    assert "OVERDUE" not in _channel(channel, Shown("si"), date(2025, 12, 1))[5]


def test_the_report_tells_of_a_zero_taken_since_and_that_the_span_is_still_due() -> None:
    made = Calibration(
        0.2, 1.0, None, date(2025, 3, 2), "C-118", "the technician", "test weight", 0.1, 365, date(2026, 11, 27),
        "the apprentice", "empty",
    )  # fmt: skip
    channel = InstrumentChannel(
        0, "Scale", "cylinder_mass", "kg", "direct", 0, 200, 0.05, None, made, known(0.03, "kg")
    )
    row = _channel(channel, Shown("si"), date(2026, 11, 28))[5]
    for said in ("certificate C-118", "zero taken 2026-11-27 by the apprentice against empty", "OVERDUE"):
        assert said in row


def test_what_a_job_says_at_its_begin(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    say_calibrations(load_rig(_rig(tmp_path, "socket://127.0.0.1:1")))
    assert "No calibration recorded for any point: `rimelog calibrate`" in capsys.readouterr().out
    say_calibrations(load_rig(_rig(tmp_path, "socket://127.0.0.1:1", "  calibrated = 2020-03-02\n")))
    assert "CALIBRATION OVERDUE: cylinder_mass (2020-03-02)" in capsys.readouterr().out


@pytest.mark.parametrize(("altitude", "barometer", "u_pa"), [("5280ft", None, 1000.0), (None, "29.92inHg", 300.0)])
def test_an_absolute_sensor_open_to_air_is_compared_with_the_barometer_that_was_given(
    altitude: str | None, barometer: str | None, u_pa: float
) -> None:
    read = SteadyReading(85_000.0, 50.0, 20, 0.0, None, gauge=False)
    around = ambient_of(altitude, barometer)
    compared = _compared(read, "open-to-air", around.pressure_pa, None, "suction_pressure", around)
    assert (compared.reading, compared.reference) == (85_000.0, around.pressure_pa)
    assert compared.u_reference == pytest.approx(u_pa)
    with pytest.raises(click.UsageError, match="--altitude"):
        _compared(read, "open-to-air", 101_325.0, None, "suction_pressure", ambient_of(None, None))
