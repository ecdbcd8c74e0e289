"""Letters that fonts lack."""

from yieldsim.report.layout import missing_glyphs


def test_familiar_letters_are_in_the_font() -> None:
    assert {ord(letter) for letter in missing_glyphs.FAMILIAR} <= missing_glyphs._letters()
