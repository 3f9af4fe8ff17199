"""`python -m tests.handbook.accuracy [--check]`: writes docs/accuracy.md, the table against every reference.

--check compares with the file instead and exits 1 when it is out of date. The page has no date, so the same inputs
give the same bytes.
"""

import argparse
import sys
import textwrap
from collections.abc import Iterator
from importlib.metadata import version
from pathlib import Path

from logger.refrigerant import find, names
from tests.handbook.comparisons import (
    CANTERA,
    Worst,
    against_cantera,
    against_coolprop,
    against_teqp,
    against_vapour_pressure,
    vapour_pressure_sources,
)
from tests.handbook.published import ASHRAE_34, NORMAL_BOILING_C
from tests.handbook.sensors import section as sensor_section
from tests.handbook.teqp_reference import covered, same_model

PAGE = Path(__file__).resolve().parents[2] / "docs" / "accuracy.md"
POINTS = 240
REQUIRED = ("R-22", "R-32", "R-143a", "R-12", "R-717", "R-744")


def page() -> str:
    return "\n".join(_lines()) + "\n"


def _lines() -> Iterator[str]:
    coolprop = {name: against_coolprop(name, POINTS) for name in names()}
    same = {name: against_teqp(name, POINTS) for name in names() if covered(find(name)) and same_model(find(name))}
    other = {name: against_teqp(name, POINTS, 0.85) for name in names() if covered(find(name)) and name not in same}
    correlations = {
        (name, source): against_vapour_pressure(name, source, POINTS)
        for name in names()
        for source in vapour_pressure_sources(name)
    }
    cantera = {name: against_cantera(name, POINTS) for name in CANTERA}
    yield from _head()
    yield from _summary(coolprop, same, correlations)
    yield from _coolprop_table(coolprop)
    yield from _teqp_tables(same, other)
    yield from _pure_tables(cantera, correlations)
    yield from _boiling_table()
    yield from _models_table()
    yield ""
    yield from sensor_section()


def _head() -> Iterator[str]:
    packages = ", ".join(f"{name} {version(name)}" for name in ("CoolProp", "teqp", "cantera", "chemicals"))
    yield "# How accurate the refrigerant table and the sensor curves are"
    yield ""
    yield from _prose(
        f"Made by `python -m tests.handbook.accuracy` with {packages}; {POINTS} points a curve, none of "
        "them on a node. The tests hold the same comparisons at fewer points on every run."
    )
    yield ""
    yield from _prose(
        "The numbers come from CoolProp with the phase envelope built first. So three things can be "
        "wrong: the splines between nodes (first table), CoolProp's solver (second), and the models "
        "themselves (the others). Only the last can be a matter of tenths of a kelvin, and for the "
        "estimated blends of kelvins."
    )
    yield ""


def _summary(
    coolprop: dict[str, dict[str, Worst]], same: dict[str, dict[str, Worst]], correlations: dict[tuple[str, str], Worst]
) -> Iterator[str]:
    def top(lines: tuple[str, ...]) -> tuple[float, str, float]:
        return max((found[line].error, name, found[line].celsius) for name, found in coolprop.items() for line in lines)

    kelvin, density = top(("bubble", "dew")), top(("liquid", "vapour"))
    teqp = max((found[line].error, name) for name, found in same.items() for line in ("bubble", "dew"))
    vdi = max((correlations[name, "VDI"].error, name) for name in REQUIRED)
    yield "| promise | worst found |"
    yield "|---|---|"
    yield f"| 0.02 K against primed CoolProp, all of the range | {kelvin[0]:.4f} K ({kelvin[1]}, {kelvin[2]:.0f} °C) |"
    yield f"| 0.05 % density against the same | {density[0]:.5%} ({density[1]}, {density[2]:.0f} °C) |"
    yield f"| another solver on the same models (teqp, {len(same)} blends) | {teqp[0]:.4f} K ({teqp[1]}) |"
    yield f"| 0.05 K against independent vapor pressures ({', '.join(REQUIRED)}) | {vdi[0]:.3f} K ({vdi[1]}) |"
    yield ""


def _coolprop_table(coolprop: dict[str, dict[str, Worst]]) -> Iterator[str]:
    yield "## Against primed CoolProp, between the nodes"
    yield ""
    yield from _prose(
        "Range: pressures of both curves; temperatures from the bubble point at the lowest to the bubble "
        "point at the highest pressure. Unanswered: points at which CoolProp itself found nothing."
    )
    yield ""
    yield "| refrigerant | model | kPa abs | °C | bubble, mK | dew, mK | liquid, % | vapor, % | unanswered |"
    yield "|---|---|---|---|---|---|---|---|---|"
    for name, found in coolprop.items():
        r = find(name)
        low, high = (k - 273.15 for k in r.bubble_range_k)
        missing = sum(w.asked - w.points for w in found.values())
        yield (
            f"| {name} | {r.tier} | {r.low_pa / 1e3:.1f} to {r.high_pa / 1e3:.0f} | {low:.1f} to {high:.1f} "
            f"| {found['bubble'].error * 1e3:.2f} | {found['dew'].error * 1e3:.2f} | {found['liquid'].error * 100:.5f} "
            f"| {found['vapour'].error * 100:.5f} | {missing} |"
        )
    yield ""


def _teqp_tables(same: dict[str, dict[str, Worst]], other: dict[str, dict[str, Worst]]) -> Iterator[str]:
    yield "## Blends against teqp: the same mixture models, another solver"
    yield ""
    yield from _prose(
        "teqp's bundled pair file gives six HFC pairs as (xi, zeta), which were converted first. Points: "
        "how many of the bubble and dew points teqp found (at low pressure some dew points of R-502, "
        "R-503 and R-508B have a second, unphysical root below the bubble point)."
    )
    yield ""
    yield "| refrigerant | bubble, mK | dew, mK | points |"
    yield "|---|---|---|---|"
    for name, found in same.items():
        points = f"{found['bubble'].points} + {found['dew'].points} of {found['bubble'].asked} + {found['dew'].asked}"
        yield f"| {name} | {found['bubble'].error * 1e3:.2f} | {found['dew'].error * 1e3:.2f} | {points} |"
    yield ""
    yield "## Blends against teqp: other mixture models"
    yield ""
    yield from _prose(
        "teqp bundles older models of the pairs with R-1234yf (Akasaka 2013, Bell 2016); here they are "
        "Bell 2022 and 2023, fitted to more measurements. The difference is what two careful fits "
        "disagree by: a measure of what is known about these blends. Up to 0.85 of the critical pressure "
        "(beyond it the critical points themselves differ)."
    )
    yield ""
    yield "| refrigerant | bubble, K | dew, K |"
    yield "|---|---|---|"
    for name, found in other.items():
        yield f"| {name} | {_at(found['bubble'])} | {_at(found['dew'])} |"
    yield ""


def _pure_tables(cantera: dict[str, dict[str, Worst]], correlations: dict[tuple[str, str], Worst]) -> Iterator[str]:
    yield "## Pure fluids against cantera's own equations"
    yield ""
    yield from _prose(
        "R-134a: Tillner-Roth and Baehr, own code. R-744: Reynolds 1979, an older equation than Span and "
        "Wagner's. Up to 0.99 of the critical temperature."
    )
    yield ""
    yield "| refrigerant | saturation, K | liquid density | vapor density |"
    yield "|---|---|---|---|"
    for name, found in cantera.items():
        liquid, vapour = (f"{found[k].error:.4%} at {found[k].celsius:.0f} °C" for k in ("liquid", "vapour"))
        yield f"| {name} | {_at(found['bubble'])} | {liquid} | {vapour} |"
    yield ""
    yield "## Pure fluids against vapor pressure correlations"
    yield ""
    yield from _prose(
        "From the chemicals package: VDI Heat Atlas (Wagner) and McGarry 1983 (Wagner), from -60 °C to "
        "0.97 of the critical temperature. They are fits of their own, older than most of the equations "
        "of state."
    )
    yield ""
    yield "| refrigerant | source | worst, K |"
    yield "|---|---|---|"
    for (name, source), found_worst in correlations.items():
        yield f"| {name} | {source} | {_at(found_worst)} |"
    yield ""


def _boiling_table() -> Iterator[str]:
    yield "## Normal boiling points against the published ones"
    yield ""
    yield from _prose(
        f"At 101.325 kPa, °C. Source: {ASHRAE_34}; rounded to 0.1 K, and for older blends known to differ "
        "between publications by several tenths."
    )
    yield ""
    yield "| refrigerant | model | bubble | published | dew | published | largest difference, K |"
    yield "|---|---|---|---|---|---|---|"
    for name in names():
        if name in NORMAL_BOILING_C:
            r, published = find(name), NORMAL_BOILING_C[name]
            ours = (r.bubble_temperature(101325.0) - 273.15, r.dew_temperature(101325.0) - 273.15)
            largest = max(abs(a - b) for a, b in zip(ours, published, strict=True))
            yield (
                f"| {name} | {r.tier} | {ours[0]:.2f} | {published[0]:.1f} | {ours[1]:.2f} | {published[1]:.1f} "
                f"| {largest:.2f} |"
            )
    yield ""


def _models_table() -> Iterator[str]:
    yield "## Composition and models"
    yield ""
    yield from _prose(
        "Citation keys are CoolProp's. Critical point: of the blend's envelope. Pressure class: 40 CFR "
        "82, by liquid saturation at 104 °F (170 and 355 psia from the rule, the other limits: not "
        f"checked against its text). Safety class: {find('R-22').safety_source}."
    )
    yield ""
    yield "| refrigerant | mass % | critical | glide at 101.325 kPa, K | pressure class | safety | models |"
    yield "|---|---|---|---|---|---|---|"
    for name in names():
        r = find(name)
        parts = "pure" if r.pure else ", ".join(f"{part} {share * 100:g}" for part, share in r.composition.items())
        critical = f"{r.critical_temperature_k - 273.15:.2f} °C, {r.critical_pressure_pa / 1e6:.3f} MPa"
        yield (
            f"| {name} | {parts} | {critical} | {r.glide_k:.2f} | {r.pressure_class} | {r.safety_class} "
            f"| {', '.join(r.models)} |"
        )


def _prose(text: str) -> list[str]:
    return textwrap.wrap(text, 110, break_on_hyphens=False)


def _at(found: Worst) -> str:
    return f"{found.error:.4f} at {found.celsius:.0f} °C"


def main() -> int:
    parser = argparse.ArgumentParser(description="write docs/accuracy.md")
    parser.add_argument("--check", action="store_true", help="only say whether the file is up to date")
    text = page()
    if parser.parse_args().check:
        current = PAGE.read_text(encoding="utf-8") if PAGE.exists() else ""
        print("up to date" if current == text else "out of date")
        return 0 if current == text else 1
    PAGE.parent.mkdir(exist_ok=True)
    PAGE.write_text(text, encoding="utf-8")
    print("\n".join(text.splitlines()[:20]))
    return 0


if __name__ == "__main__":
    sys.exit(main())
