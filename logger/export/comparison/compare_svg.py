"""The picture of a comparison as SVG: title and description for those who hear it, dashes and letters for print."""

import textwrap
from collections.abc import Sequence
from typing import Any
from xml.etree import ElementTree as Xml

INK, SOFT, GRID = "#1d2a30", "#55646b", "#dde3e5"
# of A and B: colour, dash, width; of unlike lightness, so that they differ in grey too
STROKES = (("#0b5d57", None, 2.2), ("#c46a12", "8 4", 2.2))
_AMBER = "#7a4d00"
_FONT = "'Source Sans 3', 'Segoe UI', Roboto, Helvetica, Arial, sans-serif"
WIDTH = 860
_LEFT, _RIGHT = 74, 74
_TALL, _TALL_ON_PAGE = 330, 235
_LINE = 19


def svg(
    plot: dict[str, Any] | None, title: str, about: str, lines: Sequence[str], headline: str, invented: str | None
) -> bytes:
    """plot: of curves.drawing_of, None when there is no curve. about: for the description where there is none.

    title, headline, lines: the words around the plot; none of them when `title` is "" (the page has its own, and its
    own mark of invention).
    invented: what is to be said when the data are.
    """
    framed = title != ""
    words = [w for line in lines for w in _wrapped(line)] if framed else []
    top = 0
    body = Xml.Element("g")
    if framed:
        top = 44
        _text(body, 20, 32, title, 21, weight="700")
        if invented:
            _text(body, WIDTH - 20, 31, invented, 13, _AMBER, "end", "600")
    if plot is not None:
        if framed:
            top = _legend(body, plot, top)
        top = _plot(body, plot, top, invented if framed else None, _TALL if framed else _TALL_ON_PAGE)
    if framed:
        top += 22
        _text(body, 20, top, headline, 16, weight="700")
        for words_of in words:
            top += _LINE
            _text(body, 20, top, words_of, 13)
        top += 16
    root = Xml.Element(
        "svg",
        {
            "xmlns": "http://www.w3.org/2000/svg", "viewBox": f"0 0 {WIDTH} {top}", "width": str(WIDTH),
            "height": str(top), "role": "img", "aria-labelledby": "title desc", "font-family": _FONT,
        },
    )  # fmt: skip
    Xml.SubElement(root, "title", {"id": "title"}).text = f"{title or about}{f'. {invented}' if invented else ''}"
    Xml.SubElement(root, "desc", {"id": "desc"}).text = plot["alt"] if plot is not None else about
    if framed:
        Xml.SubElement(root, "rect", {"width": "100%", "height": "100%", "fill": "#ffffff"})
    else:
        for text in body.iter("text"):  # the typesetter takes "regular" of a variable font for its lightest
            if text.get("font-weight") == "400":
                text.set("font-weight", "500")
    root.append(body)
    Xml.indent(root, " ")
    out: bytes = Xml.tostring(root, "utf-8", xml_declaration=True)
    return out


def _wrapped(line: str) -> list[str]:
    first, *rest = textwrap.wrap(line, 126) or [""]
    return [f"\u2022 {first}", *(f"\u2003{more}" for more in rest)]


def _legend(body: Xml.Element, plot: dict[str, Any], top: int) -> int:
    for i, curve in enumerate(plot["curves"]):
        at = top + 14 + 27 * i
        _line(body, 20, at, 66, at, *STROKES[i])
        _badge(body, 43, at, curve["letter"], i)
        _text(body, 78, at + 5, curve["label"], 14)
    return top + 27 * len(plot["curves"]) + 6


def _plot(body: Xml.Element, plot: dict[str, Any], top: int, invented: str | None, tall: int) -> int:
    """Axes and lines; the y below them."""
    _text(body, 20, top + 16, f"{plot['title']}, {plot['left']['unit']}", 14, weight="600")
    if plot["right"] is not None:
        _text(body, WIDTH - _RIGHT + 8, top + 16, plot["right"]["unit"], 13, SOFT, weight="600")
    top += 32
    wide = WIDTH - _LEFT - _RIGHT
    area = Xml.SubElement(body, "g", {"transform": f"translate({_LEFT} {top})"})
    if invented:
        _watermark(area, wide, tall)
    _axes(area, plot, wide, tall)
    for i, curve in enumerate(plot["curves"]):
        for piece in curve["pieces"]:
            points = [(f"{x * wide:.1f}", f"{y * tall:.1f}") for x, y in piece]
            path = " L".join(f"{x} {y}" for x, y in (points if len(points) > 1 else points * 2))
            colour, dash, width = STROKES[i]
            Xml.SubElement(area, "path", _dashed({
                "d": f"M{path}", "fill": "none", "stroke": colour, "stroke-width": f"{width:g}",
                "stroke-linejoin": "round", "stroke-linecap": "butt" if len(points) > 1 else "round",
            }, dash))  # fmt: skip
    for i, curve in enumerate(plot["curves"]):
        _badge(area, curve["at"][0] * wide, curve["at"][1] * tall, curve["letter"], i)
    return top + tall + 52


def _axes(area: Xml.Element, plot: dict[str, Any], wide: int, tall: int) -> None:
    for y, label in plot["left"]["ticks"]:
        _line(area, 0, y * tall, wide, y * tall, GRID, None, 1.0 if label else 0.5)
        if label:
            _text(area, -8, y * tall + 4.5, label, 13, SOFT, "end")
    if plot["right"] is not None:
        for y, label in plot["right"]["ticks"]:
            if label:
                _line(area, wide, y * tall, wide + 4, y * tall, SOFT, None, 1.0)
                _text(area, wide + 8, y * tall + 4.5, label, 13, SOFT)
    for x, label in plot["x"]:
        _line(area, x * wide, 0, x * wide, tall, GRID, None, 0.5)
        _line(area, x * wide, tall, x * wide, tall + 5, SOFT, None, 1.0)
        _text(area, x * wide, tall + 20, label, 13, SOFT, "middle")
    _text(area, wide / 2, tall + 40, plot["x_title"], 13, SOFT, "middle", "600")
    frame = {"width": str(wide), "height": str(tall), "fill": "none", "stroke": SOFT, "stroke-width": "1"}
    Xml.SubElement(area, "rect", frame)


def _watermark(area: Xml.Element, wide: int, tall: int) -> None:
    turned = {"transform": f"rotate(-20 {wide / 2:g} {tall / 2:g})", "aria-hidden": "true"}
    mark = Xml.SubElement(area, "g", turned)
    _text(mark, wide / 2, tall / 2 + 22, "SAMPLE DATA", 72, "#f3ecdc", "middle", "700")


def _badge(parent: Xml.Element, x: float, y: float, letter: str, i: int) -> None:
    colour = STROKES[i][0]
    Xml.SubElement(parent, "circle", {
        "cx": f"{x:.1f}", "cy": f"{y:.1f}", "r": "10", "fill": "#ffffff", "stroke": colour, "stroke-width": "2",
    })  # fmt: skip
    _text(parent, x, y + 4.7, letter, 13.5, INK, "middle", "700")


def _line(
    parent: Xml.Element, x1: float, y1: float, x2: float, y2: float, colour: str, dash: str | None, width: float
) -> None:
    ends = {"x1": f"{x1:.1f}", "y1": f"{y1:.1f}", "x2": f"{x2:.1f}", "y2": f"{y2:.1f}"}
    Xml.SubElement(parent, "line", _dashed({**ends, "stroke": colour, "stroke-width": f"{width:g}"}, dash))


def _dashed(attributes: dict[str, str], dash: str | None) -> dict[str, str]:
    return attributes if dash is None else {**attributes, "stroke-dasharray": dash}


def _text(
    parent: Xml.Element, x: float, y: float, text: str, size: float, fill: str = INK, anchor: str = "start",
    weight: str = "400",
) -> None:  # fmt: skip
    Xml.SubElement(parent, "text", {
        "x": f"{x:.1f}", "y": f"{y:.1f}", "font-size": f"{size:g}", "fill": fill, "text-anchor": anchor,
        "font-weight": weight,
    }).text = text  # fmt: skip
