"""The screen as lines of text: pure, so that a test can read it. Fits any size from 60x16 up.

From top to bottom: what is running, alarms, the one large number of the stage with its companions beside it,
the trend, the readings, devices and store, caution and keys.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from rich.cells import cell_len, set_cell_size
from rich.text import Text

from logger.model.finding import Text as FindingText
from logger.model.points import POINTS
from logger.screen.braille import plot, spread
from logger.screen.digits import large
from logger.screen.words import alarm_line, shown, title

ALARM_STYLE = {"urgent": "bold black on bright_yellow", "high": "bold black on yellow", "low": "bold"}
KEYS = "a acknowledge   r readings   f findings   d devices   q leave (logging goes on)"
KEYS_SHORT = "a acknowledge  r readings  f findings  d devices  q leave"
KEYS_OF_MORE = "space next part   b part before   a acknowledge   {letter} back   q leave"
KEYS_OF_MORE_SHORT = "space next  b before  a acknowledge  {letter} back  q leave"

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


def render(
    state: Row, trend: Trend, width: int, height: int, page: str = "main", note: str = "", part: int = 0
) -> list[Text]:
    """Exactly `height` lines of at most `width` columns. part: of a page that has more lines than there is room;
    any whole number, counted round."""
    bar = _fit(Text(title(state), "bold reverse"), width, "bold reverse")
    head = [bar, *_alarms(state, width, max(2, height // 6))]
    room = height - len(head) - len(_foot(state, width, note))
    if page in PAGES:
        body, letter = _part(PAGES[page](state, width), room, part, page)
    else:
        body, letter = _main(state, trend, width, room), ""
    foot = _foot(state, width, note, letter)
    body = [*body[:room], *[Text("")] * (room - len(body))]
    return [_fit(line, width) for line in [*head, *body, *foot]]


def _part(lines: list[Text], room: int, part: int, page: str) -> tuple[list[Text], str]:
    """The part of a page that there is room for, under a line that says which, and the page's letter when cut."""
    if len(lines) <= room or room < 2:
        return lines, ""
    step = room - 1
    parts = -(-len(lines) // step)
    shown_part = part % parts
    told = f"{page.capitalize()}, part {shown_part + 1} of {parts}"
    told += ": space for the next" if shown_part + 1 < parts else ": space for the first again"
    begin = shown_part * step
    return [Text(told, "bold reverse"), *lines[begin : begin + step]], page[0]


def _fit(line: Text, width: int, style: str = "") -> Text:
    if line.cell_len > width:
        line = line.copy()
        line.truncate(width, overflow="ellipsis")
    if style and line.cell_len < width:
        line.append(" " * (width - line.cell_len), style)
    return line


def _alarms(state: Row, width: int, most: int) -> list[Text]:
    alarms = state.get("alarms", [])
    lines: list[Text] = []
    told = alarms[: most - (len(alarms) > most)]
    for i, alarm in enumerate(told):
        style = ALARM_STYLE.get(alarm["priority"], "bold") if alarm["active"] or not alarm["acknowledged"] else ""
        if alarm["acknowledged"] and alarm["active"]:
            style = "bold yellow"
        most_lines = 2 if i == 0 and len(alarms) < most else 1  # what to do about the first is told whole
        lines += [
            _fit(Text(t, style), width, style) for t in _wrapped(alarm_line(alarm, len(alarms) > 1), width, most_lines)
        ]
    if len(alarms) > most:
        lines.append(Text(f"and {len(alarms) - len(told)} more: see `rimelog status`", "bold yellow"))
    return lines or [Text("No alarms", "dim")]


def _foot(state: Row, width: int, note: str, letter: str = "") -> list[Text]:
    """letter: of a page that is shown in parts."""
    parts = [f"{r['name']} {r['text']}" for r in state.get("relays", [])]
    store = state.get("store") or {}
    parts += _devices(state.get("devices", []), width)
    parts += [store["text"]] if store else []
    awake = state.get("awake") or {}
    parts += [awake["text"]] if awake.get("text") else []
    told = [*state.get("relays", []), *state.get("devices", []), store]
    trouble = any(not each.get("ok", True) for each in told)
    lines = [Text(" · ".join(parts), "bold yellow" if trouble else "dim")]
    lines += [Text(line, "dim") for line in _wrapped(state["caution"], width, 2 if width >= 80 else 4)]
    long, short = (KEYS_OF_MORE, KEYS_OF_MORE_SHORT) if letter else (KEYS, KEYS_SHORT)
    keys = (long if len(long) <= width else short).format(letter=letter)
    lines.append(Text(note, "bold") if note else Text(keys, "dim"))
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
        lines += [Text(""), Text(f"Next: {state['next']['text']}", "bold"), Text("")]
    if not beside:
        lines += [_row(r, width) for r in rows]
    reasons = [r for r in (live.get(k) for k in [view["headline"], *view["lines"][:4]]) if r and r["problem"]]
    if reasons:
        lines.append(Text(f"{reasons[0]['label']} unknown: {reasons[0]['problem']}", "yellow"))
    small, advice = room < 26, state.get("advice", [])[:3]
    for text in advice:
        lines += [Text(line, "bold") for line in _wrapped(text, width, 1 if small and len(advice) > 1 else 2)]
    finding = next(iter(state.get("findings", [])), None)
    if finding:
        most = 1 if small and advice else 2
        lines += [
            Text(line, "bold") for line in _wrapped(FindingText(finding["headline"], finding["text"]).line, width, most)
        ]
    two = width >= 60
    readings = [_row(p, (width - 2) // 2 if two else width) for p in state["points"]]
    if two:
        readings = _grid(readings, width)
    plot_room = room - len(lines) - min(len(readings), 3)
    if plot_room >= 4:
        lines += _trend(state, trend, width, min(plot_room - 1, 12))
    lines += readings[: max(0, room - len(lines))]
    return lines


def _headline(row: Row, width: int, height: int) -> list[Text]:
    if row["value"] is None:
        number, unit, style = "?", "unknown", "bold yellow"  # the reason has a line of its own below
    else:
        text = shown(row)
        number, _, unit = text.partition(" ")
        style = "bold"
    digits = [Text(line, style) for line in large(number, width, height - 2)]
    label = Text(row["label"], "bold")
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
        return [Text(f"{label}: no trend: {trend.problem}", "yellow")]
    columns = width - 11
    lows, highs = ([row[end] for row in trend.rows] for end in ("low_shown", "high_shown"))
    drawn = plot(*spread(lows, highs, 2 * columns), columns, height, view["log_trend"])
    if drawn is None:
        return [Text(f"{label}: no trend yet", "dim")]
    rows, low, high = drawn
    scale = ", logarithmic" if view["log_trend"] else ""
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
    lines = []
    for row in rows:
        line = _row(row, min(width, 64))
        why = row["problem"] or row["note"]
        if why and width - line.cell_len > 4:
            line.append("  " + _clip(why, width - line.cell_len - 2), "yellow" if row["problem"] else "dim")
        lines.append(line)
    return lines


def _findings(state: Row, width: int) -> list[Text]:
    lines: list[Text] = []
    for finding in state.get("findings", []):
        lines += [Text(t, "bold") for t in _wrapped(FindingText(finding["headline"], finding["text"]).line, width, 4)]
        if finding["causes"]:
            lines += [Text(t) for t in _wrapped("Likely: " + "; ".join(finding["causes"]), width, 2)]
        if finding["check_next"]:
            lines += [Text(t) for t in _wrapped("Check next: " + "; ".join(finding["check_next"]), width, 2)]
        if finding["rule"]:
            lines += [Text(t, "dim") for t in _wrapped("Rule: " + finding["rule"], width, 2)]
        lines.append(Text(""))
    for one in reversed(state.get("earlier", [])):
        told = f"Stage {one['number']}, {one['label']}: {one['headline']}. {one['text']}"
        lines += [Text(t) for t in _wrapped(told, width, 3)]
    lines += [Text(f"Note: {n['text']}", "dim") for n in state.get("notes", [])]
    return lines or [Text("Nothing found yet", "dim")]


def _device_page(state: Row, width: int) -> list[Text]:
    """Each device with where it is and all it tells of itself: troubles, battery, signal."""
    lines: list[Text] = []
    for device in [*state.get("relays", []), *state.get("devices", [])]:
        where = f" at {device['url']}" if device.get("url") else ""
        style = "" if device.get("ok", True) else "yellow"
        lines += [Text(t, style) for t in _wrapped(f"{device['name']}{where}: {device['text']}", width, 5)]
    return lines or [Text("No devices", "dim")]


PAGES = {"readings": _readings, "findings": _findings, "devices": _device_page}


def _clip(text: str, width: int) -> str:
    return text if cell_len(text) <= width else set_cell_size(text, max(1, width - 1)).rstrip() + "…"


def _wrapped(text: str, width: int, most: int) -> list[str]:
    lines, line = [], ""
    for word in text.split():
        if line and cell_len(line) + 1 + cell_len(word) > width:
            lines.append(line)
            line = word
        else:
            line = f"{line} {word}".strip()
    lines.append(line)
    if len(lines) > most:
        lines = [*lines[: most - 1], _clip(" ".join(lines[most - 1 :]), width)]
    return lines
