"""The page over a real socket: who may come in, what the daemon is asked, a stream that says when it is not current."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

import logger.page
from logger.api.access import MAX_BODY_BYTES
from logger.page import page_follower
from logger.page.page_door import listening
from logger.page.page_guard import POLICY
from logger.page.page_server import FILES, SERIES_S
from logger.page.pairing import MAX_FAILED
from tests.page.served_page import Lost, ServedPage, served_page
from tests.page.states import recovery

ACT = "/do/note"


@pytest.fixture(scope="module")
def served() -> Iterator[ServedPage]:
    with served_page() as page:
        page.pair(page.new_code())
        yield page


@pytest.fixture
def page(served: ServedPage) -> ServedPage:
    """With a current state."""
    served.daemon.acts.clear()
    served.daemon.refuses = None
    with served.live() as frames:
        newest = f"job-{served.daemon.sent + 1}"
        served.daemon.items.put(recovery())
        next(one for one in frames if one[1] == newest)
    return served


def test_only_its_own_host_name_is_served(page: ServedPage) -> None:
    for host in ("evil.example", f"evil.example:{page.port}", "127.0.0.1", "127.0.0.1:1"):
        assert page.request("GET", "/", Host=host)[0] == 421
    assert page.request("GET", "/", Host=f"localhost:{page.port}")[0] == 200


def test_another_origin_is_refused(page: ServedPage) -> None:
    for origin in ("http://evil.example", "null", f"https://127.0.0.1:{page.port}", "http://127.0.0.1:1"):
        assert page.request("POST", ACT, {"text": "x"}, Origin=origin)[0] == 403
    assert page.daemon.acts == []
    assert page.request("POST", ACT, {"text": "x"}, Origin=f"http://127.0.0.1:{page.port}")[0] == 200


@pytest.mark.parametrize("path", ["/live", "/series", "/choices", "/nothing", "/page.html", "/files/page.js"])
def test_nothing_of_the_job_without_the_cookie(page: ServedPage, path: str) -> None:
    for cookie in ("", "rimelog=x", page.cookie[:-1]):
        assert page.request("GET", path, Cookie=cookie)[0] == 401
        assert page.request("POST", ACT, {"text": "x"}, Cookie=cookie)[0] == 401
    assert page.daemon.acts == []


def test_nothing_is_entered_without_the_pages_own_key(page: ServedPage) -> None:
    for key in ("", "x", page.cookie.partition("=")[2]):
        assert page.request("POST", ACT, {"text": "x"}, X_Rimelog_Key=key)[0] == 403
    assert page.daemon.acts == []


def test_what_anyone_may_read_has_nothing_of_the_job(page: ServedPage) -> None:
    for path in FILES:
        status, data, _ = page.request("GET", path, Cookie="", X_Rimelog_Key="")
        assert status == 200 and b"2026-01-06-01" not in data and b"Chiller" not in data
    assert page.request("GET", "/session", Cookie="")[1].keys() == {"connected", "how"}
    assert page.request("GET", "/session")[1] == {"connected": True, "role": "operate", "says": "", "local": True}


def test_a_code_connects_one_browser(page: ServedPage) -> None:
    code, before = page.new_code(), page.paired
    status, _, head = page.request("POST", "/pair", {"code": code}, Cookie="", X_Rimelog_Key="")
    assert status == 200 and page.paired == before + 1
    for part in ("HttpOnly", "SameSite=strict", "Path=/"):
        assert part in head["set-cookie"]
    assert page.request("POST", "/pair", {"code": code})[0] == 403
    assert page.request("POST", "/pair", {"code": 7})[0] == 403
    assert page.request("POST", "/pair", b"{")[0] == 400
    for _ in range(MAX_FAILED):
        last = page.request("POST", "/pair", {"code": "x" * 22})[0]
    assert last == 429
    page.now_s += 61.0


def test_every_answer_has_the_strict_headers(page: ServedPage) -> None:
    for path, cookie in (("/", ""), ("/page.js", ""), ("/live", ""), ("/choices", page.cookie), ("/no", page.cookie)):
        head = page.request("GET", path, Cookie=cookie)[2]
        assert head["content-security-policy"] == POLICY and "unsafe" not in POLICY
        assert (head["x-content-type-options"], head["cache-control"]) == ("nosniff", "no-store")
        assert "access-control-allow-origin" not in head


def test_a_body_is_bounded_and_a_json_object(page: ServedPage) -> None:
    assert page.request("POST", ACT, b" " * (MAX_BODY_BYTES + 1))[0] == 413
    for body in (b"[]", b"{", b'{"text": NaN}', b"\xff"):
        assert page.request("POST", ACT, body)[0] == 400
    assert page.request("POST", ACT, {"text": "x" * 301})[0] == 409
    assert page.request("POST", ACT, {"text": "x"}, Content_Type="text/plain")[0] == 400
    assert page.daemon.acts == []


@pytest.mark.parametrize(
    ("action", "sent", "asked"),
    [
        ("note", {"text": " filter changed "}, {"text": "filter changed", "author": "Sam"}),
        ("mark", {"act": "isolated"}, {"act": "isolated", "text": ""}),
        ("cylinder", {"name": "B"}, {"name": "B"}),
        ("stage-end", {}, {"operator": "Sam"}),
        ("yes", {"n": 3, "name": "B"}, {"n": 3, "name": "B", "operator": "Sam"}),
        ("no", {"n": 3}, {"n": 3, "operator": "Sam"}),
        ("acknowledge", {"key": "overfill"}, {"key": "overfill", "operator": "Sam"}),
        ("stage-begin", {"kind": "recovery", "anyway": True, "operator": "somebody"},
         {"kind": "recovery", "settings": {}, "operator": "Sam", "anyway": True}),
    ],
)  # fmt: skip
def test_each_act_is_asked_of_the_daemon_with_who_acts(
    page: ServedPage, action: str, sent: dict[str, Any], asked: dict[str, Any]
) -> None:
    assert page.request("POST", f"/do/{action}", sent)[1] == {"text": f"{action} done."}
    assert page.daemon.acts == [(action, asked)]


def test_settings_are_typed_in_the_users_units(page: ServedPage) -> None:
    typed = {"target_vacuum": "500 microns"}
    assert page.request("POST", "/do/stage-begin", {"kind": "evacuation", "settings": typed})[0] == 200
    [(_, body)] = page.daemon.acts
    assert [round(pa, 2) for pa in body["settings"].values()] == [66.66]


def test_a_setting_that_is_none_is_refused_in_words(page: ServedPage) -> None:
    for typed in ("500 bananas", "much"):
        sent = {"kind": "evacuation", "settings": {"target_vacuum": typed}}
        status, answer, _ = page.request("POST", "/do/stage-begin", sent)
        assert status == 409 and "Target vacuum" in answer["title"] and answer["again"] == ""
    unusual = {"kind": "evacuation", "settings": {"target_vacuum": "700000 microns"}}
    assert page.request("POST", "/do/stage-begin", unusual)[1]["again"] == "as_entered"
    assert page.daemon.acts == []
    assert page.request("POST", "/do/stage-begin", unusual | {"as_entered": True})[0] == 200


def test_acts_that_the_page_does_not_have_are_not_passed_on(page: ServedPage) -> None:
    for action in ("stop", "correct", "autostop-arm", "out-of-service", "nothing"):
        assert page.request("POST", f"/do/{action}", {})[0] == 409
    assert page.request("GET", ACT)[0] == 405
    assert page.daemon.acts == []


@pytest.mark.parametrize(("code", "more"), [("stage.not_done", "anyway"), ("stage.none_running", "")])
def test_what_the_logger_refuses_says_why(page: ServedPage, code: str, more: str) -> None:
    page.daemon.refuses = Lost("no stage is running", code)
    status, answer, _ = page.request("POST", "/do/stage-end", {})
    assert (status, answer["title"], answer["again"]) == (409, "No stage is running", more)


def test_choices_are_the_stages_and_the_cylinders_kept(page: ServedPage) -> None:
    choices = page.request("GET", "/choices")[1]
    assert [one["name"] for one in choices["cylinders"]] == ["A", "B", "spare"]
    assert [one["kind"] for one in choices["stages"]][:2] == ["recovery", "pressure-test"]


def test_browsers_together_ask_for_a_chart_every_few_seconds(page: ServedPage) -> None:
    page.now_s += SERIES_S
    before = page.daemon.asked
    assert {page.request("GET", "/series?span=stage")[0] for _ in range(3)} == {200}
    assert page.daemon.asked == before + 1
    page.now_s += SERIES_S
    page.request("GET", "/series?span=stage")
    assert page.daemon.asked == before + 2


def test_when_the_logger_is_gone_it_says_so_and_goes_on_by_itself(page: ServedPage) -> None:
    with page.live() as frames, page.live() as others:
        assert next(frames)[0] == next(others)[0] == "state"  # at once, to who comes later too
        streams = page.daemon.streams
        page.daemon.items.put(Lost("the logger does not answer"))
        assert next(frames) == next(others) == ("not-current", "", {"why": "the logger does not answer"})
        assert page.request("GET", "/series")[0] == page.request("POST", ACT, {"text": "x"})[0] == 503
        page.daemon.items.put(recovery())
        _, event_id, data = next(one for one in frames if one[0] == "state")
        assert data["number"]["number"] == "9.9" and event_id == f"job-{page.daemon.sent}"
        assert page.daemon.streams == streams + 1  # one for all browsers
    assert page.daemon.acts == []


def test_a_quiet_stream_has_a_heartbeat(page: ServedPage, monkeypatch: pytest.MonkeyPatch) -> None:
    assert page_follower.HEARTBEAT_S <= 5.0
    monkeypatch.setattr(page_follower, "HEARTBEAT_S", 0.02)
    with page.live() as frames:
        assert [next(frames)[0] for _ in range(3)] == ["state", "", ""]


def test_a_state_that_cannot_be_shown_is_not_current_and_ends_nothing(page: ServedPage) -> None:
    with page.live() as frames:
        next(frames)
        page.daemon.items.put({"of": "a later version"})
        name, _, data = next(frames)
        assert name == "not-current" and "KeyError" in data["why"]
        page.daemon.items.put(recovery())
        assert next(one for one in frames if one[0])[0] == "state"


def test_the_usual_port_gives_way_and_a_named_one_does_not() -> None:
    with listening(None) as first, listening(None) as second:
        assert first.getsockname()[0] == second.getsockname()[0] == "127.0.0.1"
        with pytest.raises(OSError):
            listening(second.getsockname()[1])


def test_the_page_is_small_and_all_its_own() -> None:
    folder = Path(str(logger.page.__path__[0])) / "files"
    size = {name: (folder / name).stat().st_size for name, _ in FILES.values()}
    assert sum(size.values()) < 70_000 and size["page.js"] + size["forms.js"] < 30_000
    assert {path.name for path in folder.iterdir()} == set(size)
    for name in size:
        text = (folder / name).read_text(encoding="utf-8")
        outside = [word for word in ("http://", "https://", "//cdn", "@import", "url(", "style=", "eval(", "innerHTML")
                   if word in text.replace("http://www.w3.org/2000/svg", "")]  # fmt: skip
        assert outside == [], name
