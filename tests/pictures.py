"""Pictures of README and docs as SVG: `python -m tests.pictures` draws screen, report page, hook-ups and circuits, and
writes what the page in a browser says of the same moment (`page/shown.json`).

Screen and page are of one job on sample data, kept in `fixtures/pictures/`: the demonstration's invented brewery, a
reading every ten seconds. `--record` makes that record again (a minute; only when the simulated plant changes). What is
drawn is today's layout and words. Each picture has its text as its description, to be read aloud and compared.
"""

import argparse
import html
import io
import json
import lzma
import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import typst
from rich.console import Console, Group
from rich.terminal_theme import TerminalTheme

from logger.api.shape import shape
from logger.app.daemon import alarm_shape
from logger.cli.demo import JOB_ID, JOB_TOML
from logger.config.job_file import parse_job
from logger.evidence.bagit import digest_of
from logger.evidence.chain import chained, new_event
from logger.evidence.record_lines import record_line
from logger.export.bundle.derived import Derived
from logger.export.replayed import replay_job
from logger.export.report.typeset import FONTS, compiled, sources
from logger.export.story import Story
from logger.model.events import JobClosed, JobOpened
from logger.model.plain import plain
from logger.model.points import POINTS
from logger.model.records import Record
from logger.model.units import NS_PER_S, from_si, user_unit
from logger.page.page_state import page_state
from logger.pipeline.acts import do
from logger.pipeline.engine import Engine
from logger.pipeline.replay import in_order
from logger.screen.layout import Trend, render
from logger.screen.words import trend_span
from sim_device.boards import boards
from sim_device.scenarios import SCENARIOS
from tests.circuits import DRAWINGS
from tests.export.simulated import T0_NS, recorded
from tests.hook_ups import HOOK_UPS
from tests.pdf import text as text_of
from tests.unchanged import read_records

RECORD = Path(__file__).parent / "fixtures" / "pictures" / "brewery.jsonl.xz"
FOLDER = Path(__file__).parent.parent / "docs" / "pictures"
WORDS = Path(__file__).parent / "page" / "shown.json"
SCREEN, PAGE = FOLDER / "screen.svg", FOLDER / "first-page.svg"
SIZE = (80, 24)
TREND_BUCKETS = 60
AT_S = 17 * 60  # of the record, when the screen is drawn: the first cylinder is nearly full
PERIOD_MS = 10_000
ENTERED: dict[str, Any] = {
    "company": ("Sample Refrigeration Service", "1 Example Street", "Anytown"), "technician": "Sample technician",
    "certification": "SAMPLE-0000", "work_order": "WO-0000", "recovered_to": "Reclaimer (sample)",
    "appliance_make": "Sample make", "appliance_model": "GC-100", "appliance_serial": "0000-01",
    "recovery_machine": "Sample recovery machine, serial 0001", "vacuum_pump": "Sample pump, serial 0002",
    "vacuum_gauge": "Sample gauge, serial 0003",
}  # fmt: skip
THEME = TerminalTheme(
    (23, 27, 30), (214, 218, 220),
    [(23, 27, 30), (190, 70, 60), (88, 160, 110), (200, 150, 60), (95, 135, 190), (160, 110, 170), (80, 160, 170),
     (214, 218, 220)],
    [(110, 118, 122), (220, 100, 85), (110, 190, 135), (225, 180, 90), (125, 165, 220), (190, 140, 200),
     (110, 190, 200), (245, 246, 247)],
)  # fmt: skip
WIDTH, HEIGHT = SIZE[0] * 12.2 + 24, SIZE[1] * 24.4 + 24  # of rich's cells, with a margin
TERMINAL = f"""\
<svg viewBox="0 0 {WIDTH:g} {HEIGHT:g}" xmlns="http://www.w3.org/2000/svg">
<style>
.{{unique_id}}-matrix {{{{ font-family: ui-monospace, monospace; font-size: {{char_height}}px }}}}
{{styles}}
</style>
<defs>{{lines}}</defs>
<rect width="{WIDTH:g}" height="{HEIGHT:g}" rx="6" fill="#171b1e"/>
<g transform="translate(12, 12)">{{backgrounds}}<g class="{{unique_id}}-matrix">{{matrix}}</g></g>
</svg>"""  # rich's own names fonts of another computer


def record() -> tuple[Record, ...]:
    """The demonstration's job on the simulated plant."""
    setup = parse_job(JOB_TOML.format(units="us"), JOB_ID)
    opened = JobOpened(
        t_ns=T0_NS, job=replace(setup.job, **ENTERED), cylinders=setup.cylinders,
        profiles={name: plain(one) for name, one in setup.profiles.items()},
    )  # fmt: skip
    names = tuple(board.name for board in boards(SCENARIOS["brewery"]))
    return recorded("brewery", 12 * 3600.0, names, 10.0, 7, opened, PERIOD_MS)


def screen(state: dict[str, Any], rows: list[dict[str, Any]]) -> tuple[Any, ...]:
    """The lines of the view's first page."""
    _, over, key = trend_span(state, False)
    return tuple(render(state, Trend(rows, over, key), *SIZE))


def pictured(records: tuple[Record, ...]) -> tuple[dict[str, Any], list[dict[str, Any]]]:
    """The daemon's state while the first cylinder fills, alarms judged as live, and the trend's rows."""
    engine, at_ns = Engine(), T0_NS + AT_S * NS_PER_S
    masses: list[tuple[int, float]] = []
    for t_ns, *_, device, what in in_order([one for one in records if one.t0_ns < at_ns + 60 * NS_PER_S]):
        if t_ns > at_ns:
            break
        if isinstance(what, bytes):
            masses += [
                (s.t_ns, s.value)
                for s in engine.frame(device, t_ns, what)
                if s.point == "cylinder_mass" and s.value is not None
            ]
        else:
            engine.apply(what)
        engine.tick(t_ns)
        if t_ns < T0_NS + 60 * NS_PER_S:  # what the first seconds raised was seen
            do(engine, "acknowledge", {"operator": "Sample technician"}, t_ns)
    alarms = engine.judge.alarm_engine.present(
        engine.judge.state, engine.judge.inputs(engine.model, engine.values)
    )  # fmt: skip
    devices = [{"name": one.name, "text": "connected", "ok": True} for one in engine.model.state.rig.devices]
    state = shape(engine.snapshot(), {
        "alarms": [alarm_shape(row, engine.shown) for row in alarms if not row.key.startswith("device")],
        "devices": devices, "relays": [], "store": {"text": "stored to 10:17:00 UTC-06:00", "ok": True},
        "awake": "", "speed": 1.0,
    })  # fmt: skip
    return state, _buckets(masses, trend_span(state, False)[0], at_ns)


def page_words(state: dict[str, Any]) -> str:
    """What the page in a browser shows of a state, but for clock readings, which are the computer's place's."""
    shown = page_state(state)
    shown["alarms"] = [{key: of for key, of in one.items() if key != "since"} for one in shown["alarms"]]
    return json.dumps({key: of for key, of in shown.items() if key != "clock"}, indent=1, ensure_ascii=False) + "\n"


def _buckets(masses: list[tuple[int, float]], since_ns: int, to_ns: int) -> list[dict[str, Any]]:
    """As the API gives them."""
    unit = user_unit(POINTS["cylinder_mass"].quantity, "us")
    rows = []
    for i in range(TREND_BUCKETS):
        ends = [since_ns + (to_ns - since_ns) * (i + k) // TREND_BUCKETS for k in (0, 1)]
        within = [from_si(kg, unit) for t_ns, kg in masses if ends[0] <= t_ns < ends[1]]
        rows.append({
            "t_ns": ends[0], "end_ns": ends[1], "low_shown": min(within, default=None),
            "high_shown": max(within, default=None), "unit_shown": unit.name,
        })  # fmt: skip
    return rows


def screen_svg(lines: tuple[Any, ...]) -> str:
    console = Console(width=SIZE[0], record=True, file=io.StringIO(), force_terminal=True, color_system="truecolor")
    console.print(Group(*lines))
    svg = console.export_svg(title="", theme=THEME, unique_id="screen", code_format=TERMINAL)
    return described(svg, "The screen during a recovery, sample data", screen_text(lines))


def screen_text(lines: tuple[Any, ...]) -> str:
    return "\n".join(line.plain.rstrip() for line in lines)


def first_page(records: tuple[Record, ...]) -> dict[str, bytes]:
    """What the typesetter sets as the customer's form of the job, closed."""
    story = Story()
    closed = (*records, chained(records[-1].digest, new_event(JobClosed(t_ns=records[-1].t0_ns)), len(records) + 1))
    for _ in story.passing(closed):
        pass
    derived = Derived(story, lambda: iter(closed), replay_job)
    return sources(derived.report_data(digest_of(derived.readings()), None), customer=True)


def page_text(files: dict[str, bytes]) -> str:
    return text_of(compiled(files, 0)).replace("\r\n", "\n")


def described(svg: str, title: str, text: str) -> str:
    """With a title, and its text as description."""
    head, tag, rest = svg.partition("<svg ")
    attributes, _, inside = rest.partition(">")
    told = f"<title>{html.escape(title)}</title><desc>{html.escape(text)}</desc>"
    paper = '<rect width="100%" height="100%" fill="#ffffff"/>'
    return f'{head}{tag}role="img" {attributes}>{told}{paper}{inside}\n'


def text_in(svg: Path) -> str:
    """The description of a picture made here."""
    found = re.search(r"<desc>(.*?)</desc>", svg.read_text(encoding="utf-8"), flags=re.S)
    return html.unescape(found[1]) if found else ""


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--record", action="store_true")
    if parser.parse_args().record:
        RECORD.parent.mkdir(exist_ok=True)
        RECORD.write_bytes(lzma.compress(b"".join(map(record_line, record())), preset=9))
    FOLDER.mkdir(exist_ok=True)
    for name, sheet in (HOOK_UPS | DRAWINGS).items():
        (FOLDER / f"{name}.svg").write_text(sheet().svg(), encoding="utf-8")
    records = read_records(RECORD)
    state, rows = pictured(records)
    SCREEN.write_text(screen_svg(screen(state, rows)), encoding="utf-8")
    WORDS.write_text(page_words(state), encoding="utf-8")
    files = first_page(records)
    set_as_svg: Any = typst.compile
    svg = set_as_svg(files, format="svg", font_paths=FONTS, ignore_system_fonts=True).decode()
    PAGE.write_text(described(svg, "The report's first page, sample data", page_text(files)), encoding="utf-8")


if __name__ == "__main__":
    main()
