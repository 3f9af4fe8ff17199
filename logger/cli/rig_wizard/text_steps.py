"""`rimelog rig new`: a scale or gauge that sends lines of text, understood from the lines it sends."""

import codecs
from collections.abc import Sequence

from logger.app.rig_listening import Listener, ObservedDevice
from logger.cli.rig_wizard.questions import Zeroing, ask, choose, heading, name_problem, needed, say, whole, yes
from logger.cli.rig_wizard.stated_steps import ask_stated, typed_problem
from logger.config.rig_draft import DeviceDraft, RigDraft, Value
from logger.config.rig_draft_text import Token, decimal_mark, flag_places, numbers, pattern, shape, step, unit_place
from logger.decode.safe_pattern import checked
from logger.link import connect
from logger.model.errors import ComputeError
from logger.model.instrument import TextPort
from logger.model.text import clean
from logger.model.units import UNITS, UnitError, find_unit

LINES_S = 4.0
MIN_LINES = 20
SHOWN = 5
_BAUDS = ("9600", "2400", "4800", "1200", "19200", "38400", "115200")


def text_instrument(listener: Listener, draft: RigDraft, zeroing: Zeroing, silent: Sequence[str]) -> DeviceDraft | None:
    """Asks until the instrument is understood; None when it is not heard."""
    heading("text instrument")
    for url in silent:
        say(f"   -  {clean(url, 60)}")
    url = ask("Port or url, such as /dev/ttyUSB1, COM4, socket://192.168.1.40:4001", problem=needed)
    keys: dict[str, Value] = {"kind": "text", "url": url}
    port = _ask_port(url, keys)
    while True:
        observed = listener.observe(lambda take: connect.to_text(url, port, None, take))  # noqa: B023
        try:
            say(f"Listening for up to {LINES_S:.0f} s ...")
            listener.wait(LINES_S, lambda: observed.failed or len(observed.raws()) >= MIN_LINES)  # noqa: B023
            lines = [raw for _, raw in observed.raws()]
            if lines:
                name = ask("Name for it", "scale" if "scale" not in draft.names else "", problem=name_problem(draft))
                return _understand(lines, observed, {"name": name, **keys}, draft, zeroing, listener)
            say(f"No line was heard: {clean(observed.problem or 'it is silent', 100)}")
        finally:
            listener.stop(observed)
        if not yes("Try other settings?", True):
            return None
        port = _ask_port(url, keys)


def ask_serial(baud: int, mode: str) -> tuple[int, str]:
    """Speed and mode of a serial line."""
    said = ask(f"Baud ({', '.join(_BAUDS)})", str(baud), problem=whole(50, 4_000_000))
    return int(said), ask("Data bits, parity (N, E, O), stop bits", mode, problem=_mode_problem).upper()


def _ask_port(url: str, keys: dict[str, Value]) -> TextPort:
    baud, mode, poll = 9600, "8N1", ""
    if not url.startswith("socket://"):
        baud, mode = ask_serial(baud, mode)
        keys |= {"baud": baud, "mode": mode}
    if not yes("Does it send lines without being asked?", True):
        poll = _unescaped(ask(r"What asks it for a line (\r and \n may be written so)", problem=_poll_problem))
        keys |= {"poll": poll, "period": "1s"}
    return TextPort(baud=baud, mode=mode, poll=poll)


def _understand(
    lines: list[bytes], observed: ObservedDevice, keys: dict[str, Value], draft: RigDraft, zeroing: Zeroing,
    listener: Listener,
) -> DeviceDraft | None:  # fmt: skip
    say("It says:")
    for line in lines[-SHOWN:]:
        say(f"    {clean(line.decode('latin-1'), 70)}")
    device = DeviceDraft(keys, (), "text instrument")
    while True:
        field, unit, step_text = _ask_field(shape(lines))
        channel = ask_stated(device, field, unit, step_text, draft, zeroing, observed, listener)
        device = device if channel is None else device.with_channel(channel)
        if not yes("Another reading from its lines?"):
            return device if device.channels else None


def _ask_field(tokens: list[Token]) -> tuple[dict[str, Value], str, str]:
    """The field's keys, its unit and its smallest step."""
    places = numbers(tokens)
    options = [f"the number {tokens[i].texts[-1].strip()}" for i in places]
    at = choose("Which is the reading?", [*options, "I write the pattern myself"], 0)
    if at == len(options):
        return _ask_pattern()
    number = places[at]
    unit_at = unit_place(tokens, number)
    keys: dict[str, Value] = {}
    if unit_at is None:
        unit = ask_unit("In which unit is it", "")
    else:
        units = {word: ask_unit(f'"{word}" is our unit', _our_unit(word)) for word in tokens[unit_at].texts}
        keys["units"], unit = units, next(iter(units.values()))
    flag_at = _ask_flag(tokens, unit_at, keys)
    if unit_at is None:
        keys["unit"] = unit
    if (mark := decimal_mark(tokens[number])) != ".":
        keys["decimal"] = mark
    return {"pattern": pattern(tokens, number, unit_at, flag_at), **keys}, unit, f"{step(tokens[number]):g}"


def _ask_flag(tokens: list[Token], unit_at: int | None, keys: dict[str, Value]) -> int | None:
    places = flag_places(tokens, unit_at)
    if not places:
        return None
    options = [f'the word "{tokens[i].texts[-1]}"' for i in places]
    at = choose("Which word says whether the reading is steady?", options, -1, none="none does")
    if at < 0:
        fixed = [tokens[i].texts[0] for i in places if len(tokens[i].texts) == 1]
        if fixed:
            say(f"Only lines that say {' and '.join(fixed)} as these do will be understood.")
        return None
    words = ask("What it says when steady (words with blanks between)", tokens[places[at]].texts[-1], problem=needed)
    keys["stable"] = words.split()
    say("While refrigerant flows, most scales call themselves unsteady: a scale for that is better used all the time.")
    keys["unstable"] = "use" if yes("Use unsteady readings too?", True) else "reject"
    return places[at]


def _ask_pattern() -> tuple[dict[str, Value], str, str]:
    say("A regular expression for the whole line, with (?P<value>...) around the number.")
    text = ask("Pattern", problem=_pattern_problem)
    keys: dict[str, Value] = {"pattern": text}
    groups = checked(text).pattern.groupindex
    unit = ask_unit("In which unit is it" if "unit" not in groups else "Its unit at the moment is our unit", "")
    if "unit" in groups:
        keys["units"] = {ask("And the line calls it", unit, problem=needed): unit}
    else:
        keys["unit"] = unit
    if "stable" in groups:
        keys["stable"] = ask("What the line says when it is steady", problem=needed).split()
        keys["unstable"] = "use" if yes("Use unsteady readings too?", True) else "reject"
    return keys, unit, ""


def ask_unit(question: str, default: str) -> str:
    return find_unit(ask(f"{question} (such as lb, kg, psig, psia, microns, C)", default, problem=_unit_problem)).name


def _unit_problem(text: str) -> str | None:
    if text.lower() == "psi":
        return "Say psig (against the air around) or psia (absolute)."
    try:
        find_unit(text)
    except UnitError:
        return f"It is not known here; known: {', '.join(UNITS)}"[:230]
    return None


def _our_unit(word: str) -> str:
    """The unit a word is likely to mean; "" where a person must say."""
    return "" if _unit_problem(word) else find_unit(word).name


def _pattern_problem(text: str) -> str | None:
    try:
        groups = checked(text).pattern.groupindex
    except ComputeError as exc:
        return str(exc)
    return None if "value" in groups else "It has no group for the number: (?P<value>...)"


def _mode_problem(text: str) -> str | None:
    mode = text.upper()
    fits = len(mode) == 3 and mode[0] in "78" and mode[1] in "NEO" and mode[2] in "12"
    return None if fits else "Such as 8N1 or 7E1."


def _poll_problem(text: str) -> str | None:
    return typed_problem(lambda: _unescaped(text)) if text else "Something is needed here."


def _unescaped(text: str) -> str:
    r"""\r, \n, \t, \x05 as typed -> the characters. Raises ValueError."""
    return codecs.decode(text.encode("latin-1"), "unicode_escape")
