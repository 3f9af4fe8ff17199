"""What people read is what was read over."""

from tests.register.outputs import PAGE, outputs


def test_the_words_are_those_that_were_read() -> None:
    found = outputs()
    assert found == PAGE.read_text(encoding="utf-8"), "python -m tests.register.outputs"
    rows = [line for line in found.splitlines() if not line.startswith("$")]
    assert max(map(len, rows)) <= 80
