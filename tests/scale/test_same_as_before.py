"""For one commit: ScaleState says at every step what the six flags of before said."""

import os
import random
from dataclasses import dataclass

from hypothesis import given, settings
from hypothesis import strategies as st

from logger.model.units import NS_PER_S
from logger.scale.state import Load, ScaleState
from tests.scale.old_weighing import Weighing

NAMES = ("A", "B", "C")


@dataclass(frozen=True)
class Act:
    """for_s of readings every dt_s: the level flows and drifts on from where it was, plus push; or something said."""

    what: str
    kg: float = 0.0
    for_s: float = 0.0
    dt_s: float = 0.2
    flow: float = 0.0
    noise: float = 0.0
    name: str = "A"


KG = st.one_of(
    st.sampled_from([0.0, 0.5, 1.0, 1.9, 2.0, 2.1, 3.0, 6.0, 12.0, 30.0, 60.0, -3.0]),
    st.floats(-5, 90),
    st.floats(-3, 10),
)
DT = st.sampled_from([0.1, 0.2, 0.5, 1.0, 1.5, 3.0, 5.0, 9.0, 11.0, 20.0])
FLOW = st.one_of(st.just(0.0), st.floats(-0.05, 0.05), st.floats(-0.6, 0.6))
NOISE = st.sampled_from([0.0, 0.0, 0.01, 0.06, 0.3])
FOR = st.one_of(st.floats(0.1, 4.0), st.floats(2.5, 15.0), st.floats(15, 200))
ACTS = st.one_of(
    st.builds(Act, st.just("set"), kg=KG, for_s=FOR, dt_s=DT, flow=FLOW, noise=NOISE),
    st.builds(Act, st.just("stay"), for_s=FOR, dt_s=DT, flow=FLOW, noise=NOISE),
    st.builds(Act, st.just("step"), kg=st.floats(-2.5, 2.5), for_s=FOR, dt_s=DT, flow=FLOW, noise=NOISE),
    st.builds(Act, st.just("creep"), kg=KG, for_s=FOR, dt_s=DT),
    st.builds(Act, st.just("knock"), kg=st.floats(-60, 60), for_s=st.floats(0.1, 6.0), dt_s=DT),
    st.builds(Act, st.just("swap"), name=st.sampled_from(NAMES)),
    st.builds(Act, st.just("name"), name=st.sampled_from(NAMES)),
    st.builds(Act, st.just("silence"), for_s=st.floats(1.0, 4000.0)),
    st.builds(Act, st.just("late"), kg=KG, for_s=st.floats(0.0, 100.0)),
    st.builds(Act, st.just("begin"), name=st.sampled_from(("", *NAMES))),
)


class Both:
    def __init__(self, division: float) -> None:
        self.old, self.new = Weighing(division, 0.02, 0), ScaleState(division, 0.02, 0)
        self.t_s, self.kg, self.before = 0.0, 0.0, None
        self.seen: set[Load] = set()
        self.steps = 0

    def same(self) -> None:
        old, new = self.old, self.new
        self.steps += 1
        self.seen.add(new.load)
        assert (old.on_scale, old.sure) == (new.on_scale, new.sure)
        assert old.ledger == new.ledger
        assert old.moved_at(self.t_s + 0.5) == new.moved_at(self.t_s + 0.5)
        assert old.rate.value == new.rate.value

    def read(self, t_s: float, kg: float) -> None:
        self.old.sample(int(t_s * NS_PER_S), kg)
        self.new.sample(int(t_s * NS_PER_S), kg)
        self.same()

    def do(self, act: Act, rng: random.Random) -> None:
        if act.what == "swap":
            self.old.swap(act.name)
            self.new.swap(act.name)
        elif act.what == "name":
            self.old.told(act.name, self.before)
            self.new.name(act.name, self.before)
            self.before = act.name  # type: ignore[assignment]
        elif act.what == "begin":
            self.old.begin(act.name)
            self.new.begin(act.name)
        elif act.what == "silence":
            self.t_s += act.for_s
        elif act.what == "late":
            self.read(max(0.0, self.t_s - act.for_s), act.kg)
        else:
            self._readings(act, rng)
        self.same()

    def _readings(self, act: Act, rng: random.Random) -> None:
        if act.what == "set":
            self.kg = act.kg
        elif act.what == "step":
            self.kg += act.kg
        n = max(1, min(150, round(act.for_s / act.dt_s)))
        start, push = self.kg, act.kg if act.what == "knock" else 0.0
        for i in range(n):
            self.t_s += act.dt_s
            self.kg += act.flow * act.dt_s
            if act.what == "creep":
                self.kg = start + (act.kg - start) * (i + 1) / n
            self.read(self.t_s, self.kg + push + rng.gauss(0.0, act.noise))


@given(
    acts=st.lists(ACTS, min_size=1, max_size=14), division=st.sampled_from([0.005, 0.0454, 0.1]),
    seed=st.integers(0, 2**31),
)  # fmt: skip
@settings(max_examples=1500, deadline=None)
def test_the_table_says_what_the_flags_said(acts: list[Act], division: float, seed: int) -> None:
    both, rng = Both(division), random.Random(seed)
    both.do(Act("set", 40.0, 20.0, 0.5), rng) if seed % 3 else None
    for act in acts:
        both.do(act, rng)
    COUNT[0] += both.steps
    for load in both.seen:
        SEEN[load] = SEEN.get(load, 0) + 1


COUNT, SEEN = [0], dict[Load, int]()


def test_every_state_was_seen() -> None:
    if "SHOW" in os.environ:
        print(COUNT, SEEN)
    assert set(SEEN) == set(Load)
