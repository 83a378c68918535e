"""Oddities: planted ones are found, chance ones are not, and each hand-made case is told as it is."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from grader.columns import TEST_FAIL
from grader.outdoor import outdoor_co2_on
from grader.problems import Problems
from grader.review.odd import lots as odd_lots
from grader.review.odd.oddities import CO2, COLUMNS, COPIED, INSTRUMENT, LOT, SAME, TIMES, WARM, oddities_table
from grader.words import words
from tests.review.odd.oddities_tables import judged, visits_with_lots

AS_OF = "2030-01-01"


def run(rows, **more):
    """(oddities, problems) of rows or of a judged table."""
    problems = Problems()
    table = rows if isinstance(rows, pd.DataFrame) else judged(rows)
    return oddities_table(table, problems, as_of=AS_OF, **more), problems


def kinds(rows, **more):
    return run(rows, **more)[0].frame["Kind"].tolist()


# --- lots and instruments ----------------------------------------------------------------------------------


def found_lots(table):
    return odd_lots.odd_lots(table, np.ones(len(table), dtype=bool), AS_OF)


@pytest.mark.parametrize("factor, way", [(1.25, "higher"), (0.75, "lower")])
def test_a_planted_tube_lot_is_found_and_nothing_else(factor, way):
    table = visits_with_lots(
        np.random.default_rng(1), sites=6, outlets=8, visits=12, visits_a_lot=6, odd={5: factor}, day_to_day=8.0
    )
    found, problems = run(table)
    assert found.frame["Kind"].tolist() == [LOT]
    row = found.frame.iloc[0]
    assert (row["What"], row["Parameter"], row["Site"]) == ("L5", "Carbon dioxide", "6 sites")
    assert f"Reads {way} than the rest at 48 of 48 outlets" in row["Finding"]
    assert "may also be the plant" in row["Finding"]
    assert "Against the tests just before and after" in row["Finding"]
    assert "Benjamini-Hochberg correction over 12 comparisons" in row["Test used"]
    assert "sign test" in row["Test used"]
    (batch,) = problems.batches
    first = table.index[table["co2_tube_lot"] == "L5"][0]
    assert (batch.code, batch.tests, batch.field_name) == ("odd_lot", [first], "co2_tube_lot")


def test_a_planted_lot_of_one_visit_says_that_the_day_may_be_to_blame():
    table = visits_with_lots(np.random.default_rng(2), sites=1, outlets=10, visits=8, odd={7: 1.3}, day_to_day=8.0)
    finding = run(table)[0].frame["Finding"]
    assert len(finding) == 1
    assert "used in one visit only" in finding[0]
    assert "No other one was used there after it" in finding[0]
    assert "there before it" not in finding[0]


def test_an_instrument_that_reads_flow_high_is_found():
    rng = np.random.default_rng(3)
    rows = [
        {
            "outlet": str(o),
            "day": np.datetime64("2015-01-05") + 91 * v,
            "instrument": f"EX-{v % 4}",
            "flow_l_min": float(round((300 + 4 * o + rng.normal(0, 4)) * (1.1 if v % 4 == 2 else 1.0))),
            "oxygen_pct": float(round(20.9 + rng.normal(0, 0.05), 1)),
        }
        for v in range(16)
        for o in range(8)
    ]
    found, problems = run(rows)
    assert found.frame[["Kind", "What", "Parameter"]].values.tolist() == [[INSTRUMENT, "EX-2", "Flow"]]
    assert problems.batches[0].field_name == "instrument"


def test_what_is_far_less_than_the_uncertainty_is_not_listed():
    """The lot reads 25 % high, sure of it: below half of what is stated for the tube it is nobody's business."""
    table = visits_with_lots(
        np.random.default_rng(1), sites=6, outlets=8, visits=12, visits_a_lot=6, odd={5: 1.25}, day_to_day=8.0
    )
    found, _ = found_lots(table)
    difference = abs(found["difference"][0])
    for stated, listed in ((1.9 * difference, 1), (2.1 * difference, 0)):
        assert len(found_lots(table.assign(u_co2=stated))[0]) == listed


def test_since_when_and_by_how_much_lately():
    """An instrument that begins to read flow low in the last year: not told from all of it, told from that year."""
    rng = np.random.default_rng(2)
    rows = []
    for quarter in range(20):
        day = str(np.datetime64("2021-01-05") + 91 * quarter)
        for site in range(6):
            late = quarter >= 16 and (site + quarter) % 2 == 0
            for outlet in range(4):
                flow = 220 + rng.normal(0, 3) - (25 if late else 0)
                rows.append(
                    {
                        "site": f"Site {site}",
                        "outlet": str(outlet),
                        "day": day,
                        "instrument": f"I{(site + quarter) % 2}",
                        "flow_l_min": float(round(flow)),
                        "u_flow": 11.0,
                    }
                )
    found, _ = oddities_table(judged(rows), Problems(), as_of="2025-12-20"), None
    row = found.frame[(found.frame["Parameter"] == "Flow") & (found.frame["What"] == "I0")].iloc[0]
    assert row["Off in the last 12 months"] == pytest.approx(-25, abs=4)
    assert row["Stated uncertainties off"] == pytest.approx(-25 / 11, abs=0.4)
    assert np.datetime64("2024-12-31") <= row["Off since"] < np.datetime64("2025-07-01")  # began on 2024-12-31
    assert "In the last 12 months" in row["Finding"]


def test_five_outlets_are_too_few():
    few, many = (visits_with_lots(np.random.default_rng(4), sites=1, outlets=n, visits=8, odd={3: 1.5}) for n in (5, 6))
    assert len(found_lots(few)[0]) == 0 and found_lots(few)[1] == 0
    assert found_lots(many)[0]["lot"].tolist() == ["L3"]


@pytest.mark.parametrize(
    "more",
    [{}, {"day_to_day": 20.0}, {"drift": 10.0, "day_to_day": 5.0}],
    ids=["scatter only", "days differ", "plant drifts"],
)
def test_chance_alone_seldom_gives_a_finding(more):
    """Benjamini-Hochberg at 5 %: where nothing is odd, at most one run in twenty lists anything, on average.

    25 runs of 200 lots; the number of runs with a finding that a rate of 5 % allows is binomial (98 %).
    """
    runs = 0
    for seed in range(25):
        table = visits_with_lots(
            np.random.default_rng(100 + seed), sites=20, outlets=8, visits=20, visits_a_lot=2, **more
        )
        found, compared = found_lots(table)
        assert compared == 200
        runs += len(found) > 0
    assert runs <= stats.binom.ppf(0.98, 25, 0.05)


def test_the_share_of_false_findings_among_planted_ones():
    """19 odd lots of 200 in ten runs: nearly all found, and of all that is listed about 5 % at most are
    others."""
    false = true = 0
    odd = {lot: 1.2 if lot % 2 else 0.8 for lot in range(0, 200, 11)}
    for seed in range(10):
        table = visits_with_lots(
            np.random.default_rng(300 + seed), sites=20, outlets=8, visits=20, visits_a_lot=2, odd=odd, day_to_day=8.0
        )
        names = found_lots(table)[0]["lot"].str.removeprefix("L").astype(int)
        true += names.isin(list(odd)).sum()
        false += (~names.isin(list(odd))).sum()
    assert true >= 0.95 * 10 * len(odd)
    assert false <= 0.08 * (true + false)


def test_a_visit_of_different_air_is_no_odd_lot_where_visits_always_differ():
    """Each visit's air differs by chance, alike at all outlets: a sign test over outlets alone calls every
    lot odd."""
    table = visits_with_lots(np.random.default_rng(5), sites=1, outlets=20, visits=12, noise=2.0, day_to_day=40.0)
    compared = odd_lots._compare(table, np.ones(len(table), dtype=bool), _co2(), 0)
    assert (compared["p_outlets"] < 0.001).sum() >= 6
    assert len(found_lots(table)[0]) == 0


def test_a_plant_that_drifts_is_no_odd_lot():
    """A line that clogs a little at each visit: its last readings differ from the rest, not from those
    before."""
    rows = [
        {
            "outlet": str(o),
            "day": np.datetime64("2015-01-05") + 91 * v,
            "instrument": "new" if v > 12 else "old",
            "flow_l_min": 400.0 - 5.0 * v + (o * 7 + v * 3) % 5,
        }
        for v in range(16)
        for o in range(10)
    ]
    table = judged(rows)
    compared = pd.concat(
        [odd_lots._compare(table, np.ones(len(table), dtype=bool), i, 0) for i in range(len(odd_lots.MEASURES))]
    )
    new = compared[compared["lot"] == "new"].iloc[0]
    assert new["p_visits"] < 0.01 and new["p_outlets"] < 0.01
    assert abs(new["near"]) < abs(new["difference"]) / 2
    assert found_lots(table)[0]["lot"].tolist() == []


def test_bounds_take_part_only_where_the_order_is_certain():
    def rows(odd):
        return [
            {
                "outlet": str(o),
                "day": np.datetime64("2015-01-05") + 91 * v,
                "co_tube_lot": f"C{v}",
                "co_ppm": odd if v == 4 else "<2",
            }
            for v in range(10)
            for o in range(8)
        ]

    assert found_lots(judged(rows("<5")))[0]["lot"].tolist() == []  # could be above or below `<2`
    assert found_lots(judged(rows("<2")))[0]["lot"].tolist() == []
    found = found_lots(judged(rows(2.0)))[0]  # 2 is certainly above `<2`
    assert found[["lot", "higher", "lower"]].values.tolist() == [["C4", 8, 0]]


def test_air_at_another_time_of_year_is_no_odd_instrument():
    """One instrument for winters, one for summers: colder air, same thermometers."""
    rng = np.random.default_rng(6)
    rows = [
        {
            "outlet": str(o),
            "day": np.datetime64("2012-01-10") + 91 * v,
            "instrument": f"EX-{v % 2}",
            "ambient_temperature_c": float(round(15 + (10 if v % 2 else -10) + rng.normal(0, 2), 1)),
        }
        for v in range(24)
        for o in range(8)
    ]
    assert found_lots(judged(rows))[1] == 0


def _co2():
    return [m.key for m in odd_lots.MEASURES].index("co2")


def test_sign_test_and_correction_agree_with_scipy():
    """scipy.stats.binomtest and false_discovery_control are the reference."""
    table = visits_with_lots(np.random.default_rng(7), sites=4, outlets=7, visits=10, visits_a_lot=2)
    compared = odd_lots._compare(table, np.ones(len(table), dtype=bool), _co2(), 0)
    signs = zip(compared["higher"], compared["lower"])
    expected = [stats.binomtest(int(h), int(h + low)).pvalue for h, low in signs]
    assert compared["p_outlets"].to_numpy() == pytest.approx(np.array(expected), rel=1e-9)
    p = np.random.default_rng(8).random(30) ** 3
    assert odd_lots._adjusted(p) == pytest.approx(stats.false_discovery_control(p), rel=1e-12)


def test_over_visits_is_students_test_on_one_site():
    """With one site the analysis of variance is the two-sample t test: scipy.stats.ttest_ind is the
    reference."""
    table = visits_with_lots(np.random.default_rng(9), sites=1, outlets=9, visits=12, visits_a_lot=3, day_to_day=10.0)
    compared = odd_lots._compare(table, np.ones(len(table), dtype=bool), _co2(), 0).set_index("lot")
    own = table["co2_lower"] - table.groupby("identity")["co2_lower"].transform("median")
    unit = own.groupby(table["visit"]).mean()
    lot = table.groupby("visit")["co2_tube_lot"].first()
    checked = 0
    for name, row in compared.iterrows():
        expected = stats.ttest_ind(unit[lot == name], unit[lot != name])
        assert row["degrees"] == 10
        if np.sign(expected.statistic) == np.sign(row["difference"]):
            assert row["p_visits"] == pytest.approx(expected.pvalue, rel=1e-9)
            checked += 1
    assert checked >= 2


def test_over_visits_is_the_two_way_least_squares_fit_on_several_sites():
    """Reference: numpy's least squares for visit mean = site + lot, and its F test (F = t squared)."""
    rng = np.random.default_rng(10)
    site = np.repeat([0, 1, 2], [7, 5, 4])
    lot = np.array([0, 0, 1, 1, 1, 1, 1, 0, 1, 1, 1, 1, 1, 1, 0, 0])
    own = rng.normal(0, 1, 16) + site + 0.8 * (lot == 0)
    frame = pd.DataFrame({"site": site, "visit": np.arange(16), "lot": lot, "own": own})
    effect, variance, degrees = odd_lots._over_visits(frame, np.array([0]))
    design = np.column_stack([site == 0, site == 1, site == 2, lot == 0]).astype(float)
    fit, rest, _, _ = np.linalg.lstsq(design, own, rcond=None)
    assert degrees[0] == 12
    assert effect[0] == pytest.approx(fit[3], rel=1e-9)
    inverse = np.linalg.inv(design.T @ design)
    assert variance[0] == pytest.approx(rest[0] / 12 * inverse[3, 3], rel=1e-9)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 2), st.integers(-1, 3), st.integers(0, 6)), min_size=1, max_size=25))
def test_median_of_the_others_by_brute_force(rows):
    codes = np.array([r[0] for r in rows])
    block = np.unique(codes, return_inverse=True)[1]
    lot, value = np.array([r[1] for r in rows]), np.array([float(r[2]) for r in rows])
    got = odd_lots._others_median(block, lot, value)
    for i in range(len(rows)):
        others = value[(block == block[i]) & (lot != lot[i])]
        if lot[i] < 0 or not len(others):
            assert np.isnan(got[i])
        else:
            assert got[i] == np.median(others)


def test_neighbours_are_the_tests_just_before_and_after_with_another_lot():
    block, lot = np.array([0, 0, 0, 0, 0, 1]), np.array([1, 2, 2, 1, 3, 1])
    day = np.arange(6).astype("datetime64[D]")
    value = np.array([1.0, 2.0, 3.0, 4.0, 5.0, 6.0])
    before, after = odd_lots._neighbours(block, lot, day, np.arange(6), value)
    assert np.array_equal(before, [np.nan, 1, np.nan, 3, 4, np.nan], equal_nan=True)
    assert np.array_equal(after, [2, np.nan, 4, 5, np.nan, np.nan], equal_nan=True)


# --- always the same ---------------------------------------------------------------------------------------

FIGURES = {
    "co2_ppm": 520.0,
    "flow_l_min": 310.0,
    "line_pressure_bar": 6.1,
    "airline_temperature_c": 19.5,
    "water_tube_mg_m3": 60.0,
    "oxygen_pct": 20.9,
    "co_ppm": "<2",
    "oil_mg_m3": "<0.1",
    "odour": "none",
}
QUARTERS = ["2023-01-10", "2023-04-11", "2023-07-11", "2023-10-10", "2024-01-09"]


def test_an_outlet_that_never_moves_is_listed_once():
    found, problems = run([{**FIGURES, "day": d} for d in QUARTERS])
    assert found.frame["Kind"].tolist() == [SAME]
    row = found.frame.iloc[0]
    assert row["Outlet"] == "1" and "Every one of 5 tests" in row["Finding"]
    assert (str(row["First test"].date()), str(row["Last test"].date())) == (QUARTERS[0], QUARTERS[-1])
    assert problems.batches[0].tests == [0]


@pytest.mark.parametrize(
    "change",
    [{"co2_ppm": 521.0}, {"airline_temperature_c": 19.6}, {"water_tube_mg_m3": 61.0}],
    ids=["co2", "temperature", "water"],
)
def test_one_figure_that_moves_once_is_enough(change):
    assert kinds([{**FIGURES, "day": d, **(change if d == QUARTERS[2] else {})} for d in QUARTERS]) == []


def test_four_tests_or_repeating_bounds_are_nothing_odd():
    assert kinds([{**FIGURES, "day": d} for d in QUARTERS[:4]]) == []
    bounds = {
        "co2_ppm": "<600",
        "water_tube_mg_m3": "<50",
        "flow_l_min": 310.0,
        "line_pressure_bar": 6.1,
        "airline_temperature_c": 19.5,
    }
    assert kinds([{**bounds, "day": d} for d in QUARTERS]) == []


def test_four_restless_figures_suffice_where_the_fifth_is_never_measured():
    high = {k: v for k, v in FIGURES.items() if k != "flow_l_min"}
    assert kinds([{**high, "day": d} for d in QUARTERS]) == [SAME]


# --- copied forward ----------------------------------------------------------------------------------------


def visit(day, shift=0.0, outlets=(1, 2, 3), **more):
    return [{**FIGURES, "outlet": str(o), "day": day, "co2_ppm": 500.0 + 10 * o + shift, **more} for o in outlets]


def test_a_copied_visit_stands_at_the_top_and_names_both_days():
    rows = visit("2024-01-09") + visit("2024-04-09", 7.0) + visit("2024-07-09", file=1)
    found, problems = run(rows, file_names=["winter.xlsx", "summer.xlsx"])
    assert found.frame["Kind"].tolist() == [COPIED]
    (line,) = found.copied_forward
    for part in ("Site A", "2024-07-09", "2024-01-09", "3 outlets", "summer.xlsx", "winter.xlsx"):
        assert part in line
    assert problems.batches[0].tests == [6]
    assert found.frame[["File", "Row"]].values.tolist() == [["summer.xlsx", 8]]


@pytest.mark.parametrize(
    "rows",
    [
        visit("2024-01-09", outlets=(1, 2)) + visit("2024-07-09", outlets=(1, 2)),
        visit("2024-01-09") + visit("2024-07-09")[:2] + visit("2024-07-09", 1.0)[2:],
        visit("2024-01-09") + visit("2024-01-09", repeat_of=0),
        visit("2024-01-09") + visit("2024-07-09", replaced=True),
        visit("2024-01-09") + visit("2024-07-09", site="Site B"),
        [
            {"outlet": str(o), "day": d, "co_ppm": "<2", "oil_mg_m3": "<0.1", "oxygen_pct": 20.9, "odour": "none"}
            for o in range(5)
            for d in QUARTERS[:2]
        ],
    ],
    ids=["two outlets", "one differs", "marked repeats", "replaced file", "another site", "bounds only"],
)
def test_not_copied_forward(rows):
    found, _ = run(rows)
    assert found.copied_forward == [] and COPIED not in found.frame["Kind"].tolist()


def test_a_copy_that_leaves_an_outlet_out_and_a_copy_of_a_copy():
    rows = visit("2024-01-09", outlets=(1, 2, 3, 4)) + visit("2024-04-09") + visit("2024-07-09")
    lines = run(rows)[0].copied_forward
    assert len(lines) == 2
    assert "of 2024-04-09" in lines[0] and "2024-01-09" in lines[0]
    assert "of 2024-07-09" in lines[1] and "2024-04-09" in lines[1]  # the latest it can have come from


def living(visits, outlets=8, seed=4):
    """A site whose figures move as they do: temperatures and pressure alike at all outlets of a visit."""
    rng = np.random.default_rng(seed)
    rows = []
    for v in range(visits):
        warm, bar = float(rng.integers(8, 26)), round(rng.normal(7, 0.15), 1)
        for o in range(outlets):
            rows.append(
                {
                    "outlet": str(o),
                    "day": str(np.datetime64("2022-01-10") + 91 * v),
                    "oxygen_pct": round(rng.normal(20.9, 0.05), 1),
                    "co_ppm": float(rng.integers(1, 3)),
                    "co2_ppm": float(10 * rng.integers(40, 46)),
                    "oil_mg_m3": 0.1,
                    "flow_l_min": float(5 * rng.integers(40, 52)),
                    "line_pressure_bar": bar,
                    "water_tube_mg_m3": float(rng.integers(40, 80)),
                    "airline_temperature_c": warm,
                    "ambient_temperature_c": warm - 2,
                }
            )
    return rows


@pytest.mark.parametrize("what", ["one cell", "flows", "a cell an outlet"])
def test_a_copy_with_some_cells_changed_is_found(what):
    rows = living(6)
    rng = np.random.default_rng(9)
    for o in range(8):
        copy = {**rows[3 * 8 + o], "day": rows[5 * 8 + o]["day"]}
        if what == "one cell" and o == 0:
            copy["co2_ppm"] += 10
        if what == "flows":
            copy["flow_l_min"] += float(rng.integers(-3, 4)) * 5 + 1
        if what == "a cell an outlet":
            copy[("co2_ppm", "flow_l_min", "water_tube_mg_m3")[o % 3]] += 5.0
        rows[5 * 8 + o] = copy
    lines = run(rows)[0].copied_forward
    assert len(lines) == 1 and rows[5 * 8]["day"] in lines[0] and rows[3 * 8]["day"] in lines[0]
    assert "by chance about" in lines[0]


@pytest.mark.parametrize("visits, outlets", [(2, 8), (6, 3), (20, 8), (12, 20)])
def test_visits_of_a_living_plant_are_no_copies(visits, outlets):
    for seed in range(5):
        assert run(living(visits, outlets, seed))[0].copied_forward == []


# --- carbon dioxide below outdoor air ----------------------------------------------------------------------


def co2_rows(value, day="2024-06-04", **more):
    return [{"outlet": "1", "day": day, "co2_ppm": value, "supply": "airline", "dryer": "refrigerant", **more}]


def test_carbon_dioxide_below_outdoor_air_with_the_tubes_error_allowed():
    """NOAA global mean of 2024: 422.79 ppm. True is at most reading / 0.75 (former 42 CFR 84, 84.20(e)):
    317.1 ppm."""
    assert outdoor_co2_on(np.array(["2024-06-04"], dtype="datetime64[s]"))[0] == pytest.approx(422.79)
    assert kinds(co2_rows(317.0)) == [CO2]
    assert kinds(co2_rows(318.0)) == []
    assert kinds(co2_rows("<317")) == [CO2]
    assert kinds(co2_rows(290.0, day="1995-06-04")) == []  # 360.18 ppm then: up to 270.1 ppm
    assert kinds(co2_rows(265.0, day="1995-06-04")) == [CO2]


@pytest.mark.parametrize(
    "rows",
    [
        co2_rows(300.0, dryer="desiccant"),
        co2_rows(300.0, supply="charging compressor", dryer=""),
        co2_rows(200.0),  # below half: the judge has doubted it already
        co2_rows(300.0, dated=False),
    ],
    ids=["desiccant", "charging compressor", "already doubted", "no date"],
)
def test_no_word_about_carbon_dioxide(rows):
    assert kinds(rows) == []


def test_one_line_a_visit_and_lot():
    rows = [{**co2_rows(300.0 + o)[0], "outlet": str(o), "co2_tube_lot": "X" if o < 3 else "Y"} for o in range(4)]
    frame = run(rows)[0].frame
    assert frame["What"].tolist() == ["X", "Y"]
    assert "300 to 302 ppm at 3 outlets" in frame["Finding"][0] and "423 ppm" in frame["Finding"][0]
    assert frame["Outlet"].tolist() == ["", "3"]


# --- rests on a warm day -----------------------------------------------------------------------------------


def warm(last=None, earlier=None, **more):
    return [
        {
            "outlet": "1",
            "day": "2024-01-16",
            "ambient_temperature_c": 4.0,
            "supply": "airline",
            "safe_down_to_c": -5.0,
            **(earlier or {}),
            **more,
        },
        {
            "outlet": "1",
            "day": "2024-07-16",
            "ambient_temperature_c": 24.0,
            "supply": "airline",
            "safe_down_to_c": 9.0,
            "warm_day": True,
            **(last or {}),
            **more,
        },
    ]


def test_a_pass_on_a_warm_day_names_the_cold_one():
    found, problems = run(warm(earlier={"file": 0}, last={"file": 1}), file_names=["cold.xlsx", "warm.xlsx"])
    row = found.frame.iloc[0]
    assert (row["Kind"], row["What"], row["File"]) == (WARM, "2024-01-16, cold.xlsx", "warm.xlsx")
    assert "safe down to 9.0 °C only; this outlet has met 4 °C, on 2024-01-16 (cold.xlsx)" in row["Finding"]
    assert problems.batches[0].tests == [1]


def test_another_outlet_of_the_site_saw_the_cold():
    rows = warm(earlier={"outlet": "2"})
    frame = run(rows)[0].frame
    assert frame["Outlet"].tolist() == ["1"]
    assert "this site has met 4 °C, on 2024-01-16 at 2" in frame["Finding"][0]
    # What is stated is about the outlet's own place: only its own records speak against it.
    assert kinds(warm(earlier={"outlet": "2"}, last={"lowest_use_temperature_c": 12.0})) == []
    assert kinds(warm(last={"lowest_use_temperature_c": 12.0})) == [WARM]


@pytest.mark.parametrize(
    "rows",
    [
        warm(earlier={"ambient_temperature_c": 9.0}),
        warm(last={"verdict": TEST_FAIL}),
        warm(last={"safe_down_to_c": np.nan}),
        warm(earlier={"site": "Site B"}),
        warm() + [{"outlet": "1", "day": "2024-09-01", "visited": False, "outlet_status": "removed"}],
        warm(supply="cylinder", last={"warm_day": False}),
    ],
    ids=["not colder", "failed", "nothing known", "another site", "removed", "cylinder"],
)
def test_no_warm_day(rows):
    assert kinds(rows) == []


# --- times that cannot be ----------------------------------------------------------------------------------


def timed(step_min, outlets=20, **more):
    return [
        {
            "outlet": str(o),
            "day": "2024-05-07",
            "tested_by": "Engineer A",
            "oil_mg_m3": 0.1 + o / 100,
            "oil_sampling_min": 15.0,
            "test_time": 480.0 + step_min * o,
            **more,
        }
        for o in range(outlets)
    ]


def test_twenty_outlets_of_fifteen_minutes_do_not_fit_into_an_hour():
    """19 samplings of 15 min between the first and the last of 20 outlets: 285 min in 57."""
    found, problems = run(timed(3.0))
    row = found.frame.iloc[0]
    assert (row["Kind"], row["What"]) == (TIMES, "Engineer A, 2024-05-07")
    assert "20 outlets within 57 min, and 285 min of oil sampling" in row["Finding"]
    assert problems.batches[0].code == "odd_times" and problems.batches[0].tests == [0]


@pytest.mark.parametrize(
    "rows, odd",
    [
        (timed(16.0), False),
        (timed(15.0), False),
        (timed(3.0, outlets=2), False),
        (timed(3.0, oil_sampling_min=2.0), False),
        ([r | {"test_time": None} for r in timed(3.0)], False),
        ([r | {"oil_mg_m3": None} for r in timed(3.0)], False),
        (timed(0.0), True),
        (timed(3.0) + [{**timed(3.0, 1)[0], "outlet": "last", "test_time": 1080.0}], True),
        (timed(8.0, outlets=10, site="A") + timed(8.0, outlets=10, site="B"), True),
        (timed(16.0, outlets=10) + timed(16.0, outlets=10, site="B", tested_by="Engineer B"), False),
        (timed(3.0, tested_by=""), True),
    ],
    ids=[
        "time enough",
        "just enough",
        "two only",
        "short sampling",
        "no times",
        "no oil",
        "one time for all",
        "a late one besides",
        "two sites at once",
        "two engineers",
        "engineer not written",
    ],
)
def test_times(rows, odd):
    assert kinds(rows) == ([TIMES] if odd else [])


# --- the sheet ---------------------------------------------------------------------------------------------


def test_nothing_from_nothing():
    for table in (judged([{"outlet": "1"}]).iloc[:0], judged([{"outlet": "1"}])):
        found, problems = run(table)
        assert found.frame.columns.tolist() == list(COLUMNS) and len(found.frame) == 0
        assert found.copied_forward == [] and problems.batches == []
        assert found.frame["First test"].dtype.kind == "M"


def test_tests_after_the_day_of_the_run_count_for_nothing():
    rows = visit("2024-01-09") + visit("2024-07-09")
    assert oddities_table(judged(rows), Problems(), as_of="2024-07-08").copied_forward == []
    assert len(oddities_table(judged(rows), Problems(), as_of="2024-07-09").copied_forward) == 1


def test_every_query_has_words_and_fills_them():
    rows = (
        visit("2024-01-09")
        + visit("2024-07-09")
        + [{**r, "site": "T"} for r in timed(3.0)]
        + [{**r, "site": "W"} for r in warm()]
        + [{**co2_rows(300.0)[0], "site": "C"}]
        + [{**FIGURES, "day": d, "site": "S"} for d in QUARTERS]
    )
    lots = visits_with_lots(np.random.default_rng(1), sites=1, outlets=8, visits=8, odd={4: 1.5})
    said = set()
    for table in (judged(rows), lots):
        found, problems = run(table)
        filled = found.frame[["Kind", "Site", "What", "Finding", "Test used", "What to do", "File"]]
        assert (filled != "").all(axis=None)
        assert sum(len(b.tests) for b in problems.batches) == len(found.frame)
        for batch in problems.batches:
            entry = words()["problem"][batch.code]
            first = {k: v[0] for k, v in batch.params.items()}
            text = entry["text"].format(**first)
            assert first["finding"] in text and entry["todo"] and entry["severity"] == "query"
            said.add(batch.code)
    assert said == {
        "odd_lot",
        "odd_always_same",
        "odd_copied_forward",
        "odd_co2_below_outdoor",
        "odd_warm_day",
        "odd_times",
    }


def test_a_figure_beside_a_bound_lies_off_by_the_middles_once_the_order_is_certain():
    """0.1 beside `<0.1` (0 to 0.1): above for certain, by 0.05 to the middle, not by nought; 0.05 lies anywhere beside it."""
    reading = np.array([0.1, 0.05, 0.2])
    found = odd_lots._difference(reading, reading, np.array([0.0, 0.0, 0.3]), np.array([0.1 - 1e-8, 0.1, np.inf]))
    assert found == pytest.approx([0.05, 0.0, -0.1])
