"""The steps of `rimelog rig new`: look, choose what belongs to the rig, go through its channels, see the file."""

from pathlib import Path

from firmware_protocol.messages import Describe
from logger.app.rig_listening import Listener, ObservedDevice
from logger.cli.rig_wizard.modbus_steps import modbus_instrument
from logger.cli.rig_wizard.questions import (
    Back,
    Zeroing,
    ask,
    ask_point,
    choose,
    heading,
    name_problem,
    needed,
    say,
    shown,
    yes,
)
from logger.cli.rig_wizard.text_steps import text_instrument
from logger.clock import local_day
from logger.config.rig_draft import ChannelDraft, DeviceDraft, RigDraft, Value, rig_toml
from logger.decode.channel import measured_name
from logger.link import connect
from logger.link.discovery import Found, find
from logger.model.points import POINTS
from logger.model.text import clean

ANSWER_S = 15.0  # for descriptions and first readings of a device that has just answered
READINGS_S = 2.5


class Guide:
    """One run of questions; `run` gives the file's text."""

    def __init__(self, listener: Listener) -> None:
        self._listener = listener
        self._zeroing = Zeroing(listener)
        self._draft = RigDraft()

    def run(self, out: Path, urls: tuple[str, ...], no_ports: bool, radio: bool, seconds: float) -> str | None:
        """None when the person wants no file."""
        say("A rig file by question and answer. Enter takes what is in [brackets].")
        if out.exists() and not yes(f"{out} is there already. Replace it at the end?"):
            return None
        draft = self._draft
        draft.name = ask("What do you call this rig?", "Service trolley", problem=needed)
        say(f"Looking for devices ({seconds:.0f} s; opening a port may restart the board behind it) ...")
        found = self._listener.ask(find(seconds, urls, ports=() if no_ports else None, radio=radio))
        for each in self._choose(found):
            self._device(each.url, each.device_id, each.kind, each.name)
        self._more([each.url for each in found if each.problem is not None])
        if not draft.devices:
            say("No device was added.")
            return None
        text = rig_toml(draft, f"Made by `rimelog rig new` on {local_day().isoformat()}.")
        self._sum_up()
        return text if yes(f"Write {out}?", True) else None

    # -- what answers --------------------------------------------------------------------------------------------

    def _choose(self, found: list[Found]) -> list[Found]:
        usable = [each for each in found if each.problem is None]
        heading("what answers")
        for i, each in enumerate(usable, 1):
            signal = "" if each.rssi_dbm is None else f"  signal {each.rssi_dbm} dBm"
            say(f"{i:>4}  {clean(each.url, 40)}  {clean(each.name or each.kind or 'device', 30)}{signal}")
        for each in found:
            if each.problem is not None:
                say(f"   -  {clean(each.url, 40)}  {clean(each.problem.removeprefix(each.url + ': '), 34)}")
        if not usable:
            say("Nothing answers by the device protocol.")
            return []

        def problem(text: str) -> str | None:
            return None if _numbers(text, len(usable)) is not None else f"Numbers from 1 to {len(usable)}, all or none."

        picked = ask("Which belong to this rig? Numbers, all or none", "all", problem=problem)
        return [usable[i] for i in _numbers(picked, len(usable)) or []]

    def _more(self, silent: list[str]) -> None:
        """What does not answer by itself: added by hand."""
        options = ["Device by its url", "Text instrument (scale, gauge)", "Modbus transmitter", "Nothing more"]
        while True:
            heading("add something that was not found")
            at = choose("Which?", options, 3)
            if at == 3:
                return
            if at == 0:
                self._device(ask("Its url, such as socket://192.168.1.40:5001 or COM3", problem=needed), None, "", "")
                continue
            add = text_instrument if at == 1 else modbus_instrument
            device = add(self._listener, self._draft, self._zeroing, [u for u in silent if u not in self._draft.urls])
            if device is not None:
                self._draft.devices.append(device)

    # -- a device that describes itself --------------------------------------------------------------------------

    def _device(self, url: str, device_id: bytes | None, kind: str, called: str) -> None:
        """called: its name in the air, "" when it has none."""
        heading(f"{kind or 'device'} at {url}")
        if url in self._draft.urls:
            say("This url is in the rig already.")
            return
        observed = self._listener.observe(lambda take: connect.to_device(url, device_id, take))
        try:
            if not self._listener.wait(ANSWER_S, lambda: observed.problem is None and bool(observed.describes)):
                say(f"It is not heard: {clean(observed.problem or 'it does not describe its channels', 100)}")
                return
            self._listener.wait(READINGS_S, lambda: all(observed.newest(d.index) for d in observed.describes))
            self._draft.devices.append(self._channels(url, device_id, kind, called, observed))
        finally:
            self._listener.stop(observed)

    def _channels(
        self, url: str, device_id: bytes | None, kind: str, called: str, observed: ObservedDevice
    ) -> DeviceDraft:
        found_id = device_id if observed.hello is None else observed.hello.device_id
        name = ask("Name for it", self._free_name(called or kind.split(" ")[0]), problem=name_problem(self._draft))
        keys: dict[str, Value] = {"name": name, "url": url}
        if found_id is not None:
            keys["id"] = found_id.hex()
        device = DeviceDraft(keys, (), kind)
        self._table(observed)
        steps = [device]  # before each channel
        while len(steps) <= len(observed.describes):
            describe, device = observed.describes[len(steps) - 1], steps[-1]
            try:
                channel = self._channel(describe, observed, self._draft.points | device.points, back=len(steps) > 1)
            except Back:
                steps.pop()
                continue
            steps.append(device if channel is None else device.with_channel(channel))
        return steps[-1]

    def _table(self, observed: ObservedDevice) -> None:
        say("  ch  label                             says now")
        for describe in observed.describes:
            reading = shown(describe, observed.newest(describe.index))
            say(f"  {describe.index:>2}  {clean(describe.label, 32) or '-':<32}  {reading}")

    def _channel(
        self, describe: Describe, observed: ObservedDevice, taken: set[str], *, back: bool
    ) -> ChannelDraft | None:
        """None when it is not used. Raises Back."""
        index = describe.index
        label = clean(describe.label, 32)
        point = ask_point(
            f'Channel {index} "{label}"', describe, label, taken, lambda: observed.newest(index), back=back
        )
        if point is None:
            return None
        zero = self._zeroing.ask(
            describe, lambda since_s: [r.number for r in observed.readings(index, since_s) if r.number is not None]
        )
        return ChannelDraft({"index": index, "point": point.name, **zero}, _remark(describe))

    # -- names and the end ---------------------------------------------------------------------------------------

    def _free_name(self, wished: str) -> str:
        base = clean(wished, 40).strip() or "device"
        names = [base, *(f"{base} {i}" for i in range(2, 99))]
        return next(name for name in names if name not in self._draft.names)

    def _sum_up(self) -> None:
        heading("the rig")
        for device in self._draft.devices:
            say(f"{clean(str(device.keys['name']), 60)}: {clean(str(device.keys['url']), 60)}")
            for channel in device.channels:
                zero = f", zero {channel.keys['zero']}" if "zero" in channel.keys else ""
                say(f"    {POINTS[str(channel.keys['point'])].label}{zero}")
            if not device.channels:
                say("    no channel in use")


def _numbers(text: str, most: int) -> list[int] | None:
    """Places chosen by "1 3", "1,3", all or none; None for anything else."""
    if text.lower() in ("all", "none"):
        return list(range(most)) if text.lower() == "all" else []
    words = text.replace(",", " ").split()
    if not words or not all(w.isascii() and w.isdigit() and 1 <= int(w) <= most for w in words):
        return None
    return sorted({int(word) - 1 for word in words})


def _remark(describe: Describe) -> str:
    parts = [f'"{describe.label}"' if describe.label else "", f"{measured_name(describe.quantity)} in {describe.unit}"]
    if describe.accuracy is not None or describe.accuracy_of_reading is not None:
        limit = f"{describe.accuracy or 0:g} {describe.unit}"
        share = f" and {100 * describe.accuracy_of_reading:g} % of reading" if describe.accuracy_of_reading else ""
        parts.append(f"within {limit}{share}")
    parts.append(f"every {describe.period_ms / 1000:g} s")
    return ", ".join(part for part in parts if part)
