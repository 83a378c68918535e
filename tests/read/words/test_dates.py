"""Date and time texts. ISO 8601 for the year-month-day forms; the rest is common practice, no source."""

from datetime import date, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from grader.columns import READ, UNREADABLE
from grader.data import load_toml
from grader.read.words.dates import Order, column_order, full_year, parse_date, resolve, time_minutes

settings.register_profile("unhurried", deadline=None)
settings.load_profile("unhurried")

MARCH_4 = date(2026, 3, 4)


@pytest.mark.parametrize(
    "text",
    [
        "2026-03-04",
        "2026-3-4",
        "2026/03/04",
        "2026.03.04",
        "2026-03-04T10:20",
        "2026-03-04 10:20:30.5",
        "2026-03-04T10:20:30Z",
        "2026-03-04T10:20+02:00",
        "4.3.2026",
        "04.03.2026",
        "04.03.26",
        "4. 3. 2026",
        "le 4 mars 2026",
        "am 4.3.26",
        "den 4. März 2026",
        "am Mittwoch, den 04.03.2026",
        "mercredi le 4 mars 2026",
        "on Wednesday 4th March 2026",
        "4 Mar '26",
        "4 March 2026",
        "4 Mar 2026",
        "04-Mar-26",
        "4-mar-2026",
        "4th March 2026",
        "4th of March, 2026",
        "March 4, 2026",
        "Mar 4th 2026",
        "Wed 4 March 2026",
        "Wednesday, 4 March 2026",
        " 4.3.2026 ",
        "'4.3.2026",
        "4\u00a0March\u00a02026",
        "４.３.２０２６",
    ],
)
def test_certain_dates(text):
    for order in Order:
        assert resolve(parse_date(text), order, expiry=False)[:3] == (READ, MARCH_4, "")


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("2026", "date_year_alone"),
        ("w/c 4 March 2026", "date_not_read"),
        ("Woche vom 4.3.2026", "date_not_read"),
        ("bis 4.3.2026", "date_not_read"),
        ("du 2 au 4 mars 2026", "date_not_read"),
        ("le 31 février 2026", "date_impossible"),
        ("31.02.2026", "date_impossible"),
        ("12.31.2026", "date_impossible"),
        ("2026-02-30", "date_impossible"),
        ("2026-13-01", "date_impossible"),
        ("31/31/2026", "date_impossible"),
        ("30/2/2026", "date_impossible"),
        ("29.02.2026", "date_impossible"),
        ("1.1.1900", "date_impossible"),
        ("2300-01-01", "date_impossible"),
        ("31 June 2026", "date_impossible"),
        ("03/2027", "date_month_alone"),
        ("Mar 2027", "date_month_alone"),
        ("2027-03", "date_month_alone"),
        ("13/2027", "date_impossible"),
        ("4 March", "date_not_read"),
        ("March", "date_not_read"),
        ("Mar-27", "date_not_read"),
        ("03/27", "date_not_read"),
        ("soon", "date_not_read"),
        ("4.3", "date_not_read"),
        ("4.3.202", "date_not_read"),
        ("4/3-2026", "date_not_read"),
        ("20260304", "date_not_read"),
        ("46085", "date_not_read"),
        ("n/a", "date_not_read"),
        ("4.3.2026?", "date_not_read"),
        ("4 Mard 2026", "date_not_read"),
        ("100/3/2026", "date_not_read"),
        ("٤.٣.٢٠٢٦", "date_not_read"),
    ],
)
def test_what_is_no_certain_date_is_unreadable(text, code):
    reading = resolve(parse_date(text), Order.NONE, expiry=False)
    assert (reading.state, reading.day, reading.code) == (UNREADABLE, None, code)


@pytest.mark.parametrize(
    ("text", "last"),
    [
        ("03/2027", date(2027, 3, 31)),
        ("Mar 2027", date(2027, 3, 31)),
        ("2027-02", date(2027, 2, 28)),
        ("02.2028", date(2028, 2, 29)),
        ("December 2027", date(2027, 12, 31)),
    ],
)
def test_a_month_alone_is_the_last_day_of_an_expiry(text, last):
    assert resolve(parse_date(text), Order.NONE, expiry=True)[:3] == (READ, last, "expiry_month")


@pytest.mark.parametrize(
    ("order", "month_first", "day", "code"),
    [
        (Order.DAY_FIRST, False, MARCH_4, ""),
        (Order.DAY_FIRST, True, MARCH_4, ""),
        (Order.MONTH_FIRST, False, date(2026, 4, 3), ""),
        (Order.EITHER, False, MARCH_4, "date_order_assumed"),
        (Order.EITHER, True, date(2026, 4, 3), "date_order_assumed"),
        (Order.NEITHER, False, None, "date_order"),
    ],
)
@pytest.mark.parametrize("text", ["4/3/2026", "04/03/26", "4-3-2026", "04-03-26"])
def test_slash_dates_follow_their_column(text, order, month_first, day, code):
    reading = resolve(parse_date(text), order, expiry=False, month_first=month_first)
    assert (reading.day, reading.code) == (day, code)
    assert reading.state == (READ if day else UNREADABLE)


@pytest.mark.parametrize("order", [Order.EITHER, Order.NEITHER])
@pytest.mark.parametrize("month_first", [True, False])
def test_a_doubtful_expiry_is_the_earlier_of_both(order, month_first):
    reading = resolve(parse_date("5/11/2026"), order, expiry=True, month_first=month_first)
    assert reading[:3] == (READ, date(2026, 5, 11), "expiry_earlier")
    assert resolve(parse_date("11/5/2026"), order, expiry=True).day == date(2026, 5, 11)


def test_an_expiry_follows_a_column_whose_order_is_certain():
    assert resolve(parse_date("5/11/2026"), Order.DAY_FIRST, expiry=True)[:3] == (READ, date(2026, 11, 5), "")


def test_the_same_day_and_month_need_no_order():
    for order in Order:
        assert resolve(parse_date("3/3/2026"), order, expiry=False)[:3] == (READ, date(2026, 3, 3), "")


def test_one_date_that_only_fits_the_other_order_is_unreadable():
    assert resolve(parse_date("13/2/2026"), Order.MONTH_FIRST, expiry=False).code == "date_order"
    assert resolve(parse_date("13/2/2026"), Order.NEITHER, expiry=False).code == "date_order"


def test_column_order():
    assert [column_order(a, b) for a in (True, False) for b in (True, False)] == [
        Order.EITHER,
        Order.DAY_FIRST,
        Order.MONTH_FIRST,
        Order.NEITHER,
    ]


def test_two_digit_years():
    """POSIX strptime: 69 to 99 are 1969 to 1999, 00 to 68 are 2000 to 2068 (from memory)."""
    assert [full_year(y) for y in ("00", "68", "69", "99")] == [2000, 2068, 1969, 1999]


MONTHS = [None, *"January February March April May June July August September October November December".split()]


@given(st.dates(date(1969, 1, 1), date(2068, 12, 31)))
def test_every_day_is_read_in_every_certain_form(day):
    name = MONTHS[day.month]
    for text in (
        f"{day:%Y-%m-%d}",
        f"{day:%d.%m.%Y}",
        f"{day:%d.%m.%y}",
        f"{day.day} {name} {day.year}",
        f"{day.day}-{name[:3]}-{day:%y}",
        f"{name.upper()} {day.day}, {day.year}",
    ):
        assert parse_date(text).day == day
    assert parse_date(f"{day:%d/%m/%Y}").day_first == day
    assert parse_date(f"{day:%m/%d/%y}").month_first == day
    assert resolve(parse_date(f"{day:%m/%Y}"), Order.NONE, expiry=True).day + timedelta(days=1) == (
        date(day.year + day.month // 12, day.month % 12 + 1, 1)
    )


@given(st.text("0123456789./- MJa", max_size=10))
def test_any_text_gives_a_date_or_a_reason(text):
    parsed = parse_date(text)
    assert bool(parsed.code) != bool(parsed.day or parsed.month or parsed.slash)


def test_twelve_months_have_names_and_short_names():
    months = load_toml("notation.toml")["months"]
    assert len(months) == 12
    for n, name in enumerate(MONTHS[1:], 1):
        assert {name.casefold(), name[:3].casefold()} <= set(months[str(n)])


@pytest.mark.parametrize(
    ("text", "minutes"),
    [
        ("9:05", 545),
        ("09:05", 545),
        ("09.05", 545),
        ("9h05", 545),
        ("0905", 545),
        ("0905 hrs", 545),
        ("9:05 am", 545),
        ("9:05 pm", 1265),
        ("9.05 p.m.", 1265),
        ("9PM", 1260),
        ("12:30 am", 30),
        ("12:30 pm", 750),
        ("0:00", 0),
        ("23:59", 1439),
        ("9:05:30", 545.5),
        ("21:05 h", 1265),
        (" 9:05 ", 545),
        ("９：05".replace("：", ":"), 545),
    ],
)
def test_times(text, minutes):
    assert time_minutes(text) == minutes


@pytest.mark.parametrize(
    "text",
    [
        "24:00",
        "9:60",
        "9",
        "905",
        "13:00 pm",
        "0:30 am",
        "noon",
        "9,05",
        "9:5",
        "",
        "9:05?",
        "9:05:61",
        "2500",
        "-9:05",
        "9:05 xm",
    ],
)
def test_what_is_no_time(text):
    assert time_minutes(text) is None
