"""Checkpoint lines: they come back, and nothing that may stand in such a file raises."""

import json
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.evidence.checkpoint import (
    Checkpoint,
    checkpoint_bytes,
    checkpoint_line,
    parse_checkpoint,
    parse_checkpoints,
)
from logger.evidence.errors import ChainError

checkpoints = st.builds(
    lambda job, t, last, head, signature: Checkpoint(job, t, last, last, head, signature),
    st.text(max_size=20),
    st.integers(-(2**63), 2**63),
    st.integers(1, 2**62),
    st.binary(min_size=32, max_size=32),
    st.text(max_size=40),
)


@settings(max_examples=200, deadline=None)
@given(st.lists(checkpoints, max_size=5), st.binary(max_size=30))
def test_lines_come_back_and_a_torn_last_line_costs_only_itself(written: list[Checkpoint], torn: bytes) -> None:
    data = b"".join(map(checkpoint_line, written))
    assert parse_checkpoints(data).checkpoints == tuple(written)
    assert parse_checkpoints(data).problems == ()
    assert parse_checkpoints(data + torn).checkpoints[: len(written)] == tuple(written)


@settings(max_examples=200, deadline=None)
@given(checkpoints, st.data())
def test_a_line_cut_anywhere_is_no_checkpoint(one: Checkpoint, data: st.DataObject) -> None:
    line = checkpoint_line(one).rstrip(b"\n")
    cut = data.draw(st.integers(0, len(line) - 1))
    with pytest.raises(ChainError):
        parse_checkpoint(line[:cut])


@settings(max_examples=200, deadline=None)
@given(st.binary(max_size=60))
def test_garbage_never_raises(data: bytes) -> None:
    assert parse_checkpoints(data).checkpoints == ()


def test_numbers_that_do_not_fit_are_refused() -> None:
    good = Checkpoint("job", 1, 5, 5, bytes(32))
    for wrong in (replace(good, count=4), replace(good, last_id=0, count=0), replace(good, head=bytes(31))):
        with pytest.raises(ChainError):
            parse_checkpoint(checkpoint_line(wrong))
    with pytest.raises(ChainError):
        parse_checkpoint(checkpoint_line(good).replace(b'"t_ns":1', b'"t_ns":true'))
    with pytest.raises(ChainError):
        parse_checkpoint(b" " * 9000)


@settings(max_examples=100, deadline=None)
@given(checkpoints)
def test_signed_are_all_fields_but_the_signature(one: Checkpoint) -> None:
    signed = checkpoint_bytes(one)
    assert checkpoint_bytes(replace(one, signature="other")) == signed
    assert json.loads(signed) | {"signature": one.signature} == json.loads(checkpoint_line(one))
    for other in (replace(one, job_id=one.job_id + "x"), replace(one, t_ns=one.t_ns + 1), replace(one, last_id=0)):
        assert checkpoint_bytes(other) != signed
