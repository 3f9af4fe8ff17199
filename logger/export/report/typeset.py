"""The report as PDF/A-3a and PDF/UA-1, set by typst.

Everything that comes from outside reaches the typesetter as JSON data, never as markup. The same data give the same
bytes: no clock, no system fonts, no packages.
"""

import io
import json
from datetime import UTC, datetime
from importlib import resources
from importlib.metadata import version
from pathlib import Path
from typing import Any, Literal

import fontpkg_source_sans_3
import segno
import typst

from logger.export.errors import ReportError
from logger.export.report.glyphs import harmless
from logger.export.report.report_data import ReportData
from logger.export.report.report_view import view
from logger.model.units import NS_PER_S

Paper = Literal["us-letter", "a4"]
PAPER: dict[str, Paper] = {"us": "us-letter", "si": "a4"}

ATTACHED_AT_MOST = 32_000_000  # bytes of readings.csv; a larger one is named by its digest only
_STANDARDS = ["a-3a", "ua-1"]
FONTS = [str(Path(fontpkg_source_sans_3.__file__).parent / "files")]
FAMILIES = ["Source Sans 3", "DejaVu Sans Mono"]
_PROBE = b'#set document(title: "probe")\n#set text(font: ("Source Sans 3", "DejaVu Sans Mono"))\n#json("text.json")'

_PICTURE = b'#set document(title: "probe")\n#image(bytes(json("picture.json")), alt: "probe")'


def render(
    data: ReportData, readings_csv: bytes | None = None, paper: Paper | None = None, *, customer: bool = False
) -> bytes:
    """The PDF. readings_csv: attached to it. paper: by the job's unit system when None. customer: the first page alone.

    Raises ReportError.
    """
    return compiled(sources(data, readings_csv, paper, customer=customer), data.last_ns)


def sources(
    data: ReportData, readings_csv: bytes | None = None, paper: Paper | None = None, *, customer: bool = False
) -> dict[str, bytes]:
    """The files that the typesetter sets, of `render`."""
    seen = harmless(view(data, attached=readings_csv is not None), settable)
    # A report is not lost for the sake of a logo.
    seen["logo"] = list(data.logo) if data.logo and picture_problem(data.logo) is None else []
    files = {
        "main.typ": _template("customer.typ" if customer else "report.typ"),
        **{name: _template(name) for name in ("parts.typ", "first_page.typ")},
        "data.json": json.dumps(seen | {"paper": paper or PAPER[data.job.units], "fonts": FAMILIES}).encode(),
        "qr.svg": _qr(f"sha256:{data.readings.sha256} readings.csv of rimelog job {seen['job_id']}"),
    }
    if readings_csv is not None:
        files["readings.csv"] = readings_csv
    return files


def _template(name: str) -> bytes:
    return (resources.files("logger.export") / "files" / name).read_bytes()


def compiled(files: dict[str, bytes], t_ns: int) -> bytes:
    """files: by name, "main.typ" is set."""
    compile_files: Any = typst.compile  # its type hints know nothing of files in memory yet
    try:
        pdf: bytes = compile_files(
            files,
            format="pdf",
            font_paths=FONTS,
            ignore_system_fonts=True,
            pdf_standards=_STANDARDS,
            timestamp=datetime.fromtimestamp(t_ns // NS_PER_S, UTC),
        )
    except (typst.TypstError, RuntimeError) as exc:
        diagnostic = getattr(exc, "diagnostic", "")[:1000] or exc
        raise ReportError(f"the report could not be set: {diagnostic}") from exc
    return pdf


def picture_problem(picture: bytes) -> str | None:
    """Why the typesetter cannot set it. Files in memory are text to it: a picture goes in as a list of its bytes."""
    try:
        compiled({"main.typ": _PICTURE, "picture.json": json.dumps(list(picture)).encode()}, 0)
    except ReportError as exc:
        return str(exc)
    return None


def settable(text: str) -> bool:
    try:
        compiled({"main.typ": _PROBE, "text.json": json.dumps(text).encode()}, 0)
    except ReportError:
        return False
    return True


def _qr(text: str) -> bytes:
    out = io.BytesIO()
    segno.make(text, error="m", micro=False).save(out, kind="svg", border=0, scale=4, xmldecl=False)
    return out.getvalue()


def typesetter() -> str:
    """Everything that shapes the PDF: where all of it is the same, the same data give the same bytes."""
    packages = ("rimelog", "typst", "fontpkg-source-sans-3", "segno")
    return ", ".join(f"{name} {version(name)}" for name in packages)
