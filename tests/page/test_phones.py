"""Phones on the network, over a real socket: what each role may, who connects and revokes them, who is kept out."""

import socket
from collections.abc import Iterator

import pytest

from logger.api.door import MAX_STRANGERS
from logger.page.lan import lan_addresses
from logger.page.page_door import MAX_OF_ADDRESS, MAX_OF_BROWSER, near
from logger.page.page_server import MAX_STREAMS
from logger.page.pairing import Role
from logger.page.phones import qr_svg, qr_text
from tests.page.served_page import ServedPage, Visitor, served_page
from tests.page.states import recovery

ACTS = ("acknowledge", "note", "mark", "cylinder", "yes", "no", "stage-begin", "stage-end")
BODY = {"key": "overfill", "text": "x", "act": "isolated", "name": "B", "n": 1, "kind": "recovery"}


@pytest.fixture(scope="module")
def served() -> Iterator[ServedPage]:
    with served_page() as page:
        page.pair(page.new_code())
        with page.live() as frames:
            page.daemon.items.put(recovery())
            next(one for one in frames if one[0] == "state")
        yield page


def test_the_network_is_let_in_only_when_it_is_asked_for() -> None:
    with served_page() as page:
        page.pair(page.new_code())
        assert page.server.lan.rules is None and b"Let phones in" in page.request("GET", "/phones")[1]
        assert page.request("POST", "/phones/open", {})[1] == {"go": "/phones"}
        assert page.server.lan.is_open and b"What may the phone do?" in page.request("GET", "/phones")[1]
        assert page.request("POST", "/phones/open", {})[0] == 200  # once is enough


@pytest.mark.parametrize(("role", "may"), [(Role.VIEW, ()), (Role.ACKNOWLEDGE, ACTS[:1]), (Role.OPERATE, ACTS)])
def test_a_phone_may_what_its_role_says_and_no_more(served: ServedPage, role: Role, may: tuple[str, ...]) -> None:
    phone = served.phone(role)
    assert phone.request("GET", "/session")[1] == {
        "connected": True, "role": role.value, "says": role.says, "local": False,
    }  # fmt: skip
    with phone.live() as frames:
        assert next(frames)[0] == "state"
    served.daemon.acts.clear()
    status = {action: phone.request("POST", f"/do/{action}", BODY)[0] for action in ACTS}
    assert {action for action, code in status.items() if code == 200} == set(may)
    assert {code for action, code in status.items() if action not in may} <= {403}
    assert [action for action, _ in served.daemon.acts] == list(may)
    for method, path in (("POST", "/anything/else"), ("PUT", "/choices"), ("DELETE", "/series")):
        assert (phone.request(method, path, BODY)[0] == 403) is (role is not Role.OPERATE)


def test_who_holds_the_phone_is_who_acts(served: ServedPage) -> None:
    served.daemon.acts.clear()
    served.phone(name="Lee").request("POST", "/do/stage-end", {})
    served.phone().request("POST", "/do/stage-end", {})
    assert served.daemon.acts == [("stage-end", {"operator": "Lee"}), ("stage-end", {"operator": "Sam"})]


def test_phones_are_connected_at_the_laptop_alone(served: ServedPage) -> None:
    phone = served.phone(Role.OPERATE)
    assert phone.request("GET", "/phones")[0] == phone.request("GET", "/phones/version")[0] == 403
    for path in ("/phones/code", "/phones/open", "/phones/revoke"):
        assert phone.request("POST", path, {"role": "operate", "n": "1"})[0] == 403
    assert served.request("POST", "/phones/code", {"role": "operate"}, X_Rimelog_Key="")[0] == 403
    assert served.page.pairing.waiting() is None


def test_a_code_is_shown_as_its_picture_connects_a_phone_and_is_gone(served: ServedPage) -> None:
    port, before = served.lan_port(), served.request("GET", "/phones/version")[1]
    asked = {"role": "acknowledge", "name": "<b>Lee</b>"}
    assert served.request("POST", "/phones/code", asked)[1] == {"go": "/phones"}
    shown = served.request("GET", "/phones")[1].decode()
    code = served.page.pairing.waiting()
    assert code is not None and f"http://127.0.0.1:{port}/#{code.text}" in shown and "<svg" in shown
    assert "&lt;b&gt;Lee&lt;/b&gt;" in shown and "<b>Lee" not in shown
    assert served.request("GET", "/phones/version")[1] != before
    phone = Visitor(port)
    phone.pair(code.text)
    after = served.request("GET", "/phones")[1].decode()
    assert code.text not in after and "acknowledge, 127.0.0.1, since" in after
    assert phone.request("GET", "/session")[1]["role"] == "acknowledge"


@pytest.mark.parametrize("asked", [{"role": "owner"}, {"role": ""}, {"role": "view", "name": "x" * 41}, {"role": 7}])
def test_a_code_for_nothing_known_is_refused(served: ServedPage, asked: dict[str, object]) -> None:
    assert served.request("POST", "/phones/code", asked)[0] == 400


def test_a_revoked_phone_sees_nothing_more_at_once(served: ServedPage) -> None:
    phone = served.phone()
    (mine, *_) = [one for one in served.page.pairing.sessions() if one.cookie == phone.cookie.partition("=")[2]]
    with phone.live() as frames:
        assert next(frames)[0] == "state"
        assert served.request("POST", "/phones/revoke", {"n": str(mine.n)})[0] == 200
        assert list(frames) == []  # its stream has ended
    assert phone.request("GET", "/session")[1]["connected"] is False
    assert phone.request("GET", "/live")[0] == phone.request("POST", "/do/note", BODY)[0] == 401
    own = next(one for one in served.page.pairing.sessions() if one.local)
    served.request("POST", "/phones/revoke", {"n": str(own.n)})
    assert served.request("GET", "/session")[1]["connected"] is True  # not the one that asks


def test_each_door_has_its_own_cookies_hosts_and_origin(served: ServedPage) -> None:
    phone = served.phone()
    for visitor, other in ((phone, served), (served, phone)):
        assert visitor.request("GET", "/series", Cookie=other.cookie)[0] == 401
        name = visitor.cookie.partition("=")[0]
        assert visitor.request("GET", "/series", Cookie=f"{name}={other.cookie.partition('=')[2]}")[0] == 401
    for host in ("evil.example", f"evil.example:{phone.port}", f"localhost:{phone.port}", f"127.0.0.1:{served.port}"):
        assert phone.request("GET", "/", Host=host)[0] == 421
    for origin in ("http://evil.example", f"http://127.0.0.1:{served.port}", f"https://127.0.0.1:{phone.port}"):
        assert phone.request("POST", "/do/note", BODY, Origin=origin)[0] == 403


def test_connections_that_are_held_open_crowd_nobody_out(served: ServedPage) -> None:
    phone = served.phone()
    with phone.live() as frames, served.live() as own:
        next(frames), next(own)
        idle = [socket.create_connection(("127.0.0.1", phone.port), 30) for _ in range(MAX_STRANGERS)]
        for one in idle[::2]:
            one.sendall(b"GET / HTTP/1.1\r\nHost: x")
        assert phone.request("GET", "/session")[1]["connected"] and phone.request("GET", "/series")[0] == 200
        another = served.phone(Role.VIEW)
        assert another.request("GET", "/session")[1]["connected"]
        newest = f"job-{served.daemon.sent + 1}"
        served.daemon.items.put(recovery())
        for stream in (frames, own):
            assert next(one for one in stream if one[1] == newest)
        closed = 0
        for one in idle:
            one.settimeout(0.2)
            try:
                closed += one.recv(1) == b""
            except TimeoutError:
                break  # those after it are newer
            except ConnectionResetError:
                closed += 1
        assert closed >= MAX_STRANGERS - MAX_OF_ADDRESS
        for one in idle:
            one.close()


def test_one_browser_holds_a_few_connections_and_streams(served: ServedPage) -> None:
    phone = served.phone()
    streams = [phone.live() for _ in range(MAX_STREAMS)]
    for one in streams:
        next(one.__enter__())
    assert phone.request("GET", "/live")[0] == 503
    for one in streams:
        one.__exit__(None, None, None)
    head = f"GET /session HTTP/1.1\r\nHost: 127.0.0.1:{phone.port}\r\nCookie: {phone.cookie}\r\n\r\n".encode()
    held = []
    for _ in range(MAX_OF_BROWSER + 1):
        held.append(socket.create_connection(("127.0.0.1", phone.port), 30))
        held[-1].sendall(head)
        answer = b""
        while not answer.endswith(b"}"):
            answer += held[-1].recv(4096)
    assert held[0].recv(4096) == b"" and phone.request("GET", "/session")[1]["connected"]
    for connection in held:
        connection.close()


def test_nobody_on_the_internet_is_near() -> None:
    for address in ("192.168.1.7", "10.1.2.3", "172.20.10.2", "169.254.3.4", "100.101.1.1", "127.0.0.1"):
        assert near(address)
    for address in ("8.8.8.8", "172.32.0.1", "193.99.144.85"):
        assert not near(address)
    assert not any(one.startswith("127.") for one in lan_addresses())


def test_the_code_fits_a_terminal_with_room_for_what_is_said() -> None:
    url = "https://192.168.100.100:8472/#" + "x" * 22
    lines = qr_text(url).splitlines()
    assert len(lines) <= 20 and max(map(len, lines)) <= 40
    assert qr_svg(url).tag == "svg" and qr_svg(url).get("role") == "img"
