"""Questions on a plain terminal: the answer is typed, Enter takes what stands in brackets."""

import textwrap
import time
from collections.abc import Callable, Mapping, Sequence
from datetime import date

import click

from firmware_protocol.messages import Describe
from logger.app.rig_listening import Listener, Reading
from logger.cli.job_options import user_settings
from logger.clock import local_day
from logger.config.rig_draft import RigDraft
from logger.config.rig_draft_points import (
    can_be_zeroed,
    fitting,
    near_zero,
    not_zero,
    suggest,
    unit_of,
    written,
    zero_of,
)
from logger.decode.channel import measured_name
from logger.model.points import MeasuringPoint, Quantity
from logger.model.text import clean
from logger.model.units import PSI_PA, show, to_si
from logger.model.value import known

WIDTH = 79
OBSERVE_S = 3.0  # how long a zero is looked at
CAUTION = (
    "Zero a pressure only while its port is open to air, after the pressure was\n"
    "recovered or let off as local codes and licensed practice ask. Open nothing\n"
    "that is under pressure."
)


def say(text: str = "") -> None:
    """Lines of at most WIDTH columns; what goes on is indented further."""
    for line in text.splitlines() or [""]:
        indent = " " * (len(line) - len(line.lstrip()) + 2)
        long = len(line) > WIDTH
        click.echo(textwrap.fill(line, WIDTH, subsequent_indent=indent, break_long_words=False) if long else line)


def heading(text: str) -> None:
    click.echo(f"\n--- {clean(text, WIDTH - 6)} ".ljust(WIDTH, "-"))


def ask(question: str, default: str = "", *, problem: Callable[[str], str | None] = lambda text: None) -> str:
    """A line of text; asked again while `problem` says what is wrong with it. "" where nothing is needed."""
    while True:
        answer: str = click.prompt(question, default=default, show_default=bool(default)).strip()
        wrong = problem(answer)
        if wrong is None:
            return answer
        say(f"  {wrong}")


def needed(text: str) -> str | None:
    return None if text else "Something is needed here."


def name_problem(draft: RigDraft) -> Callable[[str], str | None]:
    """Checks a device's name: there is one, and no other device has it."""

    def problem(text: str) -> str | None:
        if not 1 <= len(text) <= 60:
            return "A name has 1 to 60 characters."
        return f"{text!r} is in the rig already." if text in draft.names else None

    return problem


def yes(question: str, default: bool = False) -> bool:
    return click.confirm(question, default=default)


def whole(low: int, high: int) -> Callable[[str], str | None]:
    """Checks a whole number."""

    def problem(text: str) -> str | None:
        fits = text.isascii() and text.isdigit() and low <= int(text) <= high
        return None if fits else f"A whole number from {low} to {high} is needed."

    return problem


class Back(Exception):
    """The question before is to be asked again."""


def choose(
    question: str, options: Sequence[str], default: int | None = 0, *, none: str = "", letters: Mapping[str, str] = {}
) -> int:
    """Place of the option chosen by its number; -1 for `none` (0); -2, -3 for the first, the second of `letters`."""
    column = max((len(option) for option in options), default=0) + 8
    per_line = max(1, WIDTH // column)
    rows = -(-len(options) // per_line)
    for row in range(rows):
        cells = [f"{i + 1:>4}  {options[i]}".ljust(column) for i in range(row, len(options), rows)]
        say("".join(cells).rstrip())
    if none:
        say(f"   0  {none}")

    def problem(text: str) -> str | None:
        return None if text.lower() in letters else whole(0 if none else 1, len(options))(text)

    mark = "" if default is None else str(default + 1)
    extra = ", ".join(f"{letter}: {what}" for letter, what in letters.items())
    answer = ask(question + (f" ({extra})" if extra else ""), mark, problem=problem).lower()
    return -2 - list(letters).index(answer) if answer in letters else int(answer) - 1


def shown(describe: Describe, reading: Reading | None) -> str:
    """ "118.2 psig", or why there is no number; a temperature, a mass, an absolute pressure in the user's units."""
    if reading is None:
        return "no reading yet"
    if reading.number is None:
        return f"no reading: {clean(reading.problem or '', 50)}"
    unit = unit_of(describe.unit)
    name = clean(describe.unit, 16) if unit is None else unit.name
    name = "psi" if describe.unit == "[psi]" else name
    if "gauge" in measured_name(describe.quantity):
        name += "g" if name in ("psi", "bar") else " gauge"
    elif unit is not None and unit.quantity in (Quantity.TEMPERATURE, Quantity.MASS):
        return show(known(to_si(reading.number, unit), ""), unit.quantity, user_settings().units)
    elif unit is not None and unit.quantity is Quantity.PRESSURE and user_settings().units == "us":
        return f"{to_si(reading.number, unit) / PSI_PA:.2f} psia"
    return f"{reading.number:.5g} {name}"


def ask_point(
    what: str, describe: Describe, label: str, taken: set[str], now: Callable[[], Reading | None] | None = None,
    *, back: bool = False,
) -> MeasuringPoint | None:  # fmt: skip
    """Which measuring point a channel is; None when it is not used. now: its newest reading. back: Back is raised."""
    left = [point for point in fitting(describe) if point.name not in taken]
    if not left:
        say(f"{what} measures {measured_name(describe.quantity)}: no measuring point is left for it.")
        return None
    likely = suggest(describe, label, taken)
    while True:
        reading = "" if now is None else f", now {shown(describe, now())}"
        say(f"\n{what}, {measured_name(describe.quantity)}{reading}")
        default = left.index(likely) if likely in left else -1
        letters = ({} if now is None else {"r": "read again"}) | ({"b": "back"} if back else {})
        at = choose("Which point?", [p.label for p in left], default, none="not used", letters=letters)
        if at >= -1:
            return left[at] if at >= 0 else None
        if list(letters)[-2 - at] == "b":
            raise Back


class Zeroing:
    """Asks to zero channels; the caution is said before the first pressure."""

    def __init__(self, listener: Listener) -> None:
        self._listener = listener
        self._cautioned = False

    def ask(self, describe: Describe, numbers_since: Callable[[float], list[float]]) -> dict[str, str | date]:
        """Keys of a zero for the rig file, {} when it was not zeroed. numbers_since: readings from a time on."""
        if not can_be_zeroed(describe):
            return {}
        mass = "mass" in measured_name(describe.quantity)
        recent = numbers_since(time.monotonic() - OBSERVE_S)
        if not recent:
            return {}
        if not near_zero(describe, recent[-1]):
            say(f"  not zeroed: {not_zero(describe, recent[-1])}")
            return {}
        if not mass and not self._cautioned:
            self._cautioned = True
            say(CAUTION)
        question = "Is the scale empty, to be zeroed now?" if mass else "Is its port open to air, to be zeroed now?"
        while yes(question):
            say(f"  reading for {OBSERVE_S:.0f} s ...")
            begun = time.monotonic()
            self._listener.wait(OBSERVE_S)
            zero = zero_of(describe, numbers_since(begun))
            text = None if zero.number is None else written(zero.number, describe.unit)
            if text is not None:
                say(f"  shows {text} at nothing: that is subtracted from now on")
                return {"zero": text, "zeroed": local_day()}
            say(f"  not zeroed: {zero.problem or 'its unit is not known here'}")
            question = "Try again?"
        return {}
