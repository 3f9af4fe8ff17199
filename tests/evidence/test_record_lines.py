"""Lines that a stranger made: what is no flat object is refused before it is parsed."""

import pytest

from logger.evidence.errors import BundleError
from logger.evidence.record_lines import parse_record, record_line
from logger.model.records import EVENT, Record

LONG_TEXT = '{"type":"note","text":"' + "[{" * 60_000 + '\\\\\\""}'
RECORD = Record(id=1, kind=EVENT, device="", t0_ns=1, n=1, offsets=b"", payload=LONG_TEXT.encode(), digest=bytes(32))


def test_a_long_text_may_hold_any_marks() -> None:
    assert parse_record(record_line(RECORD), 1) == RECORD


@pytest.mark.parametrize("nested", [b'{"id":[%b0]}', b'{"id":{"a":[%b0]}}', b'{"text":"x\\"","id":[%b0]}'])
def test_nested_lists_are_not_parsed(nested: bytes) -> None:
    with pytest.raises(BundleError, match=r"line 7 .* more than numbers and texts"):
        parse_record(nested % (b"[]," * 40_000), 7)


def test_a_text_that_never_ends_is_read_once() -> None:
    with pytest.raises(BundleError, match="line 1"):
        parse_record(b'{"text":"' + b'\\"' * 1_000_000, 1)
