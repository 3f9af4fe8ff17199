"""Each event of a job as words: what it is about, what happened, who acted. For events.csv and the report."""

from logger.alarms.words import measured
from logger.model.codec import details_of, operator_of
from logger.model.events import (
    AlarmChanged,
    ClockFit,
    ClockNoted,
    Corrected,
    CylinderOnScale,
    DeviceHello,
    DeviceLost,
    Event,
    FindingConcluded,
    GapNoted,
    JobAmended,
    JobClosed,
    JobOpened,
    KeepAwakeNoted,
    Marked,
    NoteWritten,
    PermitChanged,
    ProposalAnswered,
    Proposed,
    RigLoaded,
    RunBegun,
    RunEnded,
    SettingChanged,
    StageBegun,
    StageEnded,
)
from logger.model.points import Quantity
from logger.model.text import clean
from logger.model.units import NS_PER_S
from logger.pipeline.correction_words import correction_text
from logger.stages import registry
from logger.wording.values import Shown, duration

Words = tuple[str, str, str]  # about, text, by
_MAX_TEXT = 600
ANSWERS = {"yes": "confirmed", "no": "not so", "entered": "entered by hand", "late": "not answered"}
_MASS = Quantity.MASS


def words(event: Event, shown: Shown) -> Words:
    """Harmless for any event: one that cannot be put in words comes as its bare fields."""
    by = clean(operator_of(event), 80)
    try:
        about, text = _about_and_text(event, shown)
    except (ValueError, OverflowError):  # a stage of a later version, a time that no calendar has
        about, text = "", details_of(event)
    return clean(about, 80), clean(text, _MAX_TEXT), by


def _about_and_text(event: Event, shown: Shown) -> tuple[str, str]:
    match event:
        case JobOpened(job=job):
            return job.job_id, f"{job.refrigerant}, full charge {shown.number(job.full_charge_kg, _MASS)}"
        case RunBegun():
            return "", _run(event)
        case RunEnded():
            return "", "recording ended"
        case RigLoaded(rig=rig):
            return rig.name, f"{len(rig.devices)} devices"
        case DeviceHello():
            parts = [event.device, event.firmware, f"at {event.url}" if event.url else ""]
            return event.name or event.device, "answers: " + ", ".join(filter(None, parts))
        case DeviceLost():
            return event.name or event.device, event.reason or "device lost"
        case StageBegun():
            return f"stage {event.number} {registry.label(event.kind).lower()}", _begun(event)
        case StageEnded():
            return f"stage {event.number}", "ended"
        case Marked():
            return event.act, event.text or event.act.replace("-", " ")  # of events.csv, as it always was
        case NoteWritten():
            return "", event.text
        case Proposed():
            return (
                f"proposal {event.n}",
                f"noticed: {event.said.removesuffix('?')}, as of {shown.clock(event.as_of_ns)[:5]}",
            )
        case ProposalAnswered():
            return f"proposal {event.n}", ANSWERS.get(event.answer, event.answer)
        case AlarmChanged():
            number = measured(event, shown)
            text = f"{event.event}: now {event.to_state}{f': {number}' if number else ''}"
            parts = [text, event.cause, event.reason, "first of the outbreak" if event.first_out else ""]
            return event.label or event.key, "; ".join(filter(None, parts))
        case CylinderOnScale(cylinder=cylinder, reading_kg=reading):
            text = f"on the scale; tare {shown.number(cylinder.tare_kg, _MASS)}"
            return cylinder.name, text + (f", scale {shown.number(reading, _MASS)}" if reading else "")
        case FindingConcluded():
            after = f"after {event.after.replace(':', ' ')}: " if event.after else ""
            return f"stage {event.stage}", after + event.words.line
        case GapNoted():
            return event.device or "", _gap(event, shown)
        case ClockNoted(fit=ClockFit() as fit):
            return event.device or "", _fit(fit)
        case ClockNoted(cause=str(cause)):
            return event.device or "", cause
        case KeepAwakeNoted():
            return "", event.text
        case PermitChanged():
            return event.hold, _permit(event, shown)
        case SettingChanged():
            return event.key, f"set to {event.value} (SI)"
        case Corrected():
            about, text = correction_text(event, shown)
            return f"correction {event.n}: {about}", text
        case JobAmended():
            return "", f"amended after it was closed with {event.prior_count:,} records"
        case JobClosed():
            return "", "closed"
    return "", details_of(event)


def _run(event: RunBegun) -> str:
    faster = f"simulated, {event.speed:g} times faster than real time" if event.speed != 1 else ""
    parts = [event.software, f"Python {event.python}" if event.python else "", event.system, faster]
    return "recording begun: " + ", ".join(filter(None, parts))


def _begun(event: StageBegun) -> str:
    listed = ", ".join(f"{key} {value:g}" if isinstance(value, float) else f"{key} {value}" for key, value in
                       sorted(event.settings.items()))  # fmt: skip
    return f"begun{f' (settings in SI: {listed})' if listed else ''}"


def _gap(event: GapNoted, shown: Shown) -> str:
    begin, end = event.from_ns, event.t_ns if event.to_ns is None else event.to_ns
    text = f"no trusted data: {event.cause or 'cause not stated'}"
    if event.frames:
        text += f", {event.frames} frames"
    if begin is not None:
        lasted = duration((end - begin) / NS_PER_S)
        text += f"; {shown.time(begin)} to {shown.time(end)} {shown.zone} ({lasted})"
    return text


def _fit(fit: ClockFit) -> str:
    ppm = 1e6 * fit.drift
    runs = (
        f"its clock runs {abs(ppm):,.0f} ppm {'slow' if ppm > 0 else 'fast'} of its stated rate, which is allowed for"
    )
    return f"{runs}; {clock_error(fit)}"


def clock_error(fit: ClockFit) -> str:
    error_s = fit.error_ns / NS_PER_S
    return f"times of its readings are right within {f'{error_s:.2g} s' if error_s < 10 else duration(error_s)}"


def _permit(event: PermitChanged, shown: Shown) -> str:
    parts = [f"contact {event.act}" if event.act in ("closed", "opened") else event.act]
    if event.guard_kg is not None:
        parts.append(f"its device opens it at {shown.number(event.guard_kg, _MASS)} on the scale")
    return "; ".join(filter(None, [*parts, event.reason]))
