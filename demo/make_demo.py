"""Makes demo/inbox: the workbooks and the register of an invented testing firm, from story.toml and the model in plant.py.

    python demo/make_demo.py            writes demo/inbox
    python demo/make_demo.py FOLDER     writes there instead

Every draw has its own stream, seeded with site, day, outlet and quantity: the same story gives the same
workbooks, and a line added to the story leaves all other readings alone. Nothing of grader's arithmetic is
used, only the writers of the blank and of the register.
"""

from __future__ import annotations

import datetime as dt
import random
import sys
import tomllib
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent))  # so that it also runs from a checkout that is not installed

from demo import plant  # noqa: E402
from grader.write.blank import write_blank  # noqa: E402
from grader.write.register import register_bytes  # noqa: E402

INBOX = HERE / "inbox"
STORY = HERE / "story.toml"
HOSE_RESISTANCE = 1.1e-5  # bar per (L/min) squared: 0.4 bar at 190 L/min
FLOW_NEEDED_L_MIN = 170  # loose-fitting hood, 42 CFR 84 subpart J Table 8
LOWEST_PRESSURE_BAR = 4.0
ON_THE_REGISTER = ("nominal_pressure_bar", "flow_needed_l_min", "lowest_pressure_bar")
OIL_LOWEST_MARK_MG_M3 = 0.1
TUBES = {"co": "Carbon monoxide", "co2": "Carbon dioxide", "oil": "Oil", "water": "Water"}
# How each engineer writes an unstained tube: lowest carbon monoxide mark (ppm), word for it, word for oil.
HABITS = {"Engineer A": (2.0, "<2", "clear"), "Engineer B": (0.5, "<0.5", "<0.1"), "Engineer C": (0.5, "ND", "nil")}

Row = dict[str, Any]


@dataclass
class Workbook:
    """One visit as it is written down, and what the air really held.

    visit : field name -> value of the Visit sheet.
    rows  : one dict an outlet, field name -> value of the Readings sheet; a blank cell has no key.
    truth : one dict a row: water_mg_m3, and dew_point_c with pressure_bar (absolute) where the water comes
            from a dew point; empty for a row without readings.
    slips : what was spoilt in it, as written in the story.
    """

    name: str
    visit: dict[str, Any]
    rows: list[Row] = field(default_factory=list)
    truth: list[dict[str, float]] = field(default_factory=list)
    slips: list[dict[str, Any]] = field(default_factory=list)


def load_story(path: Path = STORY) -> dict[str, Any]:
    """The story as a dict. Raises tomllib.TOMLDecodeError where the file is not TOML."""
    return tomllib.loads(path.read_text(encoding="utf-8"))


def stream(story: dict[str, Any], *names: object) -> random.Random:
    """A stream of its own for one quantity, the same in every run."""
    return random.Random("|".join([story["seed"], *map(str, names)]))


def sway(draw: random.Random, size: float) -> float:
    """A normal draw with standard deviation `size`, cut off at twice that."""
    return size * max(-2.0, min(2.0, draw.gauss(0.0, 1.0)))


def entry_of(entries: list[dict[str, Any]], day: dt.date) -> dict[str, Any]:
    """The entry of that day, or an empty one."""
    return next((e for e in entries if e["date"] == day), {})


def tube_lot(kind: str, day: dt.date) -> tuple[str, dt.date]:
    """Lot and expiry of the tubes in the box that day: bought each half year, good for 14 months.

    >>> tube_lot("co", dt.date(2024, 9, 17))
    ('CO-24B', datetime.date(2025, 8, 31))
    """
    year = day.year + 1
    half, expiry = ("A", dt.date(year, 2, 28)) if day.month < 7 else ("B", dt.date(year, 8, 31))
    return f"{kind.upper()}-{day.year % 100}{half}", expiry


def calibration_due(month: int, day: dt.date) -> dt.date:
    """Next due day of an instrument that goes back every year by the end of `month`.

    >>> calibration_due(2, dt.date(2024, 3, 12))
    datetime.date(2025, 2, 28)
    """
    due = dt.date(day.year, month, 28)
    return due if day <= due else dt.date(day.year + 1, month, 28)


def visit_sheet(story: dict[str, Any], site: dict[str, Any], day: dt.date, reason: str, tester: str) -> Row:
    """The Visit sheet of one day, with its expired lot, overdue calibration and work done."""
    pressure = round(site["station_hpa"] + sway(stream(story, site["name"], day, "hPa"), 6.0))
    month = story["instruments"][site["instrument"]]["calibrated_in_month"]
    sheet: Row = {
        "site": site["name"],
        "site_address": site["address"],
        "client": site["client"],
        "test_date": day,
        "tested_by": tester,
        "visit_reason": reason,
        "rule_set": story["rule_set"],
        "instrument": site["instrument"],
        "calibration_due": calibration_due(month, day),
        "atmospheric_pressure_hpa": pressure,
        "tubes_corrected": site["tubes_corrected"],
        "interval_months": site["interval_months"],
    }
    sheet |= hours(site, day)
    for tube in TUBES:
        sheet[f"{tube}_tube_lot"], sheet[f"{tube}_tube_expiry"] = tube_lot(tube, day)
    expired = entry_of(site.get("expired", []), day)
    if expired:
        sheet[f"{expired['tube']}_tube_lot"] = expired["lot"]
        sheet[f"{expired['tube']}_tube_expiry"] = expired["expiry"]
    sheet.update({k: v for k, v in entry_of(site.get("overdue_calibration", []), day).items() if k != "date"})
    work = entry_of(site.get("work", []), day)
    if work:
        sheet["work_done"] = work["text"]
    return sheet


def hours(place: dict[str, Any], day: dt.date) -> Row:
    """What the counter of the compressor of a site or system shows, where the story gives it one.

    >>> hours({"hours": {"at": 1000, "on": dt.date(2025, 1, 1), "year": 365.25}}, dt.date(2025, 1, 11))
    {'compressor_hours': 1010}
    """
    counter = place.get("hours")
    if counter is None:
        return {}
    return {"compressor_hours": round(counter["at"] + counter["year"] * plant.years_between(counter["on"], day))}


def true_water(system: dict[str, Any], day: dt.date, outdoor_c: float, atmosphere_bar: float) -> dict[str, float]:
    """What the air of one system holds that day: water_mg_m3, and the dew point it comes from."""
    dryer = system["dryer"]
    if system["supply"] != "airline":
        years = plant.years_between(dt.date(2023, 12, 1), day)
        return {"water_mg_m3": system["water_mg_m3"] + system["water_rise_year"] * years}
    at = system["nominal_bar"] + atmosphere_bar
    if dryer in ("none", "membrane"):
        receiver = system["receiver"]
        receiver_c = receiver["middle_c"] + receiver["share"] * (outdoor_c - 10.0)
        at = receiver["bar"] + atmosphere_bar
        content = plant.undried_content_mg_m3(receiver_c, at)
        if dryer == "membrane":
            return {"water_mg_m3": content * system["membrane_passes"]}
        return {"water_mg_m3": content, "dew_point_c": receiver_c, "pressure_bar": at}
    if dryer == "refrigerant":
        dew_point = plant.refrigerant_dew_point_c(day, system["since"], system["fresh_c"], system["rise_k_year"])
    else:
        refilled = system.get("refilled")
        filled = refilled if refilled and day >= refilled else system["filled"]
        dew_point = plant.desiccant_dew_point_c(day, filled, system["fresh_c"], system["rise_k"], system["life_years"])
    content = plant.water_content_mg_m3(dew_point, at)
    return {"water_mg_m3": content, "dew_point_c": dew_point, "pressure_bar": at}


def rising(start: float, growth: dict[str, Any] | None, rate: str, day: dt.date) -> float:
    """A value that grows in proportion to time from the growth's `since` on."""
    if growth is None:
        return start
    return start + growth[rate] * max(0.0, plant.years_between(growth["since"], day))


def readings(
    story: dict[str, Any],
    site: dict[str, Any],
    system: dict[str, Any],
    outlet: dict[str, Any],
    visit: Row,
    outdoor_c: float,
) -> tuple[Row, dict[str, float]]:
    """Readings and temperatures of one outlet at one visit, and the truth behind them."""
    day = visit["test_date"]
    event: dict[str, Any] = entry_of([e for e in site.get("event", []) if e["system"] == system["name"]], day)
    scatter = story["scatter"]
    atmosphere_bar = visit["atmospheric_pressure_hpa"] / 1000.0
    # A pump stroke draws a volume: thinner air stains less, unless the engineer has put that right already.
    thin = 1.0 if visit["tubes_corrected"] == "already corrected" else atmosphere_bar / plant.ATMOSPHERE_BAR
    co_mark, no_co, no_oil = HABITS[visit["tested_by"]]

    def draw(quantity: str) -> random.Random:
        return stream(story, site["name"], day, visit["visit_reason"], outlet["name"], quantity)

    def tube(quantity: str, value: float) -> float:
        return plant.scattered(value * thin, scatter[quantity], draw(quantity))

    truth = true_water(system, day, outdoor_c, atmosphere_bar)
    wet = system["dryer"] in ("none", "refrigerant")
    multiplier = 10 if wet else 1
    co = tube("co", event.get("co_ppm", 0.0) + rising(system["co_ppm"], system.get("co_overheats"), "ppm_year", day))
    co2 = tube("co2", plant.outdoor_co2_ppm(day) + 8.0 + event.get("co2_ppm", 0.0))
    oil = tube("oil", rising(system["oil_mg_m3"], system.get("oil_passes"), "mg_m3_year", day))
    meter = sway(stream(story, site["name"], day, "meter"), 0.04)
    ambient = system["ambient"]
    ambient_c = ambient["middle_c"] + ambient["share"] * (outdoor_c - 10.0) + sway(draw("ambient"), 0.4)
    row: Row = {
        "odour": event.get("odour", "none"),
        "oxygen_pct": round(20.9 + meter + sway(draw("o2"), 0.02), 1),
        "co_ppm": no_co if co < co_mark else round(co * 2.0) / 2.0,
        "co2_ppm": round(co2, -1),
        "oil_mg_m3": no_oil if oil < OIL_LOWEST_MARK_MG_M3 else round(round(oil * 20.0) / 20.0, 2),
        "oil_sampling_min": 15 if draw("minutes").random() < 0.8 else 20,
        "oil_sampling_needed_min": story["oil_sampling_needed_min"],
        "water_tube_mg_m3": plant.read_to_digits(tube("water", truth["water_mg_m3"]) / multiplier),
        "water_multiplier": multiplier,
        "airline_temperature_c": round(ambient_c + 1.5 + sway(draw("airline"), 0.3), 1),
        "ambient_temperature_c": round(ambient_c, 1),
        "nominal_pressure_bar": system["nominal_bar"],
        "liquid_water": "none",
    }
    lowest = outlet.get("lowest_use_c", system.get("lowest_use_c"))
    if lowest is not None:
        row["lowest_use_temperature_c"] = lowest
    if "highest_pressure_bar" in system:
        row["highest_pressure_bar"] = system["highest_pressure_bar"]
    if "remarks" in event:
        row["remarks"] = event["remarks"]
    if system["supply"] == "airline":
        years = plant.years_between(site["visits"][0], day)
        resistance = HOSE_RESISTANCE * (1.0 + outlet.get("clog_per_year", 0.0) * years)
        nozzle = outlet.get("nozzle", system["nozzle"]) * (
            1.0 + sway(stream(story, site["name"], outlet["name"], "nozzle"), 0.02)
        )
        main_bar = system["main_bar"] + sway(stream(story, site["name"], system["name"], day, "main"), 0.05)
        flow, line_bar = plant.flow_and_pressure(main_bar, resistance, nozzle)
        row |= {
            "flow_l_min": round(flow + sway(draw("flow"), 1.5)),
            "flow_needed_l_min": FLOW_NEEDED_L_MIN,
            "line_pressure_bar": round(line_bar, 1),
            "lowest_pressure_bar": LOWEST_PRESSURE_BAR,
        }
    else:
        row["line_pressure_bar"] = round(system["charge_bar"] + sway(draw("charge"), 4.0))
    return row, truth


def write_down(
    story: dict[str, Any],
    site: dict[str, Any],
    day: dt.date,
    *,
    reason: str = "periodic",
    only: list[str] | None = None,
    title: str = "",
    remarks: str = "",
) -> Workbook:
    """One visit without slips: all outlets that were there that day, or `only` those named."""
    number = sum(d <= day for d in site["visits"]) - 1
    tester = site["testers"][number % len(site["testers"])]
    visit = visit_sheet(story, site, day, reason, tester)
    name = f"{day} {site['name']}" + (f" {title}" if title else "") + ".xlsx"
    book = Workbook(name, visit)
    outdoor_c = plant.outdoor_temperature_c(day, sway(stream(story, site["name"], day, "weather"), 1.5))
    start = dt.datetime.combine(day, dt.time(9, 10))
    for system in site["system"]:
        for outlet in system["outlets"]:
            if day < outlet.get("from", day) or (only is not None and outlet["name"] not in only):
                continue
            row: Row = {
                "outlet": outlet["name"],
                "location": outlet["location"],
                "system": system["name"],
                "supply": system["supply"],
                "dryer": system["dryer"],
            }
            truth: dict[str, float] = {}
            if day >= outlet.get("locked_from", dt.date.max):
                row |= {"outlet_status": "locked off", "remarks": "Locked off, not visited."}
            else:
                found, truth = readings(story, site, system, outlet, visit, outdoor_c)
                row |= found | hours(system, day) | {"outlet_status": "in use"}
                if "drawing" in outlet:
                    row = {k: v for k, v in row.items() if k not in ON_THE_REGISTER} | {
                        "used_at_once": outlet["drawing"]
                    }
                if remarks:
                    row["remarks"] = remarks
                if site.get("with_times"):
                    row["test_time"] = (start + dt.timedelta(minutes=25 * len(book.rows))).time()
            book.rows.append(row)
            book.truth.append(truth)
    return book


def letter_o(row: Row, name: str) -> None:
    """The last zero of the reading becomes a letter O."""
    shown = f"{row[name]:.0f}"
    if not shown.endswith("0"):
        raise ValueError(f"{name} {shown} does not end in a zero")
    row[name] = shown[:-1] + "O"


def full_volume_with_a_comma(row: Row, name: str) -> None:
    """The tube was not cut to a tenth of the volume, and its reading is written with a thousands comma."""
    row[name] = f"{plant.read_to_digits(row[name] * row['water_multiplier'], 3):,.0f}"
    row["water_multiplier"] = 1


def with_unit(row: Row, name: str) -> None:
    """The unit is written behind the number."""
    row[name] = f"{row[name]:g} ppm"


def digit_slip(row: Row, name: str) -> None:
    """One hundred too many."""
    row[name] += 100


def testing_stops(row: Row, name: str) -> None:
    """Only the outlet and its odour are written down."""
    kept = ("outlet", "location", "system", "supply", "dryer", "outlet_status", name)
    for key in [k for k in row if k not in kept]:
        del row[key]
    row["remarks"] = "Smells of solvent. Testing stopped, outlet tagged."


SPOILERS: dict[str, Callable[[Row, str], None]] = {
    "letter O": letter_o,
    "full volume with a comma": full_volume_with_a_comma,
    "with unit": with_unit,
    "digit slip": digit_slip,
    "testing stops": testing_stops,
}


def spoil(book: Workbook, slip: dict[str, Any]) -> None:
    """Write one slip of the story into a workbook. Raises ValueError where it meets nothing."""
    name = slip.get("field", "")
    wanted = slip.get("outlet")
    places = (
        [book.visit]
        if wanted is None
        else [
            row
            for row in book.rows
            if wanted in ("*", row.get("outlet")) and slip.get("system", row["system"]) == row["system"]
        ]
    )
    if not places:
        raise ValueError(f"{book.name}: no outlet {wanted}")
    for place in places:
        if slip.get("how") == "left out":
            number = next(i for i, row in enumerate(book.rows) if row is place)
            del book.rows[number], book.truth[number]
            continue
        if "how" in slip:
            SPOILERS[slip["how"]](place, name)
        if slip.get("value") == "":
            del place[name]
        elif "value" in slip:
            place[name] = slip["value"]
    book.slips.append(slip)


def build(story: dict[str, Any]) -> list[Workbook]:
    """Every workbook of the story, in the order of its sites and days.

    Raises : ValueError where a slip of the story meets no visit or no outlet.
    """
    books: list[Workbook] = []
    for site in story["site"]:
        made = [write_down(story, site, day) for day in site["visits"]]
        for special in site.get("special", []):
            more = {k: v for k, v in special.items() if k != "date"}
            made.append(write_down(story, site, special["date"], **more))
        for slip in [*story["slip"], *story["sample"]]:
            if slip["site"] == site["name"]:
                spoil(next(b for b in made if b.name == f"{slip['date']} {site['name']}.xlsx"), slip)
        for copy in site.get("copy", []):
            book = write_down(story, site, copy["date"], title=copy["title"])
            for slip in copy["slips"]:
                spoil(book, slip)
            made.append(book)
        books += made
    return books


def register_lines(story: dict[str, Any]) -> dict[str, list[Row]]:
    """The sheets of the firm's register: what the story writes there, and instruments, lots and outlets as it has them."""
    day = story["as_of"]
    lines: dict[str, list[Row]] = {"Instruments": [], "Tubes": [], "Outlets": [], **story["register"]["sheet"]}
    for name, instrument in story["instruments"].items():
        due = calibration_due(instrument["calibrated_in_month"], day)
        on = due.replace(year=due.year - 1)
        lines["Instruments"].append({"instrument": name, "calibrated_on": on, "calibration_due": due})
    for month in (1, 7):
        for tube, parameter in TUBES.items():
            lot, expiry = tube_lot(tube, dt.date(day.year, month, 1))
            line = {"parameter": parameter, "tube_lot": lot, "tube_expiry": expiry}
            lines["Tubes"].append(line | story["register"]["lot"].get(lot, {}))
    for site in story["site"]:
        for system in site["system"]:
            for outlet in system["outlets"]:
                line = {name: site[name] for name in ("client", "interval_months")}
                line |= {name: system[name] for name in ("supply", "dryer")}
                line |= {"site": site["name"], "system": system["name"], "outlet": outlet["name"]}
                line |= {"location": outlet["location"], "nominal_pressure_bar": system["nominal_bar"]}
                line["from"] = outlet.get("from", site["visits"][0])
                if "hoods" in outlet:
                    line |= {"equipment": "Loose-fitting hood", "used_at_once": outlet["hoods"]}
                lowest = outlet.get("lowest_use_c", system.get("lowest_use_c"))
                lines["Outlets"].append(line if lowest is None else line | {"lowest_use_temperature_c": lowest})
    return lines


def make(folder: Path = INBOX) -> list[Path]:
    """Write every workbook and the register into `folder` (made if need be), and return their paths.

    Raises : OSError where the folder cannot be written.
    """
    folder.mkdir(parents=True, exist_ok=True)
    story = load_story()
    written = []
    for book in build(story):
        path = folder / book.name
        day = dt.date.fromisoformat(book.name[:10])
        write_blank(
            path,
            visit=book.visit,
            rows=book.rows,
            created=dt.datetime.combine(day, dt.time(17, 0)),
            rule_sets=[story["rule_set"]],
            overwrite=True,
        )
        written.append(path)
    written.append(folder / "register.xlsx")
    created = dt.datetime.combine(story["as_of"], dt.time(9, 0))
    written[-1].write_bytes(register_bytes(lines=register_lines(story), created=created))
    return written


def main(arguments: list[str]) -> int:
    """Make the demo in the folder named, or in demo/inbox; name what lies there and does not belong."""
    folder = Path(arguments[0]) if arguments else INBOX
    written = make(folder)
    print(f"{len(written)} workbooks in {folder}")
    for stray in sorted(set(folder.glob("*.xlsx")) - set(written)):
        print(f"not made by this script: {stray.name}")
    return 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
