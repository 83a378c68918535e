"""The palette measured against published models of contrast and of colour vision."""

from itertools import combinations

import pytest

from grader.columns import TEST_WORDS, VERDICT_WORDS
from grader.write.styles import palette, style_of

# Machado, Oliveira, Fernandes (2009), IEEE TVCG 15(6), 1291-1298, severity 1.0, applied to linear RGB.
# Recalled from memory and found the same in several public programs that quote the paper; paper not seen.
VISION = {
    "normal": ((1, 0, 0), (0, 1, 0), (0, 0, 1)),
    "protan": ((0.152286, 1.052583, -0.204868), (0.114503, 0.786281, 0.099216), (-0.003882, -0.048116, 1.051998)),
    "deutan": ((0.367322, 0.860646, -0.227968), (0.280085, 0.672501, 0.047413), (-0.011820, 0.042940, 0.968881)),
    "tritan": ((1.255528, -0.076749, -0.178779), (-0.078411, 0.930809, 0.147602), (0.004733, 0.691367, 0.303900)),
}
# Difference in CIELAB that cells a row apart must keep; 2.3 is just noticeable side by side (Mahy, Van
# Eycken, Oosterlinck 1994, from memory). The much wider distance is our judgement.
LEAST_DIFFERENCE = 15.0


def linear(colour):
    """IEC 61966-2-1 (sRGB), decoding, from memory."""
    parts = (int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5))
    return [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]


def lab(rgb):
    """CIELAB for D65 from linear sRGB (CIE 15, IEC 61966-2-1; from memory)."""
    red, green, blue = (min(1.0, max(0.0, part)) for part in rgb)
    xyz = (
        (0.4124 * red + 0.3576 * green + 0.1805 * blue) / 0.9505,
        0.2126 * red + 0.7152 * green + 0.0722 * blue,
        (0.0193 * red + 0.1192 * green + 0.9505 * blue) / 1.0891,
    )
    x, y, z = (t ** (1 / 3) if t > 216 / 24389 else (24389 / 27 * t + 16) / 116 for t in xyz)
    return 116 * y - 16, 500 * (x - y), 200 * (y - z)


def seen(colour, vision):
    return lab([sum(a * b for a, b in zip(row, linear(colour))) for row in VISION[vision]])


def contrast(one, other):
    """WCAG 2.1, contrast ratio, from memory."""
    light = sorted(0.2126 * r + 0.7152 * g + 0.0722 * b + 0.05 for r, g, b in (linear(one), linear(other)))
    return light[1] / light[0]


def test_lab_and_contrast_of_known_colours():
    """White is L* 100 and black 0; black on white is 21:1 (WCAG 2.1, definition of contrast ratio)."""
    assert lab(linear("#FFFFFF")) == pytest.approx((100, 0, 0), abs=0.05)
    assert lab(linear("#000000")) == pytest.approx((0, 0, 0), abs=0.01)
    assert contrast("#000000", "#FFFFFF") == pytest.approx(21.0)


@pytest.mark.parametrize("style", sorted(palette()["style"]))
def test_text_can_be_read_on_its_fill(style):
    """WCAG 2.1, success criterion 1.4.3: at least 4.5:1 (from memory)."""
    look = palette()["style"][style]
    assert contrast(look["fill"], look["text"]) >= 4.5


@pytest.mark.parametrize("vision", sorted(VISION))
def test_fills_stay_apart(vision):
    fills = {name: seen(look["fill"], vision) for name, look in palette()["style"].items()}
    fills["paper"] = seen("#FFFFFF", vision)
    close = {}
    for one, other in combinations(fills, 2):
        if {one, other} == {"none", "paper"}:
            continue  # what was not judged may look like paper
        difference = sum((a - b) ** 2 for a, b in zip(fills[one], fills[other])) ** 0.5
        if difference < LEAST_DIFFERENCE:
            close[one, other] = round(difference, 1)
    assert not close


def test_a_fail_is_the_darkest_in_grey_print():
    lightness = {name: lab(linear(look["fill"]))[0] for name, look in palette()["style"].items()}
    worst = lightness.pop("bad")
    assert all(other - worst > 20 for other in lightness.values())


def test_chart_shades_differ_in_grey_print():
    """Pass, near limit, incomplete and fail are drawn on one another; each is told by its lightness too."""
    shades = [lab(linear(palette()["style"][style_of(word)]["chart"]))[0] for word in TEST_WORDS]
    named = dict(zip(TEST_WORDS, shades))
    assert named["fail"] + 15 < named["incomplete"] < min(named["pass"], named["near limit"]) - 15


def test_every_verdict_word_has_a_style():
    words = {
        *VERDICT_WORDS,
        *TEST_WORDS,
        "refused",
        "query",
        "note",
        "out of use",
        "not cleared",
        "overdue",
        "due within 14 days",
        "in date",
        "removed",
        "rising",
        "falling",
        "steady",
        "too few visits",
    }
    assert {word for word in words if not style_of(word)} == set()
    assert set(palette()["words"].values()) <= set(palette()["style"])
