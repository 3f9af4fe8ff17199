"""The screen as lines of text: pure, so that a test can read it. Fits any size from 60x16 up.

From top to bottom: what is running, the alarms' fixed rows, the one large number of the stage with its companions
beside it, advice, the trend, the readings, devices and store, caution and keys.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from rich.cells import cell_len, set_cell_size
from rich.text import Text

from logger.clock import local_clock
from logger.model.finding import Text as FindingText
from logger.model.points import POINTS
from logger.screen.alarm_rows import alarm_page, alarm_rows, rows_for
from logger.screen.braille import plot, spread
from logger.screen.digits import large
from logger.screen.folding import fitted, wrapped
from logger.screen.words import MIN_SPAN, proposal_line, shown, title

KEYS = "b begin  e end  s swap  m mark  n note  a ack  L alarms  r f d  ? help  q leave"
KEYS_SHORT = "b e s m n a act   L r f d pages   ? help   q leave"
NOTE_ROWS = 3  # of what was done or refused
KEYS_OF_MORE = "space next part   ↑ part before   a acknowledge   Esc back   q leave"
KEYS_OF_MORE_SHORT = "space next  ↑ before  Esc back  q leave"
HELP = (
    ("b", "begin a stage"),
    ("e", "end the stage"),
    ("s", "another cylinder is on the scale"),
    ("m", "mark an act: isolated, pump started ..."),
    ("n", "write a note"),
    ("y  Esc", "yes or no to what the readings show and nobody has entered"),
    ("a", "acknowledge all alarms; again: let those that are over go"),
    ("L", "all alarms, with what to do"),
    ("r", "all readings, with the reason where there is none"),
    ("f", "findings so far"),
    ("d", "devices, with battery and signal"),
    ("t", "trend: the whole stage, or the last minutes"),
    ("space ↓ ↑", "parts of a page that is longer than the screen"),
    ("Esc", "back to the first page; out of a question"),
    ("q", "leave the screen; still logging"),
)
MIN_SPAN_LOG = 0.3  # decades: half to the whole
BLANK = "?"

Row = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Trend:
    """rows: of the API's history, buckets without a reading too. over: which span. key: what `t` shows instead.

    problem: why there are no rows.
    """

    rows: Sequence[Row] = ()
    over: str = ""
    key: str = ""
    problem: str = ""


@dataclass(frozen=True, slots=True)
class Asking:
    """A question over the page: its lines, and the line of keys that answer it."""

    lines: tuple[str, ...]
    keys: str


def render(
    state: Row,
    trend: Trend,
    width: int,
    height: int,
    page: str = "main",
    note: str = "",
    part: int = 0,
    asking: Asking | None = None,
    lost: str = "",
) -> list[Text]:
    """Exactly `height` lines of at most `width` columns. part: of a page that has more lines than there is room;
    any whole number, counted round. lost: why what is known is not current any more: then no old number is shown."""
    bar = _fit(Text(title(state), "bold reverse"), width, "bold reverse")
    alarms = rows_for(height)
    head = [bar, *([Text("")] * alarms if lost else alarm_rows(state, width, alarms))]
    foot = _foot(state, width, height, "" if asking is not None else note, lost=lost)
    room = height - len(head) - len(foot)
    if asking is not None:
        body = [Text(line, "bold") for text in asking.lines for line in wrapped(text, width)]
        foot = [*foot[:-1], Text(asking.keys, "bold reverse")]
    elif lost:
        body = _not_current(state, width, lost)
    elif page in PAGES:
        body, in_parts = _part(PAGES[page](state, width), room, part, page)
        foot = _foot(state, width, height, note, in_parts=in_parts)
    else:
        body = _main(state, trend, width, room)
    body = [*body[:room], *[Text("")] * (room - len(body))]
    return [_fit(line, width) for line in [*head, *body, *foot]]


def _not_current(state: Row, width: int, why: str) -> list[Text]:
    """In place of numbers that nobody may act on."""
    lines = [Text(line, "bold yellow") for line in large("NOT CURRENT", width, 5)]
    lines += [Text("")]
    job = state["job"]["job_id"]
    texts = (
        f"{why[:1].upper()}{why[1:]}.", f"Last reading shown here: {local_clock(state['t_ns'])}. Watch your gauges.",
        f"If the logger has ended: rimelog start --continue {job}",
    )  # fmt: skip
    return lines + [Text(line, "bold") for text in texts for line in wrapped(text, width)]


def _part(lines: list[Text], room: int, part: int, page: str) -> tuple[list[Text], bool]:
    """The part of a page that there is room for, under a line that says which; whether it was cut."""
    if len(lines) <= room or room < 2:
        return lines, False
    step = room - 1
    parts = -(-len(lines) // step)
    shown_part = part % parts
    heading = f"{page.capitalize()}, part {shown_part + 1} of {parts}"
    heading += ": space for the next" if shown_part + 1 < parts else ": space for the first again"
    begin = shown_part * step
    return [Text(heading, "bold reverse"), *lines[begin : begin + step]], True


def _fit(line: Text, width: int, style: str = "") -> Text:
    if line.cell_len > width:
        line = line.copy()
        line.truncate(width, overflow="ellipsis")
    if style and line.cell_len < width:
        line.append(" " * (width - line.cell_len), style)
    return line


def _foot(state: Row, width: int, height: int, note: str, in_parts: bool = False, lost: str = "") -> list[Text]:
    store, awake = state.get("store") or {}, state.get("awake") or {}
    watched = [*state.get("relays", []), *state.get("devices", []), store]
    trouble = any(not each.get("ok", True) for each in watched)
    parts = [f"{r['name']} {r['text']}" for r in state.get("relays", [])]
    parts += _devices(state.get("devices", []), width)
    parts += [each["text"] for each in (store, awake) if each.get("text")]
    line = ""
    for part in parts:  # one that has no room is left out whole: the pages have it
        longer = f"{line} · {part}" if line else part
        line = longer if cell_len(longer) <= width else line
    lines = [Text("" if lost else line or _clip(parts[0] if parts else "", width), "bold yellow" if trouble else "dim")]
    caution = wrapped(state["caution" if height >= 30 else "caution_short"], width)
    lines += [Text(text, "dim") for text in caution[:4]]
    long, short = (KEYS_OF_MORE, KEYS_OF_MORE_SHORT) if in_parts else (KEYS, KEYS_SHORT)
    keys = long if len(long) <= width else short
    lines += [Text(line, "bold") for line in wrapped(note, width)[:NOTE_ROWS]] if note else [Text(keys, "dim")]
    return lines


def _devices(devices: Sequence[Row], width: int) -> list[str]:
    """Each by name while that leaves room for what stands after it; else those in trouble, and how many are well."""
    named = [f"{d['name']} {d['text']}" for d in devices]
    if sum(cell_len(name) + 3 for name in named) <= width // 2:
        return named
    well = [d for d in devices if d.get("ok", True)]
    troubled = [f"{d['name']} {d['text']}" for d in devices if not d.get("ok", True)]
    if sum(cell_len(name) + 3 for name in troubled) > width // 2:  # the whole reason is on the page of readings
        troubled = [f"{d['name']} {d['text'].split(':')[0].split(' (')[0]}" for d in devices if not d.get("ok", True)]
    return [*troubled, *([f"{len(well)} of {len(devices)} devices connected"] if well else [])]


def _main(state: Row, trend: Trend, width: int, room: int) -> list[Text]:
    view, live = state["view"], state["live"]
    rows = [live[k] for k in view["lines"] if k in live]
    big_height = 12 if room >= 26 else 7
    beside = width >= 70
    lines: list[Text] = []
    if view["headline"] and view["headline"] in live:
        column = min(34, width - 44) if beside else 0
        big = _headline(live[view["headline"]], width - column - (2 if column else 0), big_height)
        side = [_row(r, column) for r in rows] if beside else []
        for i in range(max(len(big), min(len(side), big_height))):
            left = big[i] if i < len(big) else Text("")
            line = left.copy()
            if i < len(side):
                line.append(" " * max(1, width - column - line.cell_len))
                line.append_text(side[i])
            lines.append(line)
        rows = rows[big_height:] if beside else rows
    else:
        step = state["next"]
        key = "y" if state.get("proposals") else "b"
        lines += [
            Text(""), Text(f"Next: {step['text']}", "bold"),
            Text(f"{key}, or: {step['command']}" if step["command"] else "", "dim"), Text("")
        ]  # fmt: skip
    if not beside:
        lines += [_row(r, width) for r in rows]
    small, advice = room < 26, state.get("advice", [])[:3]
    reasons = [r for r in (live.get(k) for k in view["lines"][:4]) if r and r["problem"]]
    finding = next(iter(state.get("findings", [])), None)
    said: list[tuple[str, str, int]] = [(text, "bold", 1 if small and len(advice) > 1 else 2) for text in advice]
    if reasons and not advice:
        said.insert(0, (f"{reasons[0]['label']} unknown: {reasons[0]['problem']}", "yellow", 2))
    if finding:
        text = FindingText(finding["headline"], finding["text"]).line
        said.append((text, "bold", 1 if small and advice else 2))
    for text, style, most in said:
        lines += [Text(line, style) for line in fitted(text, width, most, more="f: more")]
    two = width >= 60
    readings = [_row(p, (width - 2) // 2 if two else width) for p in state["points"]]
    if two:
        readings = _grid(readings, width)
    plot_room = room - len(lines) - min(len(readings), 2 if small else 3)
    if plot_room >= 4:
        lines += _trend(state, trend, width, min(plot_room - 1, 12))
    lines += readings[: max(0, room - len(lines))]
    return lines


def _headline(row: Row, width: int, height: int) -> list[Text]:
    """The label, the number large, its unit; where there is none, why, in as many lines."""
    label = Text(_clip(row["label"], width), "bold")
    if row["value"] is None:
        why = [Text(line, "bold yellow") for line in fitted(row["problem"] or "unknown", width, height - 3, "r: why")]
        return [label, Text(BLANK, "bold yellow"), *why, *[Text("")] * (height - 2 - len(why))]
    number, _, unit = shown(row).partition(" ")
    digits = [Text(line, "bold") for line in large(number, width, height - 2)]
    return [label, *digits, Text(unit, "bold")]


def _row(row: Row, width: int) -> Text:
    value = shown(row)
    label = _clip(row["label"], max(4, width - cell_len(value) - 1))
    style = "yellow" if row["value"] is None else ""
    gap = " " * max(1, width - cell_len(label) - cell_len(value))
    return Text.assemble((label, "dim"), gap, (value, style or "bold"))


def _grid(cells: list[Text], width: int) -> list[Text]:
    half = (width - 2) // 2
    lines = []
    for i in range(0, len(cells), 2):
        line = cells[i].copy()
        if i + 1 < len(cells):
            line.append(" " * (half - line.cell_len + 2))
            line.append_text(cells[i + 1])
        lines.append(line)
    return lines


def _trend(state: Row, trend: Trend, width: int, height: int) -> list[Text]:
    view = state["view"]
    label = POINTS[view["trend"]].label if view["trend"] in POINTS else view["trend"]
    if trend.problem:
        return [Text(line, "yellow") for line in fitted(f"{label}: no trend: {trend.problem}", width, 2)]
    columns = width - 11
    lows, highs = ([row[end] for row in trend.rows] for end in ("low_shown", "high_shown"))
    log = view["log_trend"]
    least = MIN_SPAN_LOG if log else MIN_SPAN.get(trend.rows[0]["unit_shown"], 0.0) if trend.rows else 0.0
    drawn = plot(*spread(lows, highs, 2 * columns), columns, height, log, least=least)
    if drawn is None:
        return [Text(f"{label}: no trend yet", "dim")]
    rows, low, high = drawn
    scale = ", logarithmic" if log else ""
    head = f"{label}, {trend.rows[0]['unit_shown']}{scale}, {trend.over}"
    gap = width - cell_len(head) - cell_len(trend.key)
    lines = [Text(f"{head}{' ' * gap}{trend.key}" if gap > 1 else head, "dim")]
    for i, row in enumerate(rows):
        edge = _number(high) if i == 0 else _number(low) if i == len(rows) - 1 else ""
        lines.append(Text.assemble((f"{edge:>9} ", "dim"), row))
    return lines


def _number(value: float) -> str:
    return f"{value:,.0f}" if abs(value) >= 100 else f"{value:.1f}" if abs(value) >= 10 else f"{value:.2f}"


def _readings(state: Row, width: int) -> list[Text]:
    rows = [*state["points"], *state["live"].values()]
    lines = [
        Text(text, "bold")
        for one in state.get("proposals", [])
        for text in wrapped(f"{proposal_line(one)} `rimelog yes {one['n']}`", width)
    ]
    for row in rows:
        line = _row(row, min(width, 64))
        why = row["problem"] or row["note"]
        style = "yellow" if row["problem"] else "dim"
        if why and width - line.cell_len - 2 >= cell_len(why):
            line.append(f"  {why}", style)
            lines.append(line)
        else:
            lines += [line, *(Text(f"    {text}", style) for text in wrapped(why or "", width - 4) if text)]
    return lines


def _findings(state: Row, width: int) -> list[Text]:
    lines: list[Text] = []
    for finding in state.get("findings", []):
        lines += [Text(t, "bold") for t in wrapped(FindingText(finding["headline"], finding["text"]).line, width)]
        if finding["causes"]:
            lines += [Text(t) for t in wrapped("Likely: " + "; ".join(finding["causes"]), width)]
        if finding["check_next"]:
            lines += [Text(t) for t in wrapped("Check next: " + "; ".join(finding["check_next"]), width)]
        if finding["rule"]:
            lines += [Text(t, "dim") for t in wrapped("Rule: " + finding["rule"], width)]
        lines.append(Text(""))
    for one in reversed(state.get("earlier", [])):
        text = f"Stage {one['number']}, {one['label']}: {one['headline']}. {one['text']}"
        lines += [Text(t) for t in wrapped(text, width)]
    lines += [Text(t, "dim") for n in state.get("notes", []) for t in wrapped(f"Note: {n['text']}", width)]
    return lines or [Text("Nothing found yet", "dim")]


def _device_page(state: Row, width: int) -> list[Text]:
    """Each device with where it is and all it reports of itself: troubles, battery, signal."""
    lines: list[Text] = []
    for device in [*state.get("relays", []), *state.get("devices", [])]:
        where = f" at {device['url']}" if device.get("url") else ""
        style = "" if device.get("ok", True) else "yellow"
        lines += [Text(t, style) for t in wrapped(f"{device['name']}{where}: {device['text']}", width)]
    if state.get("log"):
        lines += [Text(t, "dim") for t in wrapped(f"Messages of the logger: {state['log']}", width)]
    return lines or [Text("No devices", "dim")]


def _help(state: Row, width: int) -> list[Text]:
    return [Text.assemble((f"{key:<11}", "bold"), _clip(text, width - 11)) for key, text in HELP]


PAGES = {
    "readings": _readings, "findings": _findings, "devices": _device_page, "alarms": alarm_page, "help": _help,
}  # fmt: skip


def _clip(text: str, width: int) -> str:
    return text if cell_len(text) <= width else set_cell_size(text, max(1, width - 1)).rstrip() + "…"
