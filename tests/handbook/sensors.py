"""Sensor curves against published tables: the section of docs/accuracy.md, and the points that tests hold them to."""

import math
from collections.abc import Iterator

from firmware_protocol.codes import Thermocouple
from logger.decode import sensor_curves

# Ohm of a Pt100 by the table of IEC 60751, as reprinted at sensorsci.com/reference.htm (to 600 C) and
# sensingtemp.com/resources-rtd-resistance-tables.html; 850 C from memory. The standard's formula reproduces them.
IEC_60751 = (
    (-200, 18.52), (-150, 39.72), (-100, 60.26), (-50, 80.31), (-10, 96.09), (0, 100.00), (10, 103.90), (50, 119.40),
    (100, 138.51), (150, 157.33), (200, 175.86), (400, 247.09), (600, 313.71), (850, 390.48),
)  # fmt: skip

# mV at whole degrees, the other junction at 0 C: NIST ITS-90 Thermocouple Database (SRD 60, version 3.0,
# srdata.nist.gov/its90/download/type_k.tab and so on), which reproduces NIST Monograph 175.
NIST_TABLES = {
    Thermocouple.K: ((-200, -5.891), (-150, -4.913), (-140, -4.669), (25, 1.000), (100, 4.096), (300, 12.209)),
    Thermocouple.T: ((-200, -5.603), (-100, -3.379), (-50, -1.819), (-40, -1.475), (100, 4.279), (400, 20.872)),
    Thermocouple.J: ((-200, -7.890), (25, 1.277), (100, 5.269), (760, 42.919), (1200, 69.553)),
}

# Table A.1 of a temperature controller's manual: resistance of a common 10 kOhm thermistor, to which the Steinhart-Hart
# equation fits within 0.01 C (manualsdump.com/en/manuals/lightwave_communications-ldt-5525/138826/41). Its rows for 25
# and 40 C are left out as read there: they lie 0.1 and 0.5 C off the smooth curve through all others.
THERMISTOR_TABLE = ((32128, 0), (19549, 10), (12262, 20), (7908, 30), (3542, 50))


def steinhart_hart_through(points: tuple[tuple[float, float], ...]) -> tuple[float, float, float]:
    """a, b, c by three points (Ohm, C), as the paper of 1968 solves them."""
    (r0, t0), (r1, t1), (r2, t2) = points
    l0, l1, l2 = math.log(r0), math.log(r1), math.log(r2)
    y0, y1, y2 = (1 / (t + 273.15) for t in (t0, t1, t2))
    g1, g2 = (y1 - y0) / (l1 - l0), (y2 - y0) / (l2 - l0)
    c = (g2 - g1) / (l2 - l1) / (l0 + l1 + l2)
    b = g1 - c * (l0**2 + l0 * l1 + l1**2)
    return y0 - l0 * (b + c * l0**2), b, c


def section() -> Iterator[str]:
    """Lines in Markdown: worst difference of each curve from its published table, and what rounding explains."""
    platinum = sensor_curves.rtd(100.0)
    rows = [("PT100, PT1000 (IEC 60751)", [(t, platinum.value_at(ohm) - 273.15) for t, ohm in IEC_60751], "0.01 Ohm")]
    for pair, table in NIST_TABLES.items():
        curve = sensor_curves.thermocouple(pair)
        rows.append(
            (f"thermocouple {pair.name} (NIST)", [(t, curve.value_at(mv / 1e3) - 273.15) for t, mv in table], "1 uV")
        )
    a, b, c = steinhart_hart_through((THERMISTOR_TABLE[0], THERMISTOR_TABLE[1], THERMISTOR_TABLE[4]))
    thermistor = sensor_curves.steinhart_hart(a, b, c)
    rows.append((
        "thermistor, Steinhart-Hart through three of its points",
        [(t, thermistor.value_at(ohm) - 273.15) for ohm, t in THERMISTOR_TABLE], "1 Ohm",
    ))  # fmt: skip
    yield "## Sensor curves against published tables"
    yield ""
    yield "| curve | points | worst, K | at, C | the table is rounded to |"
    yield "|---|---|---|---|---|"
    for name, points, rounded in rows:
        at, worst = max(((t, abs(read - t)) for t, read in points), key=lambda found: found[1])
        yield f"| {name} | {len(points)} | {worst:.3f} | {at} | {rounded} |"
    yield ""
    yield "Sources and every point: `tests/handbook/sensors.py`. Thermocouples also agree with the package"
    yield "thermocouple-its90, which is checked by NIST's whole tables, at every degree from -200 C on within 0.1 nV."
    yield ""
    yield "A reading's standard uncertainty is made of four: the step of the raw number (1/sqrt(12) of it, through"
    yield "the curve's slope), the stated accuracy (1/sqrt(3) of its limits, and of the share), or in its place"
    yield "the calibration's, and for a thermocouple that of its cold junction, through dE/dT there and at the reading."
    yield "Where one that matters was never stated, the uncertainty is unknown, not left out."
