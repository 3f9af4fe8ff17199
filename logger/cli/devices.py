"""Commands about devices: what answers, and whether a rig works."""

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from logger.cli.rig_wizard.command import rig_new

if TYPE_CHECKING:
    from logger.app.rig_check import DeviceCheck, PointCheck, RigCheck
    from logger.link.discovery import Found

FILE = click.Path(exists=True, dir_okay=False, path_type=Path)


@click.command()
@click.argument("urls", nargs=-1, metavar="[URL]...")
@click.option("--ble", "radio", is_flag=True, help="Look for Bluetooth devices too.")
@click.option("--seconds", type=click.FloatRange(0.5, 60), default=6.0, show_default=True, help="Wait for answers.")
@click.option("--json", "as_json", is_flag=True, help="Machine-readable output.")
def find(urls: tuple[str, ...], radio: bool, seconds: float, as_json: bool) -> int:
    """List what answers: on every serial port, or at the URLs named.

    URL: a port's name, socket://host:port, ble://ADDRESS. Opening a serial port may restart the board behind it.
    Bluetooth sensors of a standard are listed without being connected.
    """
    import asyncio

    from logger.link.discovery import find as find_devices

    ports = () if urls else None
    found = asyncio.run(find_devices(seconds, urls, ports=ports, radio=radio))
    if as_json:
        click.echo(json.dumps([_found_data(each) for each in found], indent=1))
    else:
        _say_found(found, radio)
    return 0 if any(each.device_id is not None for each in found) else 1


@click.group()
def rig() -> None:
    """Write or check a rig file."""


rig.add_command(rig_new)


@rig.command(short_help="Connect each device, print each reading.")
@click.argument("rig_file", metavar="RIG.toml", type=FILE)
@click.option("--seconds", type=click.FloatRange(1, 120), help="How long to wait for readings; by default 20.")
@click.option("--units", type=click.Choice(["us", "si"]), default="us", show_default=True, help="Units of the answer.")
@click.option("--json", "as_json", is_flag=True, help="Machine-readable output: SI, and your units.")
def check(rig_file: Path, seconds: float | None, units: str, as_json: bool) -> int:
    """Check RIG.toml: read the file, connect each device, take a reading of each point, explain what is wrong.

    Nothing is stored. A job that is running holds its devices: check before it, or stop it. Status 0: all is well.
    """
    import asyncio

    from logger.app.rig_check import CHECK_S, check_rig
    from logger.config.rig_file import load_rig

    loaded = load_rig(rig_file)
    if not as_json:
        count = len(loaded.devices)
        click.echo(f"{loaded.name}: the file is in order, {count} device{'s' if count > 1 else ''}; connecting ...")
    checked = asyncio.run(check_rig(loaded, CHECK_S if seconds is None else seconds))
    if as_json:
        click.echo(json.dumps(_check_data(checked, units), indent=1))
    else:
        _say_check(checked, units)
    return 0 if checked.all_well else 1


# -- find ------------------------------------------------------------------------------------------------------


def _found_data(found: "Found") -> dict[str, Any]:
    return {
        "url": found.url,
        "id": None if found.device_id is None else found.device_id.hex(),
        "name": found.name,
        "kind": found.kind,
        "channels": None if found.hello is None else found.hello.channels,
        "rssi_dbm": found.rssi_dbm,
        "problem": found.problem,
    }


def _say_found(found: "list[Found]", radio: bool) -> None:
    from logger.model.text import clean

    for each in found:
        parts = [f'"{each.name}"' if each.name else "", each.kind]
        if each.hello is not None:
            parts.append(f"{each.hello.channels} channel{'' if each.hello.channels == 1 else 's'}")
        if each.rssi_dbm is not None:
            parts.append(f"signal {each.rssi_dbm} dBm")
        if each.problem is not None:
            parts.append(clean(each.problem.removeprefix(f"{each.url}: ")))
        identity = "no device" if each.device_id is None else each.device_id.hex()
        click.echo(f"{clean(each.url):<28} {identity:<16}  {', '.join(filter(None, parts))}")
    if not found:
        click.echo("No serial port has a device behind it" + (", and nothing is in radio range." if radio else "."))
        click.echo("Is it plugged in and switched on?" + ("" if radio else " `rimelog find --ble` looks by radio too."))


# -- rig check -------------------------------------------------------------------------------------------------


def _check_data(checked: "RigCheck", units: str) -> dict[str, Any]:
    from logger.app.rig_check import advice
    from logger.cli.quantities import as_data

    def point_data(found: "PointCheck") -> dict[str, Any]:
        data = as_data(found.value, found.point.quantity, units, checked.ambient_pa)
        return {
            "point": found.point.name, "channel": found.index, "sensor": found.sensor, **data,
            "as_expected": found.as_expected, "advice": None if found.as_expected else advice(found.value.problem),
        }  # fmt: skip

    return {
        "all_well": checked.all_well,
        "devices": [
            {
                "name": device.name, "url": device.url, "id": device.device_id, "firmware": device.firmware,
                "state": device.state, "problem": device.problem, "trouble": device.trouble,
                "advice": device.advice,
                "points": [point_data(point) for point in device.points], "unused_channels": list(device.unused),
            }
            for device in checked.devices
        ],
    }  # fmt: skip


def _say_check(checked: "RigCheck", units: str) -> None:
    from logger.wording.numbers import in_one

    for device in checked.devices:
        _say_device(device, checked, units)
    if checked.ambient_note and any(point.value.note for point in checked.points):
        click.echo(f"Gauge pressures: {in_one(checked.ambient_note, units)}.")
    points = list(checked.points)
    read = sum(point.value.number is not None for point in points)
    lost = sum(device.problem is not None or device.trouble is not None for device in checked.devices)
    trouble = f"; {lost} of {len(checked.devices)} devices in trouble" if lost else ""
    click.echo(f"{read} of {len(points)} points have a reading{trouble}.")


def _say_device(device: "DeviceCheck", checked: "RigCheck", units: str) -> None:
    from logger.app.rig_check import advice
    from logger.cli.quantities import shown

    where = f" at {device.url}" if device.url else ""
    known = ", ".join(filter(None, (f"id {device.device_id}" if device.device_id else "", device.firmware)))
    click.echo(f"{device.name}{where}: {device.state}" + (f" ({known})" if known else ""))
    _say_advice(device.advice)
    for point in device.points:
        text = shown(point.value, point.point.quantity, units, checked.ambient_pa)
        sensor = f"channel {point.index}" + (f", {point.sensor}" if point.sensor else "")
        click.echo(f"  {point.point.label:<24} {sensor:<28} {text}")
        if point.as_expected:
            click.echo("      normal for a vacuum gauge at atmosphere")
        elif device.problem is None:
            _say_advice(advice(point.value.problem))
    if device.unused:
        click.echo(f"  not used: channel {', '.join(device.unused)}")


def _say_advice(what: str | None) -> None:
    if what is not None:
        click.echo(f"      -> {what}")
