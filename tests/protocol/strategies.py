"""Any message that SPEC.md allows."""

from typing import Any

from hypothesis import strategies as st

from firmware_protocol.codes import (
    Capability,
    DeviceState,
    ErrorCode,
    Fault,
    PermitAction,
    Quantity,
    SampleType,
    SensorKind,
)
from firmware_protocol.fields import clean_text
from firmware_protocol.messages import (
    Accepted,
    Describe,
    ErrorMessage,
    Hello,
    OutputDescription,
    Resending,
    Samples,
    Status,
    TimeMarked,
)
from firmware_protocol.requests import (
    Permit,
    RequestDescribe,
    RequestHello,
    RequestOutput,
    RequestStatus,
    ResendFrom,
    SetPeriod,
    Start,
    Stop,
    TimeMark,
)

u8 = st.integers(0, 0xFF)
u16 = st.integers(0, 0xFFFF)
u32 = st.integers(0, 0xFFFF_FFFF)
i32 = st.integers(-(2**31), 2**31 - 1)
asked = st.integers(1, 255)
numbers = st.integers(-(10**9), 10**9) | st.floats(allow_nan=False, allow_infinity=False, width=32)
tolerances = st.none() | st.floats(0, 1e9)
extras = st.dictionaries(st.integers(100, 200), st.integers(0, 9) | st.just("new") | st.just([1, None]), max_size=2)


def texts(longest: int) -> st.SearchStrategy[str]:
    return st.text(max_size=longest).filter(lambda t: len(t.encode(errors="replace")) <= longest and clean_text(t) == t)


hellos = st.builds(
    Hello,
    u8,
    st.binary(min_size=8, max_size=16),
    texts(32),
    texts(24),
    u32,
    st.integers(100, 1_000_000),
    st.integers(0, 64),
    u32,
    u32.map(Capability),
    st.integers(0, 8),
    u32,
    texts(32),
    minor=u8,
    extra=extras,
)


any_index = st.integers(0, 63)


def describes(index: st.SearchStrategy[int] = any_index) -> st.SearchStrategy[Describe]:
    return st.builds(
        Describe,
        u8,
        index,
        st.sampled_from(Quantity) | st.integers(100, 255),
        st.sampled_from(["Pa", "[psi]", "Cel", "kg", "um[Hg]", "1"]),
        st.sampled_from(SampleType),
        st.integers(-18, 18),
        st.integers(1, 86_400_000),
        offset=i32,
        sensor_kind=st.sampled_from(SensorKind) | st.integers(100, 255),
        parameters=st.lists(numbers, max_size=4).map(tuple),
        range_low=st.none() | numbers,
        range_high=st.none() | numbers,
        accuracy=tolerances,
        accuracy_of_reading=tolerances,
        label=texts(32),
        extra=extras,
    )


statuses = st.builds(
    Status,
    u8,
    u32,
    u32,
    st.sampled_from(DeviceState),
    u32,
    u32,
    u32,
    u32,
    u32,
    u32,
    st.none() | u32,
    st.none() | st.integers(0, 100),
    u32.map(Fault),
    st.lists(st.tuples(st.integers(0, 1), st.integers(0, 6), u16), max_size=8).map(tuple),
    extras,
)

device_messages: st.SearchStrategy[Any] = st.one_of(
    hellos,
    describes(),
    statuses,
    st.builds(
        OutputDescription, u8, st.integers(0, 7), st.integers(100, 60_000), u32, st.booleans(), texts(32), extras
    ),
    st.builds(ErrorMessage, u8, st.sampled_from(ErrorCode) | st.integers(100, 255), texts(80), u8, extras),
    st.builds(Accepted, u8, u8, u32, u32, u32, u32),
    st.builds(Resending, u8, u32, u32, u16, u32, u32),
    st.builds(TimeMarked, u8, u32, st.integers(0, 2**64 - 1), u32, u32),
    st.builds(Samples, u32, u32, u32, st.binary(max_size=223)),
)
requests: st.SearchStrategy[Any] = st.one_of(
    st.builds(RequestHello, asked, u8, u8),
    st.builds(RequestDescribe, asked, u8),
    st.builds(RequestOutput, asked, u8),
    st.builds(RequestStatus, asked),
    st.builds(Start, asked),
    st.builds(Stop, asked),
    st.builds(ResendFrom, asked, u32, st.integers(1, 0xFFFF)),
    st.builds(TimeMark, asked, st.integers(0, 2**64 - 1)),
    st.builds(SetPeriod, asked, st.integers(1, 2**32 - 1), u8),
    st.builds(
        Permit,
        asked,
        u8,
        st.sampled_from(PermitAction),
        u16,
        u32,
        u32,
        u32,
        u8,
        guard_low=st.integers(-(2**31), 0),
        guard_high=st.integers(0, 2**31 - 1),
    ),
)
