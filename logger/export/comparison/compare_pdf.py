"""A comparison as files: the picture (SVG), and the page (PDF/A-3a and PDF/UA-1, set like the report)."""

import json
from importlib import resources
from importlib.metadata import version
from typing import Any

from logger.export.comparison import compare_text
from logger.export.comparison.compare_svg import svg
from logger.export.comparison.curves import drawing_of
from logger.export.comparison.figures import Compared
from logger.export.comparison.sides import Side
from logger.export.report.glyphs import harmless
from logger.export.report.report_words import INVENTED
from logger.export.report.typeset import FAMILIES, PAPER, Paper, compiled, settable
from logger.stages.words import text_of
from logger.wording.values import Shown

CAUTION = (
    "This page compares what instruments showed. It guides no filling, pressurizing or evacuation, and does not say "
    "why two runs differ. Local codes, the markings of cylinders and equipment, the makers' instructions and licensed "
    "practice come first."
)


def picture(found: Compared, shown: Shown) -> bytes:
    """The SVG: plot, verdict and the sentences behind it."""
    plot = harmless(drawing_of(found, shown), lambda _: True)
    title = found.title
    said = compare_text.sentences(found, shown) + compare_text.remarks(found, shown)
    return svg(plot, title, f"{title}: no curve can be drawn", said, found.headline, invented(found))


def page(found: Compared, shown: Shown, paper: Paper | None = None) -> bytes:
    """The PDF. paper: by the unit system when None. Raises ReportError."""
    data = harmless(_data(found, shown), settable)
    plot = data.pop("plot")
    files = {
        "main.typ": (resources.files("logger.export") / "files" / "compare.typ").read_bytes(),
        "data.json": json.dumps(
            data | {"alt": plot["alt"] if plot else None, "paper": paper or PAPER[shown.system], "fonts": FAMILIES}
        ).encode(),
    }
    if plot is not None:
        files["plot.svg"] = svg(plot, "", "", (), "", invented(found))
    return compiled(files, max(found.a.end_ns, found.b.end_ns))


def invented(found: Compared) -> str | None:
    """What must be said when one or both jobs are invented."""
    which = [letter for letter, side in (("A", found.a), ("B", found.b)) if side.job.invented]
    return None if not which else INVENTED if len(which) == 2 else f"{which[0]}: {INVENTED[0].lower()}{INVENTED[1:]}"


def _data(found: Compared, shown: Shown) -> dict[str, Any]:
    return {
        "title": found.title,
        "names": [compare_text.label(side) for side in (found.a, found.b)],
        "invented": invented(found),
        "clear": found.result.decided,
        "headline": found.headline,
        "sentences": compare_text.sentences(found, shown),
        "rows": [[r.name, r.a, r.b, r.against, r.word] for r in compare_text.rows(found, shown)],
        "remarks": compare_text.remarks(found, shown),
        "facts": [list(row) for row in compare_text.circumstances(found, shown)],
        "plot": drawing_of(found, shown),
        "rule": text_of(found.result.finding, shown).rule,
        "caution": CAUTION,
        "sources": [_source(side) for side in (found.a, found.b)],
        "software": version("rimelog"),
    }


def _source(side: Side) -> list[str]:
    return [f"job {side.job.job_id}, records 1 to {side.records:,}, the last with digest", side.head.hex()]
