"""`rimelog calibrate`: a measuring point read beside a reference, and what comes of it written into the rig file."""

import asyncio
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from logger.cli.quantities import ambient_of, ambient_options

if TYPE_CHECKING:
    from logger.app.calibrating import SteadyReading
    from logger.decode.calibration_fit import CalibrationFit, CalibrationPoint
    from logger.model.rig import Calibration

FILE = click.Path(exists=True, dir_okay=False, path_type=Path)
GUIDES = {
    "ice-bath": "Crushed ice of clean water, just covered with water, stirred; sensor in the middle, wait 3 minutes.",
    "open-to-air": "Take the pressure off safely, then open the sensor to the air. Never vent refrigerant.",
    "empty": "Take everything off the scale.",
}
UNMOVED = 0.1  # of the step of the reference: a reading that moved less was read before the step was made
ICE_BATH_K = 273.15
ICE_BATH_U_K = 0.05  # a well made one, common practice


@click.command()
@click.argument("point")
@click.argument("rig_file", metavar="RIG.toml", type=FILE)
@click.option(
    "--at",
    "wanted",
    multiple=True,
    metavar="VALUE",
    help="ice-bath, open-to-air, empty, or what the reference shows, such as 20lb. Repeat for more points.",
)
@click.option("--by", required=True, help="Who calibrates.")
@click.option("--reference", default="", help='Against what, such as "test gauge 7".')
@click.option("--certificate", default="", help="Number of the reference's certificate.")
@click.option("--reference-u", metavar="VALUE", help="The reference's standard uncertainty (k=1), such as 0.1psi.")
@click.option("--due-days", type=click.IntRange(1, 3660), default=365, show_default=True, help="Due again after.")
@click.option("--seconds", type=click.FloatRange(2, 600), default=10.0, show_default=True, help="Averaged per point.")
@click.option("--units", type=click.Choice(["us", "si"]), default="us", show_default=True, help="Units of the answer.")
@click.option("--yes", is_flag=True, help="The first point is applied: read it, and write without asking.")
@ambient_options
def calibrate(
    point: str, rig_file: Path, wanted: tuple[str, ...], by: str, reference: str, certificate: str,
    reference_u: str | None, due_days: int, seconds: float, units: str, yes: bool, altitude: str | None,
    barometer: str | None,
) -> int:  # fmt: skip
    """Calibrate a measuring POINT of RIG.toml: compare it with a reference, show what is left, write it down.

    One point corrects the zero alone: span, calibration date and certificate stay as they were, and what was due is
    still due. Two or more correct both and renew the date. Without --at it asks for one point after another. No job may
    be using the device. Work on pressure as local codes and your license ask.
    """

    from logger.app.calibrating import read_steady
    from logger.cli.job_options import refuse_devices_in_use
    from logger.clock import local_day
    from logger.config.rig_calibration import with_calibration
    from logger.config.rig_draft import write_rig
    from logger.config.rig_file import load_rig
    from logger.decode.calibration_fit import CalibrationError, fit_calibration
    from logger.model.rig import Calibration

    rig = load_rig(rig_file)
    before = next((c.calibration for d in rig.devices for c in d.channels if c.point == point), None)
    if before is None:
        known = ", ".join(c.point for d in rig.devices for c in d.channels)
        raise click.UsageError(f"{rig_file} has no channel at {point!r}; it has: {known}")
    refuse_devices_in_use(rig, None)
    ambient = ambient_of(altitude, barometer)
    compared: list[CalibrationPoint] = []
    reads: list[SteadyReading] = []
    said_points: list[str] = []
    for said in wanted or _asked(point):
        said_points.append(said)
        reference_si = _reference(said, point, ambient.pressure_pa)
        click.echo(f"{said}: {GUIDES.get(said, 'Apply it, and wait until the reference is steady.')}")
        if not yes or reads or not wanted:  # what comes after the first has to be applied by somebody
            click.prompt("Press Enter when it is steady", default="", show_default=False)
        try:
            read = asyncio.run(read_steady(rig, point, seconds))
        except TimeoutError as exc:
            raise click.ClickException(f"no steady reading of {point}: {exc}") from exc
        compared.append(_compared(read, said, reference_si, reference_u, point, ambient))
        _refuse_unlike(read, said, compared, point, units)
        reads.append(read)
        _say_read(read, compared[-1], point, units)
    try:
        fit = fit_calibration(compared, before.span)
    except CalibrationError as exc:
        raise click.ClickException(f"{exc}. Nothing was written: calibrate again") from exc
    earlier = before.zero if before.done or before.zeroed else None
    if len(compared) == 1:
        paper = [reference or said_points[0], f"certificate {certificate}" if certificate else ""]
        against = ", ".join(part for part in paper if part)
        made = replace(
            before, zero=fit.zero, earlier_zero=earlier, zeroed=local_day(), zeroed_by=by, zeroed_against=against
        )
    else:
        made = Calibration(fit.zero, fit.span, fit.u, local_day(), certificate, by, reference, earlier, due_days)
    _say_fit(fit, compared, made, reads[-1].accuracy, point, units)
    text = with_calibration(rig, point, made, units)
    moved = any(one.moving for one in reads)
    if yes and moved:
        raise click.ClickException("it was not steady: nothing was written. Calibrate again, or leave out --yes")
    if not yes and not click.confirm(f"Write this into {rig_file}?", default=not moved):
        click.echo("Nothing was written.")
        return 1
    write_rig(rig_file, text)
    click.echo(f"{rig_file} is written; the next job uses it.")
    return 0


def _asked(point: str) -> Any:
    """Points as a person names them, until Enter alone."""
    while True:
        said = click.prompt(
            f"{point}: what does the reference show (ice-bath, open-to-air, empty, or such as 20lb; Enter: done)",
            default="", show_default=False,
        )  # fmt: skip
        if not said:
            return
        yield said


def _reference(said: str, point: str, ambient_pa: float) -> float:
    """What the reference says, SI, pressures absolute. Raises UsageError, UnitError."""
    from logger.model.points import POINTS, Quantity
    from logger.model.units import parse_quantity

    quantity = POINTS[point].quantity
    fits = {"ice-bath": Quantity.TEMPERATURE, "open-to-air": Quantity.PRESSURE, "empty": Quantity.MASS}
    if said not in fits:
        return parse_quantity(said, quantity, ambient_pa)
    if quantity is not fits[said]:
        raise click.UsageError(f"{said} is no reference for {point}, which measures {quantity.value}")
    return {"ice-bath": ICE_BATH_K, "open-to-air": ambient_pa, "empty": 0.0}[said]


def _compared(
    read: "SteadyReading", said: str, reference: float, reference_u: str | None, point: str, ambient: Any
) -> "CalibrationPoint":
    from logger.decode.calibration_fit import CalibrationPoint
    from logger.model.points import POINTS
    from logger.model.units import parse_quantity
    from logger.physics.ambient import AmbientSource

    if said == "open-to-air" and not read.gauge and ambient.source is AmbientSource.ASSUMED:
        raise click.UsageError("open to the air an absolute sensor shows the barometer: give --barometer or --altitude")
    u = {"ice-bath": ICE_BATH_U_K, "open-to-air": 0.0 if read.gauge else ambient.u_pa, "empty": 0.0}.get(said)
    if reference_u is not None and said not in ("open-to-air", "empty"):
        u = parse_quantity(reference_u, POINTS[point].quantity.difference)
    return CalibrationPoint(read.mean, read.u, reference - (ambient.pressure_pa if read.gauge else 0.0), u)


def _refuse_unlike(
    read: "SteadyReading", said: str, compared: "list[CalibrationPoint]", point: str, units: str
) -> None:
    """What was not applied as it was said: no zero at nothing, or the reading of the point before."""
    shows = _show(read.mean, point, units)
    if said in ("empty", "open-to-air") and read.no_zero:
        what = "something is on it" if said == "empty" else "it is not open to air"
        raise click.ClickException(
            f"{said}: it shows {shows}, more than a zero drifts: {what}, or it needs repair. Nothing was written"
        )
    if len(compared) > 1:
        last, now = compared[-2:]
        if abs(now.reading - last.reading) < UNMOVED * abs(now.reference - last.reference):
            raise click.ClickException(
                f"{said}: it still shows {shows}, as at the point before: apply {said} first. Nothing was written"
            )


def _show(number: float, point: str, units: str) -> str:
    """A difference."""
    from logger.model.points import POINTS
    from logger.wording.values import Shown

    return Shown(units).spread(number, POINTS[point].quantity)


def _say_read(read: "SteadyReading", compared: "CalibrationPoint", point: str, units: str) -> None:
    off = _show(compared.reading - compared.reference, point, units)
    click.echo(f"  {off} off the reference, mean of {read.count} readings, ± {_show(2 * read.u, point, units)}")
    if read.moving:
        click.echo(f"  still moving by {_show(read.moving, point, units)}: wait longer and calibrate again")


def _say_fit(
    fit: "CalibrationFit", compared: "list[CalibrationPoint]", made: "Calibration", accuracy: float | None, point: str,
    units: str,
) -> None:  # fmt: skip
    from logger.decode.calibration_fit import zero_drift

    click.echo(f"zero {_show(fit.zero, point, units)}, span {fit.span:.6g}")
    for at, left in enumerate(fit.residuals, 1):
        click.echo(f"  left at point {at}: {_show(left, point, units)}")
    if fit.u is not None:
        click.echo(f"  standard uncertainty {_show(fit.u, point, units)} (k=1)")
    elif len(compared) == 1:
        stays = f"of {made.done.isoformat()} " if made.done else ""
        click.echo(
            f"  one point: the zero alone. Span and uncertainty {stays}stay, and so does the date of calibration"
        )
    else:
        click.echo("  give --reference-u to carry the reference's uncertainty on")
    drift = zero_drift(made)
    if drift is not None:
        click.echo(f"  zero moved by {_show(drift, point, units)} since the calibration before")
        if accuracy is not None and abs(drift) > accuracy:
            click.echo(f"  MORE THAN ITS STATED ACCURACY of {_show(accuracy, point, units)}: check the sensor")
