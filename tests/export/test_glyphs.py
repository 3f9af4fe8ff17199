"""Any text can be set, and what cannot be is named."""

from hypothesis import given, settings
from hypothesis import strategies as st

from logger.export.report.glyphs import harmless
from logger.export.report.typeset import settable


def only_ascii(text: str) -> bool:
    return text.isascii()


@given(st.dictionaries(st.sampled_from("ab"), st.lists(st.text(max_size=20), max_size=3), max_size=2))
@settings(max_examples=100, deadline=None)
def test_only_what_can_be_set_is_left(data: dict[str, list[str]]) -> None:
    usual = {chr(c) for c in range(0xA0, 0x180)}
    seen = harmless(data, lambda text: all(ch.isascii() or ch in usual for ch in text))
    assert all(ch.isascii() or ch in usual for texts in seen.values() for text in texts for ch in text)


def test_a_missing_glyph_is_named_and_the_rest_stays() -> None:
    seen = harmless({"a": ["Brauerei Köln 麦酒", 3, None]}, only_ascii)
    assert seen == {"a": ["Brauerei Köln [U+9EA6][U+9152]", 3, None]}


def test_the_typesetter_is_asked_once_when_all_is_usual() -> None:
    asked: list[str] = []

    def settable(text: str) -> bool:
        asked.append(text)
        return True

    harmless(["plain", "Müller"], settable)
    harmless(["≥ Δ"], settable)
    assert asked == ["Δ\n≥"]


def test_the_fonts_have_what_the_trade_writes() -> None:
    assert settable("°Δ±≤≥µΩ²³–“”…×·→")
    assert not settable("麦")
