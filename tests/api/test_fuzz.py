"""Whatever is asked of a real daemon with real devices behind it, in any order: no server error, and the job lives on.

Bodies are plausible ones, and the same with one thing in them exchanged for something hostile.
"""

import contextlib
import http.client
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any, ClassVar
from urllib.parse import urlencode

import pytest
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, rule, run_state_machine_as_test

from logger.api.daemon_port import ACTIONS
from logger.pipeline.correcting import TARGETS
from logger.pipeline.fact_table import facts_known
from logger.pipeline.replay import replay
from logger.stages import registry
from logger.stages.acceptance import DECAY_PROFILES, PRESSURE_PROFILES
from logger.store.reader import StoreReader
from tests.end_to_end.running import Daemon, daemon, rimelog, simulated
from tests.stages.test_settings import some_of

JsonObject = dict[str, Any]
NASTY = (
    "\x1b[2J\x1b]0;owned\x07", "=cmd|' /C calc'!A0", "../../../etc/passwd", "\u202egnp.exe", "a" * 5000, "\x00", "",
    "cylinder 1\n", "💥" * 50, "nan", "%s%n", "<script>", "__class__", "type",
)  # fmt: skip
HOSTILE = st.one_of(
    st.none(), st.booleans(), st.integers(-(2**63), 2**63), st.sampled_from([0, -1, 1e-300, 1e300, -1e300, 1e18, 0.0]),
    st.sampled_from(NASTY), st.text(max_size=40), st.just([]), st.just({}), st.just([[[[1]]]]),
    st.dictionaries(st.sampled_from(["type", "t_ns", "name", "a"]), st.integers(), max_size=3),
)  # fmt: skip
NUMBER = st.one_of(st.floats(1e-6, 1e7), st.sampled_from([1e-12, 1e12]))
WORD = st.one_of(st.sampled_from(["mechanic", "", *NASTY]), st.text(max_size=60))
KEY = st.sampled_from(
    ["overfill", "overfill-soon", "fill-unknown", "no-data-cylinder_mass", "store-trouble", "many-alarms", "no-such",
     "", "machine-power-cut", "fault-cylinder_mass", "cylinder-hot", "outlet-pressure"]
)  # fmt: skip
SETTINGS = st.fixed_dictionaries(
    {},
    optional={
        "target": NUMBER, "target_vacuum": NUMBER, "test_pressure": NUMBER, "high_side_limit": NUMBER,
        "superheat_target": NUMBER, "subcooling_target": NUMBER, "minor_repair": st.booleans(),
        "nitrogen": st.booleans(), "direction": st.sampled_from(["supply", "receive", "sideways"]),
        "profile": st.sampled_from([*DECAY_PROFILES, *PRESSURE_PROFILES, "mine"]),
    },
)  # fmt: skip
CYLINDER = st.fixed_dictionaries(
    {"name": st.sampled_from(["cylinder 1", "B", *NASTY]), "tare_kg": NUMBER, "water_capacity_kg": NUMBER},
    optional={
        "service_pressure_pa": NUMBER, "tested": st.sampled_from(["2024-02-01", "never", "9999-12-31"]),
        "refrigerant": st.sampled_from(["R-407C", "R-9999", "R-744"]), "contents_kg": NUMBER,
        "candidates": st.lists(st.sampled_from(["R-22", "R-407C", "none"]), max_size=3), "requalify_years": NUMBER,
    },
)  # fmt: skip
NUMBERED = st.one_of(st.integers(-1, 3), NUMBER)
BODIES: dict[str, st.SearchStrategy[JsonObject]] = {
    "stage-begin": st.one_of([
        st.fixed_dictionaries({"kind": st.just(one.kind)}, optional={"settings": settings_, "operator": WORD})
        for one in registry.STAGES
        for settings_ in (some_of(one.settings, (*one.profiles, "mine")), SETTINGS)  # its own, or perhaps another's
    ]),
    "stage-end": st.fixed_dictionaries({}, optional={"operator": WORD}),
    "mark": st.fixed_dictionaries(
        {"act": st.sampled_from(["isolated", "pump-started", "nitrogen-break", "machine-stopped", *NASTY])},
        optional={"text": WORD},
    ),
    "note": st.fixed_dictionaries({"text": WORD}, optional={"author": WORD}),
    "acknowledge": st.fixed_dictionaries({}, optional={"key": KEY, "operator": WORD}),
    "shelve": st.fixed_dictionaries({"key": KEY}, optional={"seconds": NUMBER, "reason": WORD, "operator": WORD}),
    "unshelve": st.fixed_dictionaries({"key": KEY}, optional={"operator": WORD}),
    "reset": st.fixed_dictionaries({"key": KEY}, optional={"operator": WORD}),
    "out-of-service": st.fixed_dictionaries({"key": KEY}, optional={"reason": WORD, "operator": WORD}),
    "return-to-service": st.fixed_dictionaries({"key": KEY}, optional={"operator": WORD}),
    "cylinder": st.fixed_dictionaries(
        {"name": st.sampled_from(["cylinder 1", "B", "drum", *NASTY])}, optional={"cylinder": CYLINDER}
    ),
    "setting": st.fixed_dictionaries(
        {"key": st.sampled_from(["units", "barometer_pa", "full_charge_kg", "volume_m3", "customer"]),
         "value": st.one_of(NUMBER, st.sampled_from(["us", "si", "imperial"]))}
    ),
    "correct": st.fixed_dictionaries(
        {"target": st.sampled_from([*TARGETS, "nothing"]),
         "which": st.sampled_from(["", "1", "2", "cylinder 1", *NASTY]),
         "fact": st.sampled_from([one.typed for one in facts_known().values()]),
         "value": st.one_of(NUMBER, WORD, st.booleans(), st.just({"kind": "evacuation"}), st.just("R-410A"))},
        optional={"since_ns": NUMBER, "until_ns": NUMBER, "why": WORD, "by": WORD, "over": st.booleans(),
                  "seen": NUMBER},
    ),
    "correctable": st.fixed_dictionaries({}),
    "yes": st.fixed_dictionaries({}, optional={"n": NUMBERED, "operator": WORD, "name": WORD, "cylinder": CYLINDER}),
    "no": st.fixed_dictionaries({}, optional={"n": NUMBERED, "operator": WORD}),
    "autostop-arm": st.fixed_dictionaries({}, optional={"hold": WORD, "operator": WORD}),
    "autostop-release": st.fixed_dictionaries({}, optional={"hold": WORD, "operator": WORD}),
}  # fmt: skip
AGO = st.one_of(st.just(None), st.floats(0, 3600), HOSTILE)


def test_every_action_but_the_last_is_fuzzed() -> None:
    assert set(BODIES) == set(ACTIONS) - {"stop"}


@pytest.fixture(scope="module")
def host(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Daemon]:
    place = tmp_path_factory.mktemp("fuzz")
    with simulated(place, "recovery", autopilot=True) as sim:
        text = sim.rig_file.read_text("utf-8") + '\n  [[device.output]]\n  index = 0\n  hold = "recovery machine"\n'
        sim.rig_file.write_text(text, encoding="utf-8")
        with daemon(place, sim.rig_file) as running:
            yield running.ready()


class Anyone(RuleBasedStateMachine):
    host: ClassVar[Daemon]

    def _ask(self, method: str, path: str, body: bytes | None = None) -> tuple[int, JsonObject]:
        address = self.host.client.address
        headers = {"Authorization": f"Bearer {address.token}", "Content-Type": "application/json"}
        with contextlib.closing(http.client.HTTPConnection("127.0.0.1", address.port, timeout=100)) as connection:
            connection.request(method, path, body, headers)
            response = connection.getresponse()
            return response.status, _strict(response.read())

    def _post(self, action: str, body: object) -> None:
        status, answer = self._ask("POST", f"/api/v1/do/{action}", json.dumps(body).encode())
        assert status in (200, 400, 409), (status, answer)
        assert answer.get("text") or answer["title"], "an answer says something"
        self._lives()

    def _lives(self) -> None:
        status, state = self._ask("GET", "/api/v1/status")
        assert status == 200
        assert state["job"]["refrigerant"] == "R-407C"
        assert state["devices"]
        shown = json.dumps(state)
        assert "\\u001b" not in shown, "no escape sequence reaches a screen"
        assert "\\u202e" not in shown, "nor anything that turns text round"

    @rule(data=st.data(), action=st.sampled_from(sorted(BODIES)), ago_s=AGO)
    def act(self, data: st.DataObject, action: str, ago_s: object) -> None:
        body = data.draw(BODIES[action])
        if ago_s is not None:
            body = {**body, "ago_s": ago_s}
        self._post(action, body)

    @rule(data=st.data(), action=st.sampled_from(sorted(BODIES)), hostile=HOSTILE)
    def act_with_something_hostile(self, data: st.DataObject, action: str, hostile: object) -> None:
        body = data.draw(BODIES[action])
        keys = [*body, "ago_s", "extra"]
        self._post(action, {**body, data.draw(st.sampled_from(keys)): hostile})

    @rule(data=st.data(), hostile=HOSTILE)
    def something_hostile_further_in(self, data: st.DataObject, hostile: object) -> None:
        action, inner = data.draw(st.sampled_from([("stage-begin", "settings"), ("cylinder", "cylinder")]))
        within = data.draw(SETTINGS if inner == "settings" else CYLINDER)
        key = data.draw(st.sampled_from([*within, "target", "tare_kg", "extra"]))
        self._post(action, {**data.draw(BODIES[action]), inner: {**within, key: hostile}})

    @rule(
        point=st.sampled_from(["cylinder_mass", "vacuum", "no", *NASTY[:4]]),
        since=st.one_of(st.integers(0, 2**63), st.integers(0, 2 * 10**18), HOSTILE),
        buckets=st.one_of(st.integers(2, 2000), st.integers()),
    )
    def ask_history(self, point: str, since: object, buckets: int) -> None:
        query = urlencode({"point": point, "since": str(since), "buckets": buckets}, errors="replace")
        status, answer = self._ask("GET", f"/api/v1/history?{query}")
        assert status in (200, 400, 404), (status, answer)
        assert len(answer.get("rows", [])) <= max(0, buckets)


def _strict(data: bytes) -> JsonObject:
    """As any other language reads JSON: no NaN, no Infinity."""

    def no(name: str) -> float:
        raise AssertionError(f"{name} is no JSON")

    found = json.loads(data, parse_constant=no)
    assert isinstance(found, dict)
    return found


def test_nothing_that_is_asked_breaks_the_job(host: Daemon) -> None:
    class Fuzz(Anyone):
        pass

    Fuzz.host = host
    run_state_machine_as_test(
        Fuzz,
        settings=settings(
            max_examples=25, stateful_step_count=25, deadline=None, suppress_health_check=list(HealthCheck)
        ),
    )
    state = host.status()
    said = host.stop()
    assert "Traceback" not in said
    _same_after_a_replay(host.file, state)
    rimelog(host.place, "export", host.job, "--out", host.place)
    (bundle,) = host.place.glob("*.zip")
    assert "\x1b" not in rimelog(host.place, "verify", bundle)


def _same_after_a_replay(file: Path, state: JsonObject) -> None:
    """What was told is what the record gives."""
    with StoreReader(file) as reader:
        assert reader.verify().problem is None
        told = replay(reader.records()).model.state
    assert told.job is not None
    assert told.job.units == state["job"]["units"]
    assert (told.stages[-1].number if told.stages else None) == (state["stage"]["number"] if state["stage"] else None)
    assert (told.cylinder.name if told.cylinder else None) == (state["cylinder"]["name"] if state["cylinder"] else None)
