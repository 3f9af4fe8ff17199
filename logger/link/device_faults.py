"""What a device reports of itself that is wrong, in words: its faults (firmware_protocol/SPEC.md section 7.5, status
key 11), and an output that is closed by itself."""

from collections.abc import Collection
from typing import Final

from firmware_protocol.codes import DeviceState, Fault, OutputState
from firmware_protocol.messages import Status

_WORDS: Final = {
    Fault.SUPPLY_LOW: "supply voltage low",
    Fault.CONVERTER: "converter or sensor bus does not answer",
    Fault.REFERENCE: "reference or excitation voltage out of tolerance",
    Fault.MEMORY: "memory fault",
    Fault.CLOCK: "clock fault",
    Fault.OUTPUT: "output does not follow its command",
    Fault.OVER_TEMPERATURE: "over temperature",
    Fault.WATCHDOG_RESET: "last start forced by its watchdog",
}
PAST: Final = int(Fault.WATCHDOG_RESET)  # says how it started, and stays until it starts again: shown, no alarm


def fault_text(faults: int) -> str:
    """All of them, comma-separated; bits that this version does not know by their number. "" for none."""
    known = [words for bit, words in _WORDS.items() if faults & bit]
    later = [f"fault bit {n}" for n in range(len(_WORDS), 32) if faults >> n & 1]
    return ", ".join(known + later)


def unheld_text(status: Status, held: Collection[int] = ()) -> str | None:
    """An output that its device says is closed although nothing can hold it (section 8): it does not stream, or no time
    is left of a permit. held: outputs that this host gives permits for; those are watched by whoever does."""
    for index, (state, _, left_ms) in enumerate(status.outputs):
        unheld = status.state == DeviceState.IDLE or (left_ms == 0 and index not in held)
        if state == OutputState.CLOSED and unheld:
            return f"its output {index} is closed though nothing holds it"
    return None
