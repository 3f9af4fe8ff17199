"""Pages that are made here and not laid out by page.js: plain HTML, each with its title, back to the job by a link.

Made as a tree and written out by the standard library, which escapes every text and attribute. A form with `data-post`
is sent by forms.js as JSON of its fields, with the key of this browser; it is answered with {"go": path} or a
refusal's "title".
"""

from collections.abc import Iterable
from xml.etree import ElementTree
from xml.etree.ElementTree import Element

from starlette.responses import HTMLResponse

Child = Element | str


def el(tag: str, *children: Child, **attributes: str | bool) -> Element:
    """attributes: class_ for class, data_post for data-post; True for one without a value, False for none."""
    names = {name: value for name, value in attributes.items() if value is not False}
    made = Element(tag, {n.rstrip("_").replace("_", "-"): "" if v is True else str(v) for n, v in names.items()})
    for child in children:
        if isinstance(child, Element):
            made.append(child)
        elif len(made):
            made[-1].tail = (made[-1].tail or "") + child
        else:
            made.text = (made.text or "") + child
    return made


def document(title: str, *content: Child, version: str = "") -> HTMLResponse:
    """A whole page. version: while it is shown, the page asks /version of its path now and then, and is loaded again
    when that is another."""
    head = el(
        "head",
        el("meta", charset="utf-8"),
        el("meta", name="viewport", content="width=device-width, initial-scale=1, viewport-fit=cover"),
        el("title", f"{title} · Rimelog"),
        el("link", rel="icon", href="data:,"),
        el("link", rel="stylesheet", href="/page.css"),
        el("script", src="/forms.js", defer=True),
    )
    top = el("div", el("a", "Back to the job", href="/", class_="btn quiet"), class_="top")
    main = el("main", el("h1", title), *content, id="main")
    body = el(
        "body", el("header", top, el("p", class_="rule"), class_="head"), main, el("p", id="said", role="status"),
        class_="sheet", data_version=version,
    )  # fmt: skip
    tree = el("html", head, body, lang="en-US")
    return HTMLResponse("<!doctype html>" + ElementTree.tostring(tree, "unicode", method="html"))


def post(action: str, *content: Child) -> Element:
    return el("form", *content, data_post=action)


def choice(name: str, options: Iterable[tuple[str, str, str]], chosen: str, legend: str) -> Element:
    """Radio buttons. options: (value, label, what it means)."""
    labels = [
        el(
            "label",
            el("input", type="radio", name=name, value=value, checked=value == chosen),
            el("span", label, el("small", means)),
        )
        for value, label, means in options
    ]
    return el("fieldset", el("legend", legend), *labels, class_="choice")


def entry(name: str, label: str, value: str = "", note: str = "", most: int = 60) -> Element:
    field = el("input", name=name, value=value, maxlength=str(most), autocomplete="off")
    return el("label", label, *([el("small", note, class_="dim")] if note else []), field)


def button(text: str, class_: str = "") -> Element:
    return el("button", text, type="submit", class_=class_)
