"""`python -m tests.noticing` measures on jobs kept from tuning and writes docs/noticing.md; some minutes.

Thresholds were set on seeds below 100 of the simulated plant alone. Held out: seeds from 3000 of it, and all of the
second simulator (own_plant.py), which shares no code with it; of that, too, seeds from 3000, as faults found at lower
ones were looked into.
"""

import sys
from collections import defaultdict
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

from logger.stages import registry
from logger.stages.noticing import Noticed
from tests.noticing.bench import Row, match, noticed
from tests.noticing.course import Course
from tests.noticing.jobs import job
from tests.noticing.own_plant import own_job

DOC = Path(__file__).resolve().parents[2] / "docs" / "noticing.md"
HELD_OUT = 3000
SIZES = {"recovery": 16, "evening": 4, "quiet": 2}  # of the simulated plant
OWN_SIZES = {"job": 7, "quiet": 2}
NAMES = {
    "scale.cylinder_changed": "cylinder changed", "recovery.started": "recovery machine started",
    "recovery.liquid_ended": "liquid ended", "recovery.over": "recovery over",
    "pressure-test.nitrogen_in": "nitrogen in", "pressure-test.settled": "test pressure settled",
    "pressure-test.over": "test pressure let out", "evacuation.pump_started": "vacuum pump started",
    "decay.valved_off": "pump valved off (a question)", "charging.began": "charging began",
    "charging.over": "charging over", "start_up.compressor_started": "compressor started",
    "start_up.over": "compressor stopped",
}  # fmt: skip

HEAD = """# What is noticed without being asked, measured

Written by `python -m tests.noticing`. Jobs of two simulators: the simulated plant of `sim_device/` with seeds that no
threshold was set on, and a second one, `tests/noticing/own_plant.py`, that shares no code with it and on which
nothing was tuned at all. Plants of 8 to 240 kg and four refrigerants, scales that step by 10 to 90 g, each sensor
with a fixed error, noise and digits, some of the points missing, links that fail for seconds to ten minutes, wind on
the scale, a floor that drifts by day and night; hands lean, knock, tug, step on the platform, lift the cylinder and
put it back, lay a tool bag beside it for minutes, move hoses for good: some {hands:.0f} of those a night. Nobody
enters anything. All invented: simulated hands are kinder than real ones.

A delay counts from when it can be seen at the earliest: another cylinder from when it is on the scale. *As of* is
how far the time that is proposed is off, the median of its size; of a cylinder it is when the one before left,
so the column holds how long it was off the scale. A machine that moves less than 3 g/s a minute after its start
is not counted.
*False* is what was claimed and had not happened, over all {hours:.0f} hours. A recovery is over, and a
charging, when the last of it flowed or it was stopped.

| What | found | median late | worst late | as of, off by | false | false in 12 h |
|---|---|---|---|---|---|---|
"""


def main() -> int:
    rows: defaultdict[str, Row] = defaultdict(Row)
    parts: dict[str, defaultdict[str, Row]] = {}
    hours, hands, quiet_hours, quiet_false = 0.0, 0, 0.0, 0
    drawn = [(own, what, seed) for own, sizes in ((False, SIZES), (True, OWN_SIZES)) for what, count in sizes.items()
             for seed in range(HELD_OUT, HELD_OUT + count)]  # fmt: skip
    with ProcessPoolExecutor() as pool:
        for (own, what, _), (course, long, found) in zip(drawn, pool.map(_noticed, drawn), strict=True):
            for into in (rows, parts.setdefault("own" if own else "plant", defaultdict(Row))):
                before = _false(into)
                lines = match(course, found, into)
                wrong = _false(into) - before
            hours, hands = hours + long, hands + course.hands
            if what == "quiet":
                quiet_hours, quiet_false = quiet_hours + long, quiet_false + wrong
            print(course.name, *lines, sep="\n  ", flush=True)
    text = HEAD.format(hands=hands / hours * 12, hours=hours)
    text += "\n".join(_line(key, rows[key], hours) for key in registry.notices())
    false = _false(rows)
    text += f"\n\nAll together {false} false in {hours:.0f} hours: {false / hours * 12:.2f} in a night of 12 h"
    text += f"; in {quiet_hours:.0f} hours of nights in which nothing happened at all, {quiet_false}.\n"
    asked = rows["decay.valved_off"].asked
    text += TAIL.format(asked=asked, **{name: _short(part) for name, part in parts.items()})
    DOC.write_text(text, encoding="utf-8")
    print(text)
    return 0


TAIL = """
Apart: {plant} on the simulated plant;
{own} on the second simulator.

- **Valved off cannot be seen from a flat pressure.** A tight, dry system at its pump's own limit shows nothing when
  the valve is shut. So it is a question, asked when the vacuum rises, or when it has not moved for ten minutes;
  {asked} times in these jobs that question came while the pump was still running. A `no` costs one key.
- Where water may still be boiling (above 700 microns) its pressure creeps up under a running pump as it warms: there
  only a rise of 2 % a minute or more, faster than it can warm, asks that question.
- **Liquid ended** is seen by a thermometer at the recovery machine's inlet: the superheat rises by 4 K over its lowest
  within a minute, and stays. Rigs without one are among these, and flows that were wet for a few seconds only.
- **Another cylinder** has its hose changed. Where the cylinder's pressure follows its course while the scale reads
  nothing, it was only held up, and what lay on the platform in between does not count; a rig
  without that gauge can only wait for longer
  than anybody holds one.
- **Recovery over** waits until the system's pressure no longer falls, as a machine pulls long after the scale shows
  nothing. With the cylinder taken off, or the pressure on its way back up, it waits ten minutes, as it may go on.
- **Settled** and **over** wait by their nature: ten minutes for a pressure, two or three for a flow that stopped.
- What is noticed is proposed only where it is not entered already, and changes nothing until a person says yes.

> **Caution.** A proposal is no safeguard. Watch the gauges and the scale; the cylinder's markings and local codes
> come first.
"""


def _noticed(of: tuple[bool, str, int]) -> tuple[Course, float, list[tuple[int, Noticed]]]:
    """The course without its readings, how many hours it had, and what was noticed in it."""
    own, what, seed = of
    course = own_job(seed, what) if own else job(seed, what)
    found, hours = noticed(course), course.hours
    course.seconds.clear()
    return course, hours, found


def _false(rows: dict[str, Row]) -> int:
    return sum(row.false for row in rows.values())


def _line(key: str, row: Row, hours: float) -> str:
    if not row.of:
        return f"| {NAMES[key]} | - | - | - | - | {row.false} | {row.false / hours * 12:.2f} |"
    off = sorted(abs(one) for one in row.as_of)[len(row.as_of) // 2] if row.as_of else 0.0
    share = f"{row.found} of {row.of} ({row.found / row.of:.0%})"
    return (
        f"| {NAMES[key]} | {share} | {row.median_s:.0f} s | {row.worst_s:.0f} s | {off:.0f} s "
        f"| {row.false} | {row.false / hours * 12:.2f} |"
    )


def _short(part: dict[str, Row]) -> str:
    machine, cylinder = part["recovery.started"], part["scale.cylinder_changed"]
    return (
        f"machine {machine.found} of {machine.of}, worst {machine.worst_s:.0f} s; "
        f"cylinder {cylinder.found} of {cylinder.of}, worst {cylinder.worst_s:.0f} s"
    )


if __name__ == "__main__":
    sys.exit(main())
