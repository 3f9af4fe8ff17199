"""A rig that is being put together, and the commented rig file made of it.

Numbers with their units are kept as they will stand in the file; `parse_rig` reads the result.
"""

from dataclasses import dataclass, field, replace
from datetime import date
from pathlib import Path

from logger.config.errors import ConfigError
from logger.config.private_files import write_private
from logger.config.rig_file import parse_rig
from logger.model.rig import Rig
from logger.model.text import clean
from logger.model.toml_text import quoted

HEAD = """\
# Rig file of rimelog: which devices are used together, and what each channel means. `rimelog rig check` explains it.
#
# zero = "0.4psi"    what the channel shows at nothing (gauge pressures open to air, scale empty); it is subtracted
# span = 1.003       factor on the reading, from a calibration
# u = "0.5psi"       standard uncertainty after that calibration, with calibrated = 2026-03-02, certificate = "C-118"
"""
Value = str | int | float | date | list[str] | dict[str, str]


@dataclass(frozen=True, slots=True)
class ChannelDraft:
    """keys: as they will stand in the file, in order. remark: what the device says of the channel."""

    keys: dict[str, Value]
    remark: str = ""


@dataclass(frozen=True, slots=True)
class DeviceDraft:
    keys: dict[str, Value]
    channels: tuple[ChannelDraft, ...] = ()
    remark: str = ""

    @property
    def points(self) -> set[str]:
        return {str(channel.keys["point"]) for channel in self.channels}

    def with_channel(self, channel: ChannelDraft) -> "DeviceDraft":
        return replace(self, channels=(*self.channels, channel))


@dataclass(slots=True)
class RigDraft:
    name: str = "rig"
    devices: list[DeviceDraft] = field(default_factory=list)

    @property
    def points(self) -> set[str]:
        """Measuring points that are taken."""
        return {point for device in self.devices for point in device.points}

    @property
    def names(self) -> set[str]:
        return {str(d.keys["name"]) for d in self.devices}

    @property
    def urls(self) -> set[str]:
        return {str(d.keys.get("url", "")) for d in self.devices}


def rig_toml(draft: RigDraft, made: str = "") -> str:
    """The file's text. made: a line that says when and how. Raises FileProblems where it could not be read again."""
    lines = [HEAD + (f"#\n# {_remark(made)}\n" if made else "") + "\n[rig]", f"name = {_toml(draft.name)}"]
    for device in draft.devices:
        lines += ["", "[[device]]"]
        if device.remark:
            lines.append(f"# {_remark(device.remark)}")
        lines += [f"{key} = {_toml(value)}" for key, value in device.keys.items()]
        for channel in device.channels:
            lines += ["", "  [[device.channel]]"]
            if channel.remark:
                lines.append(f"  # {_remark(channel.remark)}")
            lines += [f"  {key} = {_toml(value)}" for key, value in channel.keys.items()]
    text = "\n".join(lines) + "\n"
    read_again(text)
    return text


def read_again(text: str) -> Rig:
    """Raises FileProblems when what was written is no rig file."""
    return parse_rig(text, "the new rig file")


def write_rig(path: Path, text: str) -> None:
    """Whole or not at all. Raises ConfigError when the disk or the permissions do not allow it."""
    try:
        write_private(path, text)
    except OSError as exc:
        raise ConfigError(f"{path}: cannot be written: {exc.strerror}") from exc


def _toml(value: Value) -> str:
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{quoted(k)} = {_toml(v)}" for k, v in value.items()) + " }"
    if isinstance(value, list):
        return "[" + ", ".join(_toml(each) for each in value) + "]"
    if isinstance(value, str):
        # A pattern is easier to read without doubled backslashes.
        plain = "\\" in value and "'" not in value and value.isprintable()
        return f"'{value}'" if plain else quoted(value)
    return value.isoformat() if isinstance(value, date) else repr(value)


def _remark(text: str) -> str:
    return clean(text, 110)
