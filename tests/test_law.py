"""docs/law.md is what its command makes."""

from tests.law import PAGE, page


def test_the_page_is_of_today() -> None:
    assert PAGE.read_text(encoding="utf-8") == page()
