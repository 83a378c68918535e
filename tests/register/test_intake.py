"""Whether carbon monoxide and dioxide come in with the air or from the compressor. Rule: design, "The register"."""

from __future__ import annotations

from tests.register.firm import graded, visit
from tests.support import AIRLINE

APART = "intake and compressor not told apart"
# u of a tube is 12.5 % of the reading, at least 0.4375 ppm (data/parameters.toml); of one lot half of the variance is
# each reading's own. 8 and 4.0 ppm: 2 sqrt((1.0² + 0.5²) / 2) = 1.58, without a lot 2.24. 8 and 6: over the limit.
CASES = (
    (8.0, 6.0, True, "intake"),
    (8.0, 4.4, True, "intake"),  # a chance of 14 % of being over 5 ppm: near limit
    (8.0, 1.0, True, "compressor"),
    (6.0, 4.0, True, "compressor"),  # 2.0 apart, 2 sqrt((0.75² + 0.5²) / 2) = 1.27
    (5.6, 4.0, False, APART),  # 1.6 apart, 2 sqrt(0.7² + 0.5²) = 1.72: without a lot that is not enough
    (5.6, 4.0, True, "compressor"),  # ... and by one lot it is: 1.22
    (8.0, "<5", True, "compressor"),  # at most 5, and 3 above that: 2 sqrt((1² + 0.625²) / 2) = 1.67
    (8.0, "<7", True, APART),  # may be over the limit itself
    (8.0, ">6", True, "intake"),
    (8.0, "4 or so", True, APART),
    (8.0, None, True, ""),
)


def test_findings_say_where_a_gas_comes_from_and_verdicts_stay(tmp_path):
    rows = [
        {**AIRLINE, "outlet": f"Bay {n}", "co_ppm": co, "intake_co_ppm": drawn, "co_tube_lot": "C7" if lot else None}
        for n, (co, drawn, lot, _) in enumerate(CASES)
    ]
    result = graded(tmp_path / "with", None, rows, visit(co_tube_lot=None))
    plain = graded(tmp_path / "without", None, [{**r, "intake_co_ppm": None} for r in rows], visit(co_tube_lot=None))
    assert result.verdicts["Verdict"].tolist() == plain.verdicts["Verdict"].tolist() == ["fail"] * len(CASES)
    found = result.actions[result.actions["Parameter"] == "Carbon monoxide"].set_index("Outlet")
    for n, (_, drawn, _, origin) in enumerate(CASES):
        told = found["Finding"][f"Bay {n}"].partition("; at the intake ")[2]
        assert told.partition(": ")[2] == origin, CASES[n]
        assert (str(drawn).removesuffix(".0") in told) == bool(origin)
    assert "oil" in found["Likely causes"]["Bay 2"].split(";")[0]  # the plant's causes first
    assert "exhaust" in found["Likely causes"]["Bay 0"].split(";")[0]
    assert "air drawn in is the source" in found["Next step"]["Bay 0"]
    assert "Measure carbon monoxide at the compressor intake" in found["Next step"]["Bay 10"]


def test_carbon_dioxide_and_a_label_of_visit(tmp_path):
    result = graded(tmp_path, None, [{**AIRLINE, "co2_ppm": 900.0}], visit(intake_co2_ppm=880))
    assert "at the intake 880 ppm: intake" in result.actions["Finding"][0]
    german = graded(tmp_path / "de", None, [{**AIRLINE, "co2_ppm": 900.0}], visit(intake_co2_ppm=430), language="de")
    assert "an der Ansaugung 430 ppm: Kompressor" in german.actions["Finding"][0]
