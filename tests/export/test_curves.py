"""The drawing of a comparison: one axis for both, nothing outside it, lines broken where nothing was measured."""

import math
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree as Xml

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.evidence.chain import GENESIS
from logger.export.comparison import compare_text
from logger.export.comparison.compare_pdf import invented, page, picture
from logger.export.comparison.curves import drawing_of
from logger.export.comparison.figures import Compared, compared
from logger.export.comparison.sides import Side
from logger.export.errors import CompareError
from logger.model.job import Job, Stage
from logger.model.points import Quantity
from logger.model.sample import Series
from logger.model.units import NS_PER_S
from logger.model.value import known
from logger.stages.comparison import Differs, Fact, Run
from logger.wording.values import Shown
from tests import pdf

SVG = "{http://www.w3.org/2000/svg}"
HOUR_NS = 3600 * NS_PER_S
HOSTILE = '麦酒 😀 <b> & "x" #import $x$ \x1b[2J\u202e' + "W" * 80


def side(name: str, series: Series, kind: str = "evacuation", fake: bool = False, **of_job: float) -> Side:
    job = Job(f"job-{name[:3].strip()}", "R-407C", invented=fake, **of_job)  # type: ignore[arg-type]
    run = Run(name, series, charge_kg=job.full_charge_kg, volume_m3=job.volume_m3)
    stage = Stage(1, kind, HOUR_NS, 2 * HOUR_NS)
    return Side(name, job, job.refrigerant, stage, 2 * HOUR_NS, 0, 101325.0, run, (), (), 1, GENESIS)


def pulled(tau_s: float, base_pa: float = 60.0, hole: tuple[float, float] = (0.0, 0.0)) -> Series:
    t = [5.0 * i for i in range(400) if not hole[0] < 5.0 * i < hole[1]]
    return Series("vacuum", t, [base_pa + 20000.0 * math.exp(-x / tau_s) for x in t], u=1.0, u_scale=3.0)


def two(a: Series, b: Series) -> Compared:
    return compared(side("one", a), side("two", b))


@settings(max_examples=40, deadline=None)
@given(st.floats(20.0, 2000.0), st.floats(20.0, 2000.0), st.floats(5.0, 500.0), st.sampled_from(["us", "si"]))
def test_everything_is_on_the_axes(tau_a: float, tau_b: float, base: float, system: str) -> None:
    plot = drawing_of(two(pulled(tau_a, base), pulled(tau_b)), Shown(system))
    assert plot is not None
    for curve in plot["curves"]:
        points = [p for piece in curve["pieces"] for p in piece]
        assert all(0.0 <= v <= 1.0 for p in points for v in p)
        assert any(abs(p[0] - curve["at"][0]) < 1e-4 and abs(p[1] - curve["at"][1]) < 1e-4 for p in points)
    a, b = (curve["at"] for curve in plot["curves"])
    assert math.hypot(a[0] - b[0], a[1] - b[1]) > 0.1  # the letters do not cover each other
    assert all(0.0 <= x <= 1.0 + 1e-9 for x, _ in plot["x"]) and 3 <= len(plot["x"]) <= 12
    assert plot["left"]["unit"] == {"us": "microns", "si": "Pa"}[system]


def test_both_lie_on_one_scale() -> None:
    """The same curve twice is drawn twice at the same place."""
    plot = drawing_of(two(pulled(300.0), pulled(300.0)), Shown())
    assert plot is not None
    assert plot["curves"][0]["pieces"] == plot["curves"][1]["pieces"]


def test_a_line_is_broken_where_nothing_was_measured() -> None:
    plot = drawing_of(two(pulled(300.0), pulled(300.0, hole=(600.0, 1000.0))), Shown())
    assert plot is not None
    assert [len(c["pieces"]) for c in plot["curves"]] == [1, 2]


def test_a_picture_without_curves_still_says_why() -> None:
    found = two(pulled(300.0), Series("vacuum", [0.0], [100.0]))
    assert not found.result.decided and drawing_of(found, Shown()) is None
    root = Xml.fromstring(picture(found, Shown()))
    texts = " ".join(t.text or "" for t in root.iter(f"{SVG}text"))
    assert "Cannot tell" in texts and "did not pass through a common range" in texts
    assert "no curve can be drawn" in (root.findtext(f"{SVG}desc") or "")
    assert not list(root.iter(f"{SVG}path"))


def test_names_from_people_are_harmless_everywhere(tmp_path: Path) -> None:
    a, b = pulled(300.0), pulled(500.0)
    found = compared(side(HOSTILE, a), side("plain", b))
    root = Xml.fromstring(picture(found, Shown()))  # well-formed
    texts = [t.text or "" for t in root.iter(f"{SVG}text")]
    assert any(t.startswith('麦酒 😀 <b> & "x" #import $x$') for t in texts)
    assert not any(ord(ch) < 32 or ch == "\u202e" for t in texts for ch in t)
    (tmp_path / "a.pdf").write_bytes(page(found, Shown()))
    text = pdf.text(tmp_path / "a.pdf")
    assert "[U+9EA6]" in text and "#import $x$" in text


def test_it_says_whose_data_are_invented() -> None:
    real, fake = side("one", pulled(300.0)), side("two", pulled(300.0), fake=True)
    assert invented(compared(real, side("two", pulled(300.0)))) is None
    assert (invented(compared(real, fake)) or "").startswith("B: sample data")
    assert (invented(compared(fake, fake)) or "").startswith("Sample data")
    assert b"INVENTED" not in picture(compared(real, real), Shown())
    assert b"SAMPLE DATA" in picture(compared(real, fake), Shown())


def test_two_kinds_are_refused() -> None:
    with pytest.raises(CompareError, match="only two of a kind"):
        compared(side("one", pulled(300.0)), side("two", pulled(300.0), "recovery"))


def test_one_appliance_twice_is_not_blurred_by_its_volume() -> None:
    """The doubt about a volume is the same in both runs; of two appliances it is not."""
    a, b = pulled(300.0), pulled(500.0)
    alike = [side(n, s, volume_m3=0.05) for n, s in (("one", a), ("two", b))]
    assert "liter" in compared(*alike).result.x_label
    same = Job("job", "R-407C", appliance="GC-2", volume_m3=0.05)
    one, other = (replace(s, job=same) for s in alike)
    found = compared(one, other)
    assert found.result.x_label == "Pumping time" and "cancels" in found.result.normalised


@pytest.mark.parametrize(
    ("si", "u", "factor", "shown"),
    [
        (0.02, 0.001, 1 / 3600.0, "72.0 ± 7.2"),
        (118.0, None, 1.0, "118"),
        (1.5, None, 1.0, "1.50"),
        (1234.5, 50.0, 1.0, "1,234 ± 100"),
        (-0.0001, 0.1, 1.0, "0.00 ± 0.20"),
    ],
)
def test_figures_follow_the_uncertainty(si: float, u: float | None, factor: float, shown: str) -> None:
    assert compare_text._figure(si, u, factor) == shown


def test_what_else_differs_is_named() -> None:
    def warmer(kelvin: float) -> Side:
        facts = (Fact("Ambient, mean", known(kelvin, "K", 0.2), Quantity.TEMPERATURE, Differs.BY_WEATHER),)
        return replace(side("one", pulled(300.0)), facts=facts)

    decided = " ".join(compare_text.remarks(compared(warmer(293.15), warmer(303.15)), Shown("si")))
    assert "They also differ in: ambient, mean (20.0 °C ± 0.40 K and 30.0 °C ± 0.40 K)" in decided
    assert "also differ" not in " ".join(compare_text.remarks(compared(warmer(293.15), warmer(294.0)), Shown()))
