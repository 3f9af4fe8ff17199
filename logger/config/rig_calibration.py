"""Writing a calibration into a rig file: the lines of its channel, and no other line or comment is touched."""

import re
from typing import Final

from logger.config.rig_file import parse_rig
from logger.model.points import POINTS
from logger.model.rig import Calibration, Rig
from logger.model.toml_text import quoted
from logger.model.units import user_unit

_KEYS: Final = (
    "zero", "span", "u", "calibrated", "calibrated_by", "reference", "certificate", "due_days", "earlier_zero",
    "zeroed", "zeroed_by", "zeroed_against",
)  # fmt: skip
_KEY: Final = re.compile(rf"^\s*({'|'.join(_KEYS)})\s*=")
_HEAD: Final = re.compile(r"^\s*\[")
_CHANNEL: Final = re.compile(r"^\s*\[\[\s*device\.channel\s*\]\]")
_POINT: Final = re.compile(r"""^(\s*)point\s*=\s*["']([^"']*)["']""")


def with_calibration(rig: Rig, point: str, calibration: Calibration, units: str) -> str:
    """The rig file's text with this calibration of the channel at `point`. Raises FileProblems where the outcome is no
    rig file, ValueError where the channel's lines are not found."""
    lines, place = rig.text.splitlines(), None
    for at, line in enumerate(lines):
        if _CHANNEL.match(line):
            begin, end = at, next((i for i in range(at + 1, len(lines)) if _HEAD.match(lines[i])), len(lines))
            if any((m := _POINT.match(one)) and m[2] == point for one in lines[begin:end]):
                place = begin, end
                break
    if place is None:
        raise ValueError(f'no [[device.channel]] with point = "{point}" is in the rig file as lines of its own')
    begin, end = place
    body = [line for line in lines[begin:end] if not _KEY.match(line)]
    at = next(i for i, line in enumerate(body) if _POINT.match(line))
    found = _POINT.match(body[at])
    assert found is not None
    body[at + 1 : at + 1] = [found[1] + line for line in _written(point, calibration, units)]
    text = "\n".join([*lines[:begin], *body, *lines[end:]]) + "\n"
    parse_rig(text)
    return text


def _written(point: str, calibration: Calibration, units: str) -> list[str]:
    unit = user_unit(POINTS[point].quantity.difference, units)

    def amount(number: float) -> str:
        return f'"{number / unit.factor:.8g}{unit.name}"'

    out = [f"zero = {amount(calibration.zero)}", f"span = {calibration.span:.8g}"]
    if calibration.u is not None:
        out.append(f"u = {amount(calibration.u)}")
    if calibration.done is not None:
        out.append(f"calibrated = {calibration.done.isoformat()}")
    for key, text in (
        ("calibrated_by", calibration.by), ("reference", calibration.reference),
        ("certificate", calibration.certificate),
    ):  # fmt: skip
        if text:
            out.append(f"{key} = {quoted(text)}")
    if calibration.due_days != Calibration().due_days:
        out.append(f"due_days = {calibration.due_days}")
    if calibration.earlier_zero is not None:
        out.append(f"earlier_zero = {amount(calibration.earlier_zero)}")
    if calibration.zeroed is not None:
        out.append(f"zeroed = {calibration.zeroed.isoformat()}")
    for key, text in (("zeroed_by", calibration.zeroed_by), ("zeroed_against", calibration.zeroed_against)):
        if text:
            out.append(f"{key} = {quoted(text)}")
    return out
