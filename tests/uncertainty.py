"""Does the uncertainty that a finding prints agree with how far off it is?

`python -m tests.uncertainty` draws the whole chain many times, prints the table and writes docs/uncertainty.md. The
suite draws fewer (tests/stages/test_uncertainty.py).
"""

from collections.abc import Iterable
from pathlib import Path

from tests.stages.whole_chain import CASES, Agreement, agreements

PAGE = Path(__file__).resolve().parent.parent / "docs" / "uncertainty.md"
SEED, RUNS = 10_000, 300
WITHIN = 0.2
HEAD = """# Is the printed uncertainty true?

Made by `python -m tests.uncertainty`: {runs} runs of each stage, from devices of stated accuracy to the finding, by
the public door `logger.analyse`. In each run every device's error is drawn again within its stated accuracy, with noise
and digits on each reading; what no device states (how far the gas is from a clamp on the pipe, how the volume is split,
what the weather does to a gauge pressure, how well the volume is known, how good a rating sheet is) is drawn as wide as
the analysis assumes it. Whether that is wide enough is not tested here but against simulated circuits:
[how often the analyses are right](confusion.md).

Spread: root mean square of found less truth. u: root mean square of the standard uncertainty stated; a sentence
prints 2 u. They agree within 20 %. Every number that a sentence prints with ± is here; a test fails where one is
missing.

| finding | number | unit | spread | u stated | spread / u |
|---|---|---|---|---|---|
"""
ALONE = """
## Stated without ±

In findings.json and by the digits shown only. In a phase of a few minutes the rate is surer than it is stated to be.

| finding | number | unit | spread | u stated | spread / u |
|---|---|---|---|---|---|
"""
RATE = """
## The mass rate

The rate of flow on a scale has tests of its own (`tests/scale/test_rate.py`): steady flows and flows that die away,
with noise from none to one and a half divisions and a drift of a division an hour. The spread is within 20 % of the
stated u where noise shakes the reading; where none does, the scale hides where it is within a division, and u is a
bound. For half a minute after a valve moved the rate may be off by more.
"""
WITHOUT_SIGN = frozenset({"recovery.phase", "standing-pressure.verdict/start", "start_up.high_side"})


def printed(one: Agreement) -> bool:
    return not {one.key, f"{one.key}/{one.name}"} & WITHOUT_SIGN


def page(found: list[Agreement]) -> str:
    def rows(these: Iterable[Agreement]) -> str:
        return "".join(
            f"| `{one.key}` | {one.name.replace('_', ' ')} | {one.unit} | {one.spread:.3g} | {one.stated:.3g} "
            f"| {one.ratio:.2f} |\n"
            for one in these
        )

    return (
        HEAD.format(runs=RUNS) + rows(filter(printed, found)) + ALONE + rows(o for o in found if not printed(o)) + RATE
    )


def main() -> int:
    found = [one for case in CASES for one in agreements(case, range(SEED, SEED + RUNS))]
    text = page(found)
    print(text)
    PAGE.write_text(text, encoding="utf-8")
    return 1 if any(abs(one.ratio - 1.0) > WITHIN for one in found if printed(one)) else 0


if __name__ == "__main__":
    raise SystemExit(main())
