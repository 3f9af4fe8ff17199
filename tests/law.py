"""The laws and standards that a verdict cites: what is computed, where its text is, what was verified.

`python -m tests.law` writes docs/law.md. Regimes, filling ratios and fill densities come from the program's own tables.
"""
# ruff: noqa: E501  cells of a table are whole sentences

from collections.abc import Iterator
from pathlib import Path

from logger.cylinder.filling_rules import CFR_DENSITY, P200_BY_TEST, P200_RATIO
from logger.model.units import POUND_KG
from logger.stages.leak_law.leak_rate import CHRONIC, FIRST_DAYS, REPAIR_DAYS
from logger.stages.leak_law.regimes import EU_CHECKS, EUROPEAN, FEDERAL, GWP_AR4, OZONE_DEPLETING, Regime

PAGE = Path(__file__).parents[1] / "docs" / "law.md"

# law, what is computed from it, what was verified and how
TEXTS: tuple[tuple[str, str, str], ...] = (
    ("40 CFR 82.152, 82.157 ", "leak rate by either method; 10, 20 and 30 % from 50 lb on, "
     "of ozone-depleting refrigerants; of others from 2019 to 10 April 2020",
     "82.157(a) to (c)(2) read in a copy: the thresholds, 50 lb, ozone-depleting refrigerants alone since 10 April 2020, "
     "at each addition but after a retrofit, an installation or for a seasonal variance; the formulas of 82.152 through "
     "secondary pages; 85 FR 14150 itself not read"),
    ("40 CFR 84.102, 84.106 (89 FR 82682)", "leak rate of refrigerants with a GWP above 53 from 15 lb on, since 1 January "
     "2026; residential and light commercial comfort cooling excluded; repair in 30 days (120 with an industrial process "
     "shutdown), verification tests; 125 % in a calendar year reported",
     "the beginning of 84.102 and the summary of 89 FR 82682 were read; 84.106 itself was not at hand, looked for twice: 15 lb, GWP "
     "53, 1 January 2026, the three thresholds, what is excluded and 30 and 120 days agree with six secondary pages; an "
     "initial verification test in those days and a follow-up within 10 days of it with three, the 365 days of a first "
     "addition with three; 125 % is as it was given to this project. Retrofit plans, inspections, extensions and records "
     "are not computed"),
    ("42 USC 7675(c)", "GWP of HFCs", "not read; blends computed from it agree with published AR4 values within 0.3 % "
     "(tests/stages/leak_law/test_regimes.py)"),
    ("Regulation (EU) 2024/573 article 5, (EU) 517/2014 article 4", "intervals of leak checks by CO2 equivalent",
     "500 t and the detection system of 517/2014 article 5 were read; intervals and their halving not read; the 10 t of "
     "hermetically sealed equipment and Annex II gases are not judged"),
    ("40 CFR 82.156, table 1", "recovery level", "table read, with both columns of low-pressure appliances at 25 mm Hg absolute; the exception (a)(1) read, (a)(2) for leaking appliances not read"),
    ("49 CFR 173.301a", "pressure at 131 °F up to 5/4 of the service pressure", "read in part, 173.304a(c)"),
    ("49 CFR 173.304a(a)(2), table 1", "filling densities and the markings they are for",
     "rows of R-12, R-13, R-22, R-115, R-142b, ammonia and carbon dioxide read; R-152a through a secondary page"),
    ("UN Model Regulations / ADR 4.1.4.1, P200", "filling ratios; P200(3): test pressure at least the vapor pressure at "
     "65 °C less 1 bar",
     "the pressure rule was read for tanks (ADR 4.3.3.2.2), which refers to P200; ratios through secondary pages; pairs "
     "that hang on the test pressure not read, held to CoolProp's pressure at 65 °C (tests/cylinder). The table's own "
     "test pressures of low-pressure gases are not used; some are higher than the vapor pressure, R-32's is 48 bar, not "
     "read: see the table"),
    ("49 CFR 180.205(c), 180.209", "requalification, 5 years unless the owner says otherwise", "secondary pages"),
    ("California Reference Appendix RA3.2", "15 min of settling, superheat within 5 °F, subcooling within 3 °F",
     "superheat read; subcooling not read"),
    ("AHRI Standard 700", "air up to 1.5 % of the vapor", "not read"),
)  # fmt: skip


def page() -> str:
    return "\n".join(_lines()) + "\n"


def _lines() -> Iterator[str]:
    yield from (
        "# What law and standards the verdicts rest on", "",
        "Made by `python -m tests.law`. A text decides, not this page: what could not be read here is called *not read*. Local",
        "codes and licensed practice come first.", "", "## Texts", "",
    )  # fmt: skip
    yield from _table(("text", "computed from it", "verified"), TEXTS)
    yield from ("", "## Leak-rate regimes", "")
    rows = [_regime(one) for one in (*FEDERAL, *EUROPEAN)]
    yield from _table(("regime", "law", "in force", "refrigerants", "from a charge of", "not covered"), rows)
    yield from (
        "", "Comfort cooling and other 10 %, commercial refrigeration 20 %, industrial process 30 % a year.",
        f"Repair within {REPAIR_DAYS} days. Chronic: {CHRONIC:.0%} of the charge in a calendar year. A first addition on "
        f"record counts over {FIRST_DAYS:.0f} days, or over those since the job before it.", "",
        "| CO2 equivalent below | months between checks | with a leak detection system |", "|---|---|---|",
    )  # fmt: skip
    for below, plain, detected in EU_CHECKS:
        yield f"| {'any' if below == float('inf') else f'{below:g} t'} | {plain or 'none'} | {detected or 'none'} |"
    yield from ("", "## GWP, 100 years, AR4", "", "Ozone-depleting ones in bold.", "")
    yield ", ".join(f"{f'**{n}**' if n in OZONE_DEPLETING else n} {value:g}" for n, value in GWP_AR4.items())
    yield from ("", "## Filling ratios of P200, mass over mass of water", "")
    yield ", ".join(f"{name} {ratio:.2f}" for name, ratio in P200_RATIO.items())
    yield from ("", "By test pressure in bar:", "")
    yield from (
        f"- {name}: {', '.join(f'{bar:g}: {r:.2f}' for bar, r in pairs)}" for name, pairs in P200_BY_TEST.items()
    )
    yield from ("", "## Filling densities of 49 CFR 173.304a, % by mass of water, by service pressure in psig", "")
    yield from (f"- {name}: {', '.join(f'{psi:g}: {p:g}' for psi, p in rows)}" for name, rows in CFR_DENSITY.items())


def _regime(one: Regime) -> tuple[str, ...]:
    until = "" if one.until is None else f" to {one.until}"
    kind = {True: "ozone-depleting", False: "others", None: "fluorinated gases"}[one.ozone]
    kind += "" if one.gwp_above is None else f" with a GWP above {one.gwp_above:g}"
    charge = f"{one.smallest_kg / POUND_KG:.0f} lb" if one.smallest_kg else "by CO2 equivalent"
    return one.key, one.law, f"{one.from_day}{until}", kind, charge, ", ".join(sorted(one.excluded)) or "-"


def _table(head: tuple[str, ...], rows: object) -> Iterator[str]:
    yield f"| {' | '.join(head)} |"
    yield "|" + "---|" * len(head)
    for row in rows:  # type: ignore[attr-defined]
        yield f"| {' | '.join(row)} |"


if __name__ == "__main__":
    PAGE.write_text(page(), encoding="utf-8")
