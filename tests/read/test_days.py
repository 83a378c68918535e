"""What a line beside the tests says of a day is of the tests of that day, unless it tells of what lasts."""

from datetime import date

import pytest

from grader.read.shapes.recognise import recognise
from grader.read.shapes.tables import Sheet

HEADINGS = ["Outlet", "Test date", "O2 (%)", "CO (ppm)", "CO2 (ppm)"]
TESTS = [("T1", date(2025, 2, 11)), ("T2", date(2025, 2, 11)), ("T1", date(2025, 5, 14)), ("T2", date(2025, 5, 14))]


@pytest.mark.parametrize(
    ("line", "of"),
    [
        ("T2 am 11.02.2025 nicht bestanden", [1]),
        ("T2 on 14 May 2025: failed", [3]),
        ("T1 le 14/05/2025 : non conforme", [2]),
        ("T2: failed", [1, 3]),
        ("Contrôle du 11/02/2025 : annulé", [0, 1]),
        ("Contrôle du 11/02/2025 : appareil hors tolérance", [0, 1, 2, 3]),
        ("Meter found faulty on 14.05.2025", [0, 1, 2, 3]),
        ("14.05.2025: the readings of February are void", [0, 1, 2, 3]),
        ("14.05.2025: T2, readings of the last visit are void", [1, 3]),
        ("Tubes expired since 11 February 2025", [0, 1, 2, 3]),
        ("T2 out of use since 11.02.2025", [1, 3]),
        ("On 3 January 2025 the meter failed", [0, 1, 2, 3]),
    ],
)
def test_what_is_said_of_a_day_is_of_its_tests(line, of):
    rows = [HEADINGS, *([name, day, 20.9, 1.0, 430.0] for name, day in TESTS), [None] * 5, [line, *[None] * 4]]
    (table,) = recognise([Sheet("Log", rows)]).tables
    of_all = "said_against" in table.constants
    assert [i for i, said in enumerate(table.columns.get("said_against", [None] * 4)) if said or of_all] == of
