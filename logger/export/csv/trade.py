"""Readings for a spreadsheet and a person: chosen units, the place's own time, one row a second, a header in words.

Not evidence: the bundle's readings.csv is. Commas and decimal points, UTF-8 with its mark, so that spreadsheets open
it as it is. Times are 2026-03-02T21:14:05, which LibreOffice takes for a date and time as it opens a file (with a blank
for the T only where it is told to); for a program that does not, elapsed minutes stand beside. A cell is empty where no
trusted reading came in that second; a slower instrument's last one is repeated for as long as it is current.
"""

from collections.abc import Iterable, Iterator

from logger.evidence.chain import event_of
from logger.export.csv.sheets import text_cell
from logger.model.events import RigLoaded, RunBegun, StageBegun, StageEnded
from logger.model.points import POINTS
from logger.model.records import EVENT, Record
from logger.model.sample import PointSample
from logger.model.units import NS_PER_S, from_si, show_unit, user_unit
from logger.pipeline.engine import Engine
from logger.pipeline.job_state import Item
from logger.pipeline.replay import in_order, steps
from logger.stages import registry
from logger.wording.values import Shown

MARK = "\ufeff"
CURRENT_S = 3.0  # how long a reading is repeated; a slower instrument's for three of its periods


def trade_csv(records: Iterable[Record], units: str) -> Iterator[str]:
    """Lines with their ends. records: of the whole job, read twice. units: "us" or "si"."""
    whole = list(records)
    events = [event_of(record) for record in whole if record.kind == EVENT]
    offset_s = next((event.utc_offset_s for event in events if isinstance(event, RunBegun)), 0)
    points = _points(whole)
    heads = [f"{POINTS[p].label} ({show_unit(user_unit(POINTS[p].quantity, units))})" for p in points]
    shown = Shown(units, utc_offset_s=offset_s)
    yield MARK + ",".join(map(text_cell, [f"Time ({shown.zone})", "Elapsed (min)", "Stage", *heads])) + "\r\n"
    engine, first = Engine(live=False), None
    for second, latest, stage in _seconds(whole, engine):
        ambient_pa, cells = engine.model.ambient.pressure_pa, []
        for point in points:
            sample = latest.get(point)
            most_s = max(CURRENT_S, 3.0 * engine.model.period_s(point))
            if sample is None or sample.value is None or second * NS_PER_S - sample.t_ns > most_s * NS_PER_S:
                cells.append("")
                continue
            unit = user_unit(POINTS[point].quantity, units)
            cells.append(f"{from_si(sample.value, unit, ambient_pa):.{unit.digits}f}")
        if any(cells):
            first = second if first is None else first
            time, elapsed = shown.time(second * NS_PER_S).replace(" ", "T"), f"{(second - first) / 60:.3f}"
            yield ",".join([time, elapsed, text_cell(stage), *cells]) + "\r\n"


def _points(records: Iterable[Record]) -> list[str]:
    """Measured in any rig of the job, in the order of POINTS."""
    found = set()
    for record in records:
        event = event_of(record) if record.kind == EVENT else None
        if isinstance(event, RigLoaded):
            found |= {channel.point for device in event.rig.devices for channel in device.channels}
    return [point for point in POINTS if point in found]


def _seconds(records: Iterable[Record], engine: Engine) -> Iterator[tuple[int, dict[str, PointSample], str]]:
    """(UTC second, newest reading of each point up to its end, the stage that runs then)."""
    latest: dict[str, PointSample] = {}
    stage, now = "", 0
    ready: list[tuple[int, dict[str, PointSample], str]] = []

    def take(samples: list[PointSample]) -> None:
        latest.update((sample.point, sample) for sample in samples)

    def event(happened: object) -> None:
        nonlocal stage
        if isinstance(happened, StageBegun):
            stage = registry.label(happened.kind)
        elif isinstance(happened, StageEnded):
            stage = ""

    def items() -> Iterator[Item]:
        """Before the first item of a second is taken in, the second before it is whole."""
        nonlocal now
        for item in in_order(records):
            second = item[0] // NS_PER_S
            if now and second > now:
                ready.append((now, dict(latest), stage))
            now = max(now, second)
            yield item

    for _ in steps(items(), engine, take, event):
        yield from ready
        ready.clear()
    if now:
        yield now, latest, stage
