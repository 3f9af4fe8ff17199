"""The faults that a device reports of itself (firmware_protocol/SPEC.md section 7.5, status key 11), in words."""

from typing import Final

from firmware_protocol.codes import Fault

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
PAST: Final = Fault.WATCHDOG_RESET  # says how it started, and stays until it starts again: shown, no alarm


def fault_text(faults: int) -> str:
    """All of them, comma-separated; bits that this version does not know by their number. "" for none."""
    known = [words for bit, words in _WORDS.items() if faults & bit]
    later = [f"fault bit {n}" for n in range(len(_WORDS), 32) if faults >> n & 1]
    return ", ".join(known + later)
