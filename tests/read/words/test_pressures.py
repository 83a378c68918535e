"""A pressure that nobody listed: which headings may be judged as the air's own, and which are of another thing."""

import pytest

from grader.read.settle import may_stand_alone, settled
from grader.read.words.labels import column


@pytest.mark.parametrize(
    "heading",
    [
        "Bar at mask, flowing",
        "Mask pressure",
        "Druck am Gerät",
        "Druck an der Maske bar",
        "Pression à la cagoule (bar)",
    ],
)
def test_a_pressure_at_what_is_worn_is_the_lines_where_it_is_one(heading):
    line = column(0, heading)
    assert settled([line], {0: [7.0, 6.4]})[0].field == "line_pressure_bar"
    assert not settled([line], {0: [7.0, 0.02]})[0].field
    known = column(1, "Line pressure (bar)")
    assert not settled([line, known], {0: [7.0], 1: [8.0]})[0].field


@pytest.mark.parametrize(
    ("heading", "value", "may"),
    [
        ("Gauge at hood bar", 7.0, True),
        ("Manometer Halle bar", 7.0, True),
        ("Pression manomètre cabine bar", 7.0, True),
        ("Gauge at hood psi", 100.0, True),
        ("Gauge at hood psi", 7.0, False),
        ("Gauge at hood bar", 0.3, False),
        ("Gauge at hood bar", "seven", False),
        ("Reduced pressure bar", 7.0, False),
        ("Pressure after regulator bar", 7.0, False),
        ("Filter DP bar", 7.0, False),
        ("Leak test bar", 7.0, False),
        ("Storage pressure bar", 200.0, False),
        ("Hinterdruck bar", 7.0, False),
        ("Druck nach Druckminderer bar", 7.0, False),
        ("Druckabfall bar", 7.0, False),
        ("Mitteldruck bar", 7.0, False),
        ("Pression détendue bar", 7.0, False),
        ("Pression aval détendeur bar", 7.0, False),
        ("Fuite bar", 7.0, False),
        ("Least pressure needed (bar)", 7.0, False),
    ],
)
def test_a_pressure_that_nobody_listed_stands_alone_only_as_one_of_the_air(heading, value, may):
    line = column(0, heading)
    fields = line.heading.candidates or (line.field,)
    assert may_stand_alone(line, fields, [value, None]) is may
