"""`rimelog rig new`: what must be said of a channel that does not describe itself: point, step, range, accuracy."""

from collections.abc import Callable
from dataclasses import replace

from logger.app.rig_listening import Listener, ObservedDevice, Reading
from logger.cli.rig_wizard.questions import Zeroing, ask, ask_point, say, shown, yes
from logger.config.errors import FileProblems
from logger.config.rig_draft import ChannelDraft, DeviceDraft, RigDraft, Value, read_again, rig_toml
from logger.config.rig_draft_points import fitting
from logger.decode.channel import Raw
from logger.decode.instrument_model import model_of
from logger.decode.stated import describe
from logger.model.errors import ComputeError
from logger.model.instrument import Stated
from logger.model.rig import RigChannel, RigDevice
from logger.model.units import UnitError, find_unit, parse_quantity

_STEP = {"psig": "psi", "psia": "psi", "barg": "bar", "kPag": "kPa", "inHgabs": "inHg"}
READINGS_S = 3.0


def ask_stated(
    device: DeviceDraft, field: dict[str, Value], unit_name: str, step: str, draft: RigDraft, zeroing: Zeroing,
    observed: ObservedDevice, listener: Listener,
) -> ChannelDraft | None:  # fmt: skip
    """field: keys that say where the reading is. step: likely smallest step in the unit, "" when not known.

    None when the channel is not used, or does not give what the person expects.
    """
    unit = find_unit(unit_name)
    plate = describe(RigChannel(0, "", stated=Stated(unit_name, 1.0)), "", 3.0)
    label = str(device.keys["name"])
    if not fitting(plate):
        say(f"No measuring point is measured in {unit_name}.")
        return None
    taken = draft.points | device.points
    point = ask_point(f"{label} in {unit_name}", plate, label, taken)
    if point is None:
        return None
    written = _STEP.get(unit_name, unit_name)
    quantity = unit.quantity.difference

    def extent(text: str) -> str | None:
        return typed_problem(lambda: parse_quantity(_with(text, written), quantity)) if text else None

    def needed(text: str) -> str | None:
        return extent(text) if text else "Something is needed here: without it nobody knows what a change means."

    division = ask(f"Smallest step it shows, in {written}", step, problem=needed)
    keys: dict[str, Value] = {"point": point.name, **field, "division": _with(division, written)}

    def end_problem(text: str) -> str | None:
        return typed_problem(lambda: parse_quantity(_with(text, unit_name), unit.quantity)) if text else None

    ends = [
        ask(f"{end} end of its range, in {unit_name} (Enter: not known)", problem=end_problem)
        for end in ("Low", "High")
    ]
    if all(ends):
        keys["range"] = [_with(end, unit_name) for end in ends]
    accuracy = ask(f"Its accuracy, plus or minus in {written} (Enter: not known)", problem=extent)
    if accuracy:
        keys["accuracy"] = _with(accuracy, written)
    remark = "accuracy not known: no uncertainty is stated for it" if not accuracy else ""
    channel = ChannelDraft(keys, remark)
    try:
        entry = entry_of(device.with_channel(channel))
    except FileProblems as exc:
        for key, what in exc.problems:
            say(f"  {key}: {what}")
        return None
    numbers_since, now = _live(entry, observed)
    listener.wait(READINGS_S, lambda: now() is not None)
    described = model_of(entry).described[-1]
    if not yes(f"It reads {shown(described, now())}. Is that right?", True):
        return None
    return replace(channel, keys={**keys, **zeroing.ask(described, numbers_since)})


def entry_of(device: DeviceDraft) -> RigDevice:
    """The device as the rig file will give it. Raises FileProblems."""
    return read_again(rig_toml(RigDraft("", [device]))).devices[0]


def typed_problem(convert: Callable[[], object]) -> str | None:
    """What is wrong with something typed."""
    try:
        convert()
    except (UnitError, ComputeError, ValueError) as exc:
        return str(exc)
    return None


def _live(
    entry: RigDevice, observed: ObservedDevice
) -> tuple[Callable[[float], list[float]], Callable[[], Reading | None]]:
    """Readings of the entry's last channel, from what its instrument says."""
    model, wanted = model_of(entry), entry.channels[-1].index

    def said(since_s: float) -> list[tuple[float, Raw]]:
        found = [(at_s, model.take(raw)) for at_s, raw in observed.raws(since_s)]
        return [(at_s, raw) for at_s, one in found if one for index, raw in one.readings or () if index == wanted]

    def numbers_since(since_s: float) -> list[float]:
        return [raw for _, raw in said(since_s) if isinstance(raw, (int, float))]

    def now() -> Reading | None:
        found = said(0.0)
        if not found:
            return None
        at_s, raw = found[-1]
        return Reading(at_s, raw) if isinstance(raw, (int, float)) else Reading(at_s, None, str(raw))

    return numbers_since, now


def _with(text: str, unit: str) -> str:
    """The quantity as typed, with the unit where none was typed."""
    return text + unit if text and text[-1].isdigit() else text
