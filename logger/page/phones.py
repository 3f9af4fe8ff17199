"""Phones: the page at the laptop that connects one by a QR code, lists all browsers and revokes them."""

import io
from collections.abc import Sequence
from typing import Any
from xml.etree import ElementTree
from xml.etree.ElementTree import Element

import segno
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from logger.api.access import json_object, problem
from logger.clock import local_clock
from logger.model.text import clean
from logger.model.units import NS_PER_S
from logger.page.lan_door import LanDoor, LanRefused
from logger.page.markup import button, choice, document, el, entry, post
from logger.page.pairing import CODE_S, BrowserSession, Pairing, PairingCode, Role

MAX_NAME = 40
MEANS = {
    Role.VIEW: "Sees the job. Enters nothing.",
    Role.ACKNOWLEDGE: "Also acknowledges alarms.",
    Role.OPERATE: "Also begins and ends stages, marks, swaps, notes: all that the page enters.",
}
NO_NETWORK = (
    "This computer is on no network that a phone could be on. Join the same Wi-Fi as the phone, or its hotspot; then "
    "load this page again."
)
SNIFFED = (
    "This is plain http: anyone on the same Wi-Fi can read along, and could act as this phone. Use a network that you "
    "trust, or the phone's own hotspot."
)


def qr_text(url: str) -> str:
    """For a terminal of light letters on a dark ground; 21 lines for an address of this length."""
    out = io.StringIO()
    segno.make(url, error="l", micro=False).terminal(out, compact=True, border=2)
    return out.getvalue()


def qr_svg(url: str) -> Element:
    """Black on white in either light: a camera reads it so."""
    out = io.BytesIO()
    segno.make(url, error="m", micro=False).save(
        out, kind="svg", border=4, light="#fff", omitsize=True, xmldecl=False, svgns=False
    )
    made = ElementTree.fromstring(out.getvalue().decode())
    made.attrib |= {"class": "qr", "role": "img", "aria-label": "QR code of the address below"}
    return made


def code_url(code: PairingCode, base: str) -> str:
    return f"{base}/#{code.text}"


def session_line(session: BrowserSession, now_s: float, now_ns: int) -> str:
    """who, what it may do, from where, since when."""
    since_ns = now_ns - int((now_s - session.since_s) * NS_PER_S)
    where = "this computer" if session.local else session.address
    name = f"{session.name}: " if session.name else ""
    return f"{name}{session.role.value}, {where}, since {local_clock(since_ns, seconds=False)}"


class Phones:
    """Its routes. who: the technician's name, proposed for a phone."""

    def __init__(self, pairing: Pairing, lan: LanDoor, who: str, clock: Any) -> None:
        self._pairing, self._lan, self._who, self._clock = pairing, lan, who, clock
        self.routes = [
            Route("/phones", self.page),
            Route("/phones/version", self.version),
            Route("/phones/open", self.open, methods=["POST"]),
            Route("/phones/code", self.code, methods=["POST"]),
            Route("/phones/revoke", self.revoke, methods=["POST"]),
        ]

    def _version(self) -> str:
        code = self._pairing.waiting()
        return f"{[one.n for one in self._pairing.sessions()]}{code and code.until_s}{self._lan.bases()}"

    async def version(self, _: Request) -> Response:
        return JSONResponse({"version": self._version()})

    async def page(self, request: Request) -> Response:
        me = request.state.visit.session
        return document(
            "Connect a phone", *(self._codes() if self._lan.is_open else self._closed()), *self._connected(me),
            version=self._version(),
        )  # fmt: skip

    def _closed(self) -> Sequence[Element]:
        return [
            el("p", "Only this computer reaches the page now."),
            el("p", "Let phones in: who is on the same network can then ask for the page, and is shown nothing of the "
               "job without a code from here."),
            post("/phones/open", button("Let phones in", "go")),
        ]  # fmt: skip

    def _codes(self) -> Sequence[Element]:
        bases, code = self._lan.bases(), self._pairing.waiting()
        if not bases:
            return [el("p", NO_NETWORK, class_="next")]
        made: list[Element] = []
        if code is not None:
            held = f" for {code.name}" if code.name else ""
            made += [
                el("h2", f"{code.role.value.capitalize()}{held}: point the phone's camera here"),
                qr_svg(code_url(code, bases[0])),
                el("p", *[el("code", code_url(code, one)) for one in bases], class_="codes"),
                el("p", f"The phone must be on the same network. The code works once, within {CODE_S / 60:.0f} min."),
            ]
        if not self._lan.tls:
            made.append(el("p", SNIFFED))
        made.append(
            post(
                "/phones/code",
                choice("role", [(one.value, one.value.capitalize(), means) for one, means in MEANS.items()],
                       (code.role if code else Role.VIEW).value, "What may the phone do?"),
                entry("name", "Who holds it", code.name if code else self._who, "Entered as who acts.", MAX_NAME),
                el("p", button("Another code" if code else "Show a code", "" if code else "go")),
            )
        )  # fmt: skip
        return made

    def _connected(self, me: BrowserSession) -> Sequence[Element]:
        now_s, now_ns = self._clock()
        rows = []
        for one in self._pairing.sessions():
            text = session_line(one, now_s, now_ns)
            n = el("input", type="hidden", name="n", value=str(one.n))
            gone = post("/phones/revoke", n, el("button", "Revoke", type="submit", aria_label=f"Revoke {text}"))
            rows.append(el("li", el("span", text), el("b", "this browser") if one is me else gone))
        return [el("h2", "Connected browsers"), el("ul", *rows, class_="browsers")]

    async def open(self, _: Request) -> Response:
        try:
            self._lan.open()
        except LanRefused as exc:
            return problem(409, str(exc))
        return JSONResponse({"go": "/phones"})

    async def code(self, request: Request) -> Response:
        try:
            body = await json_object(request)
            role, name = Role(body.get("role", "")), body.get("name", "")
            if not isinstance(name, str) or len(name) > MAX_NAME:
                raise ValueError(f"A name has up to {MAX_NAME} characters.")
        except ValueError as exc:
            return problem(400, str(exc))
        self._pairing.new_code(role, clean(name.strip()), local=False)
        return JSONResponse({"go": "/phones"})

    async def revoke(self, request: Request) -> Response:
        try:
            n = int((await json_object(request)).get("n", ""))
        except (ValueError, TypeError):
            return problem(400, "Say which browser.")
        if request.state.visit.session.n != n:
            self._pairing.revoke(n)
        return JSONResponse({"go": "/phones"})
