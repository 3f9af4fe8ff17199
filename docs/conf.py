"""The site: `python -m sphinx -W -n -c docs . build/site` sets README, docs and the protocol's pages as HTML.

Sources are the repository itself, so that every link between its pages is checked. Nothing is fetched, neither then nor
by who reads it.
"""

from pathlib import Path

from sphinx.application import Sphinx

project = "Rimelog"
project_copyright = "MIT license"
extensions = ["myst_parser"]
root_doc = "README"
include_patterns = ["README.md", "DEVELOPERS.md", "docs/**.md", "firmware/README.md", "firmware_protocol/**.md"]
exclude_patterns = ["build/**", ".venv/**"]
myst_enable_extensions = ["tasklist"]
myst_heading_anchors = 4  # as the web pages of a repository have them
suppress_warnings = ["misc.highlighting_failure"]  # the diagram of states stays as it is written

html_theme = "alabaster"  # comes with Sphinx; no fonts or scripts of another site
html_title = "Rimelog"
html_static_path = ["static"]
html_show_copyright = False
html_show_sourcelink = False
html_copy_source = False
html_sidebars = {"**": ["about.html", "searchfield.html", "navigation.html"]}
html_theme_options = {
    "description": "Logger and monitor for refrigeration service work",
    "fixed_sidebar": True,
    "page_width": "1240px",
    "sidebar_width": "240px",
    "body_max_width": "none",
    "font_family": "system-ui, sans-serif",
    "head_font_family": "system-ui, sans-serif",
    "code_font_family": "ui-monospace, monospace",
    "link": "#0b5d57",
    "link_hover": "#1d2a30",
    "show_powered_by": False,
}

CONTENTS = """

```{{toctree}}
:hidden:
:caption: {caption}

{pages}
```
"""
DEVELOPERS = "DEVELOPERS"
PARTS = {
    "On the job": (
        "docs/mechanic",
        "docs/commands",
        "docs/page",
        "docs/customer",
        "docs/corrections",
        "docs/alarms",
        "docs/failures",
    ),
    "Setting up": ("docs/files", "docs/bluetooth", "docs/build", "firmware_protocol/c/README", "firmware/README"),
    "All jobs": ("docs/register", "docs/python"),
    "How sure it is": (
        "docs/law",
        "docs/accuracy",
        "docs/uncertainty",
        "docs/confusion",
        "docs/benchmarks",
        "docs/soak",
    ),
}


def contents(app: Sphinx, name: str, source: list[str]) -> None:
    """The first page gets the table of contents, what PARTS does not name after it; decisions are under DEVELOPERS."""
    if name in (root_doc, DEVELOPERS):
        named = {page for pages in PARTS.values() for page in pages}
        rest = sorted(set(app.env.found_docs) - named - {root_doc})
        decided = tuple(page for page in rest if "/decisions/" in page)
        building = tuple(page for page in rest if page not in decided)
        parts = PARTS | {"Building it": building} if name == root_doc else {"Decisions": decided}
        for caption, pages in parts.items():
            source[0] += CONTENTS.format(caption=caption, pages="\n".join(f"/{page}" for page in pages))


def way_in(app: Sphinx, failure: Exception | None) -> None:
    """A server's and a file browser's first page."""
    page = '<!doctype html><title>Rimelog</title><meta http-equiv="refresh" content="0; url=README.html">\n'
    Path(app.outdir, "index.html").write_text(page, encoding="utf-8")


def setup(app: Sphinx) -> None:
    app.connect("source-read", contents)
    app.connect("build-finished", way_in)
