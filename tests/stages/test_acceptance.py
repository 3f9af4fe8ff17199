"""Acceptance profiles: those published, with their figures, and a user's own with every fault named."""

from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.model.units import MICRON_PA
from logger.stages.acceptance import (
    DECAY_PROFILES,
    FROM_MEMORY,
    PRESSURE_PROFILES,
    SOURCED,
    DecayProfile,
    PressureProfile,
    ProfileError,
    profile_from_mapping,
)

HOUR = 3600.0


def micron(x: float | None) -> float | None:
    return None if x is None else x * MICRON_PA


PUBLISHED = [
    # key, standing, (start, hold h, limit, rise) of each hold in micron, evacuations
    ("ufgs-15182", SOURCED, [(300, 1, 500, None)], 1),  # UFGS 15182 section 3.3.3 (S)
    ("ufgs-15741n", SOURCED, [(300, 2, 300, None)], 3),  # UFGS 15741N section 3.7.3 (S)
    ("iec-60335-2-40", SOURCED, [(500, 1 / 6, 1500, None)], 1),  # IEC 60335-2-40 style instruction (S, quoted)
    ("ca-green-5.508.2.6", FROM_MEMORY, [(None, 0.5, 500, None), (300, 24, None, 100)], 2),  # (M)
    ("en-378-2", FROM_MEMORY, [(None, 0.5, 2025.167, None), (None, 6, 2025.167, None)], 2),  # 270 Pa (M)
]


@pytest.mark.parametrize(("key", "standing", "holds", "evacuations"), PUBLISHED, ids=[p[0] for p in PUBLISHED])
def test_published_profile(key: str, standing: str, holds: list[Any], evacuations: int) -> None:
    profile = DECAY_PROFILES[key]
    assert profile.standing == standing
    assert profile.evacuations == evacuations
    assert len(profile.steps) == len(holds)
    for step, (start, hours, limit, rise) in zip(profile.steps, holds, strict=True):
        assert step.hold_s == pytest.approx(hours * HOUR)
        for value, wanted in ((step.start_max_pa, start), (step.limit_pa, limit), (step.rise_max_pa, rise)):
            assert value == (None if wanted is None else pytest.approx(micron(wanted), rel=1e-5))
    assert profile.described().endswith(f"({FROM_MEMORY})") is (standing == FROM_MEMORY)


def test_ambient_of_ufgs_15182_is_35_f() -> None:
    assert DECAY_PROFILES["ufgs-15182"].ambient_min_k == pytest.approx(274.8167, abs=1e-3)


def test_no_profile_is_called_after_us_law() -> None:
    """sources.md: US law sets no micron figure."""
    for profile in DECAY_PROFILES.values():
        assert "EPA" not in profile.described() + profile.remark


def test_every_published_profile_was_listed_here() -> None:
    assert set(DECAY_PROFILES) == {p[0] for p in PUBLISHED}
    assert PRESSURE_PROFILES["ufgs-15217n"].hold_s == 24 * HOUR


def test_own_decay_profile() -> None:
    profile = profile_from_mapping(
        "shop",
        {
            "label": "our shop's", "start": "300micron", "limit": "60Pa", "rise": "100micron", "hold": "2h",
            "evacuations": 3, "ambient_min": "5C", "before": [{"hold": "30min", "limit": "1000micron"}],
        },
    )  # fmt: skip
    assert isinstance(profile, DecayProfile)
    assert [s.hold_s for s in profile.steps] == [1800.0, 7200.0]
    assert profile.steps[1].limit_pa == 60.0
    assert profile.ambient_min_k == pytest.approx(278.15)
    assert profile.evacuations == 3
    assert "user's own" in profile.standing


def test_own_pressure_profile() -> None:
    profile = profile_from_mapping(
        "site", {"kind": "standing pressure", "hold": "24h", "drop": "1psi", "must_see": "0.5%"}
    )
    assert isinstance(profile, PressureProfile)
    assert profile.drop_max_pa == pytest.approx(6894.757)
    assert profile.must_see == pytest.approx(0.005)


def test_every_fault_is_named() -> None:
    with pytest.raises(ProfileError) as caught:
        profile_from_mapping(
            "wrong",
            {
                "start": "600micron", "limit": "500micron", "evacuations": 0, "holds": "1h", "ambient_min": "warm",
                "label": 5, "before": [{"limit": 500}],
            },
        )  # fmt: skip
    text = str(caught.value)
    assert "'wrong'" in text
    for part in (
        "hold: is missing", "start: lies above the limit", "evacuations: must be", "holds: no such key",
        "ambient_min: 'warm'", "label: must be a text", "before[1].limit: 500 has no unit",
        "before[1].hold: is missing",
    ):  # fmt: skip
        assert part in text, part


def test_neither_limit_nor_rise() -> None:
    with pytest.raises(ProfileError, match="a limit or a rise is needed"):
        profile_from_mapping("x", {"hold": "1h", "start": "300micron"})


def test_unknown_kind() -> None:
    with pytest.raises(ProfileError, match="neither"):
        profile_from_mapping("x", {"kind": "bubble"})


_junk = st.one_of(
    st.none(), st.booleans(), st.integers(), st.floats(), st.text(max_size=8), st.lists(st.integers(), max_size=2)
)


@settings(max_examples=80, deadline=None)
@given(
    st.dictionaries(
        st.sampled_from(
            ["kind", "label", "start", "hold", "limit", "rise", "evacuations", "ambient_min", "before", "x"]
        ),
        st.one_of(_junk, st.sampled_from(["300micron", "1h", "500micron", "vacuum decay", "standing pressure"])),
        max_size=6,
    )
)
def test_anything_gives_a_profile_or_one_clear_error(table: dict[str, Any]) -> None:
    try:
        profile = profile_from_mapping("any", table)
    except ProfileError as exc:
        assert exc.problems
        return
    if isinstance(profile, DecayProfile):
        assert all(s.hold_s > 0 and s.allowed_rise_pa > 0 for s in profile.steps)
