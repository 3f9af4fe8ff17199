"""The site: README, docs and the protocol as HTML. Each link between them leads somewhere; no network is needed."""

import re
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent


def built(source: Path, out: Path) -> subprocess.CompletedProcess[str]:
    command = [
        sys.executable,
        "-m",
        "sphinx",
        "-q",
        "-W",
        "-n",
        "--keep-going",
        "-c",
        str(ROOT / "docs"),
        str(source),
        str(out),
    ]
    return subprocess.run(command, capture_output=True, text=True, check=False, timeout=300)


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("site")
    done = built(ROOT, out)
    assert done.returncode == 0, done.stderr
    return out


def test_every_page_is_there_and_in_the_contents(site: Path) -> None:
    pages = [
        "README.md",
        "DEVELOPERS.md",
        "firmware_protocol/SPEC.md",
        *(p.relative_to(ROOT) for p in ROOT.glob("docs/**/*.md")),
    ]
    contents, decided = ((site / name).read_text(encoding="utf-8") for name in ("README.html", "DEVELOPERS.html"))
    for page in map(str, pages):
        html = str(Path(page).with_suffix(".html"))
        assert (site / html).is_file(), page
        listed = decided if "/decisions/" in page else contents
        assert page == "README.md" or f'href="{html}' in listed, page


def test_the_checklist_has_boxes(site: Path) -> None:
    assert (site / "README.html").read_text(encoding="utf-8").count('type="checkbox"') == 6


def test_it_is_read_without_a_network(site: Path) -> None:
    for page in site.rglob("*.html"):
        text = page.read_text(encoding="utf-8")
        fetched = re.findall(r'<(?:script|img|iframe)[^>]* src="([^"]+)"|<link[^>]* href="([^"]+)"', text)
        assert not [one for pair in fetched for one in pair if one.startswith(("http", "//"))], page
    for sheet in site.rglob("*.css"):
        assert not re.search(r"url\([\"']?(?:https?:)?//|@import [\"']http", sheet.read_text(encoding="utf-8")), sheet


def test_a_link_or_an_anchor_that_leads_nowhere_fails(tmp_path: Path) -> None:
    (tmp_path / "docs").mkdir()
    (tmp_path / "README.md").write_text(
        "# A\n\n[page](docs/page.md#no-such) and [file](docs/gone.md)\n", encoding="utf-8"
    )
    (tmp_path / "docs" / "page.md").write_text("# Page\n", encoding="utf-8")
    done = built(tmp_path, tmp_path / "out")
    assert done.returncode != 0 and "no-such" in done.stderr and "gone.md" in done.stderr
