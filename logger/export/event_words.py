"""Each event of a job as words: what it is about, what happened, who acted. For events.csv and the report."""

import json
from collections.abc import Callable
from typing import Any

from logger.alarms.errors import AlarmError
from logger.alarms.memory import AlarmChange
from logger.alarms.text import measured
from logger.model import records as r
from logger.model.finding import Text
from logger.model.points import Quantity
from logger.model.text import clean
from logger.model.units import NS_PER_S
from logger.stages import registry
from logger.wording.values import Shown, duration

Words = tuple[str, str, str]  # about, text, by
_SHOWN_APART = {"type", "t_ns", "operator", "author"}
_LONGEST = 600
_MASS = Quantity.MASS


def words(event: dict[str, Any], shown: Shown) -> Words:
    """Harmless for any event: one that cannot be read as its type says comes as its bare fields."""
    by = clean(str(event.get("operator") or event.get("author") or ""), 80)
    teller = _TELLERS.get(event["type"])
    if teller is not None:
        try:
            about, text = teller(event, shown)
            return clean(about, 80), clean(text, _LONGEST), by
        except (KeyError, TypeError, ValueError, AttributeError, OverflowError, AlarmError):
            pass
    return "", clean(_fields(event), _LONGEST), by


def _fields(event: dict[str, Any]) -> str:
    rest = {key: value for key, value in event.items() if key not in _SHOWN_APART}
    return json.dumps(rest, ensure_ascii=False, sort_keys=True) if rest else ""


def _job(event: dict[str, Any], shown: Shown) -> tuple[str, str]:
    job = event["job"]
    return str(job["job_id"]), f"{job['refrigerant']}, full charge {shown.number(job.get('full_charge_kg'), _MASS)}"


def _run(event: dict[str, Any], shown: Shown) -> tuple[str, str]:
    parts = [str(event["software"]), f"Python {event['python']}" if event.get("python") else "", event.get("system")]
    speed = event.get("speed", 1)
    parts.append(f"simulated, {speed:g} times faster than real time" if speed != 1 else "")
    return "", "recording begun: " + ", ".join(str(part) for part in parts if part)


def _stage(event: dict[str, Any]) -> str:
    kind = event.get("kind")
    return f"stage {event['number']}" + (f" {registry.label(kind).lower()}" if kind else "")


def _stage_begun(event: dict[str, Any], shown: Shown) -> tuple[str, str]:
    settings = event.get("settings") or {}
    listed = ", ".join(f"{key} {value:g}" if isinstance(value, float) else f"{key} {value}" for key, value in
                       sorted(settings.items()))  # fmt: skip
    return _stage(event), f"begun{f' (settings in SI: {listed})' if listed else ''}"


def _alarm(event: dict[str, Any], shown: Shown) -> tuple[str, str]:
    change = AlarmChange.from_dict(event)
    text = f"{change.event}: now {change.to_state}{measured(change, shown.system, shown.ambient_pa)}"
    parts = [text, change.cause, change.reason, "first of the outbreak" if change.first_out else ""]
    return change.label, "; ".join(part for part in parts if part)


def _hello(event: dict[str, Any], shown: Shown) -> tuple[str, str]:
    parts = [str(event["device"]), event.get("firmware"), f"at {event['url']}" if event.get("url") else ""]
    return str(event.get("name") or event["device"]), "answers: " + ", ".join(str(part) for part in parts if part)


def _cylinder(event: dict[str, Any], shown: Shown) -> tuple[str, str]:
    cylinder = event["cylinder"]
    reading = event.get("reading_kg")
    text = f"on the scale; tare {shown.number(cylinder['tare_kg'], _MASS)}"
    return str(cylinder["name"]), text + (f", scale {shown.number(reading, _MASS)}" if reading else "")


def _gap(event: dict[str, Any], shown: Shown) -> tuple[str, str]:
    begin, end = event.get("from_ns"), event.get("to_ns", event["t_ns"])
    text = f"no trusted data: {event['cause']}"
    if event.get("frames"):
        text += f", {event['frames']} frames"
    if begin is not None:
        lasted = duration((end - begin) / NS_PER_S)
        text += f"; {shown.time(begin)} to {shown.time(end)} {shown.zone} ({lasted})"
    return str(event.get("device") or ""), text


def _finding(event: dict[str, Any], shown: Shown) -> tuple[str, str]:
    said = event.get("said") or event["finding"]
    text = Text(said["headline"], said["body"] if "body" in said else said["text"])
    return f"stage {event['stage']}", text.line


def _clock(event: dict[str, Any], shown: Shown) -> tuple[str, str]:
    fit = event.get("fit")
    if fit is None:
        return "", str(event["cause"])
    ppm, error_s = 1e6 * fit["drift"], fit["error_ns"] / NS_PER_S
    return str(event["device"]), (
        f"its clock runs {abs(ppm):,.0f} ppm {'slow' if ppm > 0 else 'fast'} of its stated rate, which is allowed for; "
        f"times of its readings are right within {f'{error_s:.2g} s' if error_s < 10 else duration(error_s)}"
    )


def _permit(event: dict[str, Any], shown: Shown) -> tuple[str, str]:
    parts = [f"contact {event['act']}" if event["act"] in ("closed", "opened") else str(event["act"])]
    if "guard_kg" in event:
        parts.append(f"its device opens by itself at {shown.number(event['guard_kg'], _MASS)} on the scale")
    parts.append(str(event.get("reason") or ""))
    return str(event["hold"]), "; ".join(part for part in parts if part)


_TELLERS: dict[str, Callable[[dict[str, Any], Shown], tuple[str, str]]] = {
    r.JOB_OPENED: _job,
    r.RUN_BEGUN: _run,
    r.RUN_ENDED: lambda e, s: ("", "recording ended"),
    r.RIG_LOADED: lambda e, s: (str(e["rig"]["name"]), f"{len(e['rig']['devices'])} devices"),
    r.DEVICE_HELLO: _hello,
    r.DEVICE_LOST: lambda e, s: (str(e.get("name") or e["device"]), str(e.get("reason") or "device lost")),
    r.STAGE_BEGUN: _stage_begun,
    r.STAGE_ENDED: lambda e, s: (_stage(e), "ended"),
    r.MARK: lambda e, s: (str(e["act"]), str(e.get("text") or e["act"].replace("-", " "))),
    r.NOTE: lambda e, s: ("", str(e["text"])),
    r.ALARM: _alarm,
    r.CYLINDER_ON_SCALE: _cylinder,
    r.FINDING: _finding,
    r.GAP: _gap,
    r.CLOCK: _clock,
    r.KEEP_AWAKE: lambda e, s: ("", str(e["text"])),
    r.PERMIT: _permit,
    r.SETTING: lambda e, s: (str(e["key"]), f"set to {e['value']} (SI)"),
    r.JOB_CLOSED: lambda e, s: ("", "closed"),
}
