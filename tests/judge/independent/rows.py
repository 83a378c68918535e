"""Ordinary and nasty rows for every rule set and supply, the same for the same seed."""

from __future__ import annotations

import random
from collections.abc import Sequence
from datetime import date, timedelta
from typing import Any

RULES = [
    "en12021-2014",
    "en12021-2014",
    "en12021-1998",
    "en12021-1998-uk",
    "osha-grade-d",
    "osha-grade-d",
    "cga-grade-e",
    "nfpa1989-2019",
    "csa-z180.1-m85",
    "norway-filling-plant",
]
SUPPLIES = ["airline", "airline", "airline", "cylinder", "charging compressor"]
# Half of the pass figures lie near a limit of some rule set, where the judges could differ.
OXYGEN = [20.9, 20.9, 20.8, 20.4, 20.0, 19.9, 19.5, 19.4, 22.0, 22.1, 23.5, 23.6, 21.0, 0.209, 0, 17]
MONOXIDE = [0, 1, 2, 3, 4, 4.5, 5, 5.1, 9, 10, 10.5, 14, 15, 15.5, 40]
DIOXIDE = [430, 420, 440, 480, 499, 500, 501, 510, 700, 990, 1000, 1010, 213, 200, 120, 99, 100, 0, 2000]
OIL = [0.1, 0.1, 0.2, 0.3, 0.4, 0.5, 0.51, 0.9, 1.0, 1.1, 2, 2.1, 4, 5, 5.1, 0]
WATER_DRY = [5, 10, 15, 20, 24, 25, 26, 30, 34, 35, 36, 49, 50, 51, 70, 1.5, 0.5, 0.1, 0.2, 2, 0]
WATER_LINE = [30, 60, 100, 150, 180, 200, 250, 290, 350, 500, 800, 1200, 1800, 2500, 0, 1.5]
WORDS = [
    "nd",
    "nil",
    "none detected",
    "trace",
    "clear",
    "stain",
    "none",
    "n/a",
    "-",
    "broken",
    "?",
    "4?",
    "~5",
    "#",
    "see note",
]
ONE_POSSIBLE = ("Oxygen (%)", "Airline temperature (°C)", "Ambient temperature (°C)", "Lowest use temperature (°C)")
BOUNDS = ["<", "<", "≤", ">", "≥", "<=", ">=", "less than "]
AS_OF = date(2026, 6, 30)
HEADINGS = [
    "Site",
    "Client",
    "Test date",
    "Reason for visit",
    "Rule set",
    "Instrument serial number",
    "Calibration due",
    "Carbon monoxide tube expiry",
    "Carbon dioxide tube expiry",
    "Oil tube expiry",
    "Water tube expiry",
    "Atmospheric pressure (hPa)",
    "Correct tubes for pressure",
    "Outlet",
    "System",
    "Supply",
    "Dryer",
    "Odour",
    "Line pressure (bar)",
    "Nominal pressure (bar)",
    "Lowest pressure needed (bar)",
    "Highest pressure allowed (bar)",
    "Flow measured (L/min)",
    "Flow needed (L/min)",
    "Oxygen (%)",
    "Carbon monoxide (ppm)",
    "Carbon dioxide (ppm)",
    "Oil (mg/m³)",
    "Oil sampling time (min)",
    "Oil sampling time needed (min)",
    "Water tube reading (mg/m³)",
    "Water tube multiplier",
    "Water (mg/m³)",
    "Airline temperature (°C)",
    "Ambient temperature (°C)",
    "Lowest use temperature (°C)",
    "Dew point measured (°C)",
    "Dew point measured at (bar)",
    "Liquid water seen",
    "Test time",
    "Carbon monoxide lowest mark (ppm)",
    "Carbon dioxide lowest mark (ppm)",
    "Oil lowest mark (mg/m³)",
    "Water lowest mark (mg/m³)",
]
DIRECTIONS = {
    "Oxygen (%)": OXYGEN,
    "Carbon monoxide (ppm)": MONOXIDE,
    "Carbon dioxide (ppm)": DIOXIDE,
    "Oil (mg/m³)": OIL,
}


def ordinary(pick: random.Random) -> dict[str, Any]:
    """A test that leaves nothing to say, of some rule set and supply, with figures that mostly pass."""
    supply = pick.choice(SUPPLIES)
    dryer = (
        pick.choice(["desiccant", "desiccant", "membrane", "refrigerant", "none"])
        if supply == "airline"
        else pick.choice(["desiccant", "desiccant", "none"])
    )
    tested = date(2026, 1, 5) + timedelta(days=pick.randrange(170))
    row: dict[str, Any] = {
        "Client": "Example Coatings",
        "Test date": tested,
        "Reason for visit": "periodic",
        "Rule set": pick.choice(RULES),
        "Instrument serial number": "A1",
        "Calibration due": date(2027, 1, 31),
        "Outlet": "Bay 1",
        "System": "Main",
        "Supply": supply,
        "Dryer": dryer,
        "Odour": "none",
        "Oxygen (%)": pick.choice([20.9, 20.8, 21.0]),
        "Carbon monoxide (ppm)": pick.choice([0, 1, 2]),
        "Carbon dioxide (ppm)": pick.choice([410, 430, 450]),
        "Oil (mg/m³)": pick.choice([0.1, 0.2]),
        "Oil sampling time (min)": 15,
    }
    for tube in ("Carbon monoxide", "Carbon dioxide", "Oil", "Water"):
        row[f"{tube} tube expiry"] = date(2027, 1, 31)
    if supply == "airline":
        ambient = pick.choice([12, 15, 18, 21, 25])
        row |= {
            "Line pressure (bar)": pick.choice([5.5, 6, 6.5, 7, 9]),
            "Nominal pressure (bar)": pick.choice([7, 8, 10, None]),
            "Lowest pressure needed (bar)": 4,
            "Flow measured (L/min)": pick.choice([250, 300]),
            "Flow needed (L/min)": 160,
            "Airline temperature (°C)": ambient + pick.choice([0, 1, 3]),
            "Ambient temperature (°C)": ambient,
            "Lowest use temperature (°C)": pick.choice([None, 5, 8, 10]),
        }
        if dryer in ("desiccant", "membrane"):
            row["Water tube reading (mg/m³)"] = pick.choice([20, 40, 60, 100, 150])
        else:
            row["Water tube reading (mg/m³)"] = pick.choice([30, 50, 70, 90])
            row["Water tube multiplier"] = 10
    else:
        row |= {
            "Line pressure (bar)": pick.choice([180, 195, 200, 220, 280, 300]),
            "Nominal pressure (bar)": pick.choice([200, 200, 300, 232]),
            "Water tube reading (mg/m³)": pick.choice([5, 10, 15, 18]),
        }
    return row


def figure(pick: random.Random, value: float) -> Any:
    """A figure as people write it: a number, text, with a comma."""
    how = pick.random()
    if how < 0.6 or value != value:
        return value
    text = f"{value:g}"
    if how < 0.7:
        return text
    return text.replace(".", ",") if "." in text and len(text.split(".")[1]) != 3 else text


def nasty_number(pick: random.Random, heading: str, values: Sequence[float], units: list[str]) -> Any:
    how = pick.random()
    value = pick.choice(values)
    if how < 0.45:
        return figure(pick, value)
    if how < 0.70:
        return f"{pick.choice(BOUNDS)}{value:g}"
    if how < 0.80:
        return None
    if how < 0.87:
        return f"{value:g} {pick.choice(units)}" if units else value
    if how < 0.89:
        # Which of two figures "1,250" is, other cells of the column may settle: only where one alone is possible.
        return pick.choice(
            [*(["1,250", "1.250"] if heading in ONE_POSSIBLE else []), "20,9", "-1", "1e3", date(2026, 1, 2)]
        )
    return pick.choice(WORDS)


def nasty(pick: random.Random, row: dict[str, Any]) -> None:
    """Changes one thing about a row."""
    line, dry_supply = row["Supply"] == "airline", row["Supply"] in ("cylinder", "charging compressor")
    tested = row["Test date"] if isinstance(row["Test date"], date) else date(2026, 3, 1)
    bars = [1.4, 1.5, 2, 4, 5, 6, 7, 8, 10, 16, 39, 40, 41] if line else [20, 39, 40, 41, 100, 199, 200, 201, 232, 300]
    numbers: dict[str, tuple[Sequence[float], list[str]]] = {
        "Oxygen (%)": (OXYGEN, ["%"]),
        "Carbon monoxide (ppm)": (MONOXIDE, ["ppm"]),
        "Carbon dioxide (ppm)": (DIOXIDE, ["ppm"]),
        "Oil (mg/m³)": (OIL, ["mg/m³", "mg/m3"]),
        "Water tube reading (mg/m³)": (WATER_DRY if dry_supply else [*WATER_DRY, *WATER_LINE], ["mg/m³"]),
        "Water (mg/m³)": (WATER_DRY if dry_supply else WATER_LINE, ["mg/m³", "g/m³"]),
        "Water tube multiplier": ([1, 10, 10, 5, 0.5, 0, 2], ["x"]),
        "Line pressure (bar)": (bars, ["bar"]),
        "Nominal pressure (bar)": (bars, ["bar"]),
        "Lowest pressure needed (bar)": ([0, 3, 4, 5.5, 6, 6.1, 7], ["bar"]),
        "Highest pressure allowed (bar)": ([0, 5, 6, 7, 8, 10], ["bar"]),
        "Flow measured (L/min)": ([0, 100, 114, 115, 116, 159, 160, 161, 170, 300], ["L/min"]),
        "Flow needed (L/min)": ([0, 115, 160, 240, 300], ["L/min"]),
        "Oil sampling time (min)": ([5, 10, 14, 15, 16, 17, 18, 20, 30], ["min"]),
        "Oil sampling time needed (min)": ([5, 10, 15, 20, 30], ["min"]),
        "Airline temperature (°C)": ([-5, 0, 5, 10, 15, 21, 39, 41], ["°C"]),
        "Ambient temperature (°C)": ([-15, -5, 0, 5, 10, 15, 21, 39, 40, 41], ["°C"]),
        "Lowest use temperature (°C)": ([-40, -20, -15, -5, 0, 3, 5, 10, 15, 40, 41], ["°C"]),
        "Atmospheric pressure (hPa)": (
            [499, 500, 800, 850, 900, 960, 979, 980, 981, 1000, 1013.25, 1030, 1100, 1101],
            ["hPa", "mbar"],
        ),
    }
    what = pick.random()
    if what < 0.62:
        heading = pick.choice(list(numbers))
        row[heading] = nasty_number(pick, heading, *numbers[heading])
        if heading == "Atmospheric pressure (hPa)" and pick.random() < 0.7:
            row["Correct tubes for pressure"] = pick.choice(["yes", "no", None, "already corrected", "yes", "perhaps"])
    elif what < 0.70:
        heading = pick.choice(
            [
                "Carbon monoxide tube expiry",
                "Carbon dioxide tube expiry",
                "Oil tube expiry",
                "Water tube expiry",
                "Calibration due",
            ]
        )
        row[heading] = pick.choice(
            [
                None,
                tested,
                tested - timedelta(days=1),
                tested + timedelta(days=1),
                "2026-02",
                "02/2026",
                "05/03/2026",
                "soon",
                "2026-13-01",
                date(2027, 1, 1),
                "15.03.2026",
            ]
        )
    elif what < 0.76:
        row["Odour"] = pick.choice(["slight", "slight", "marked", None, "xyzzy", "No", "strong"])
    elif what < 0.82:
        row["Dryer"] = pick.choice(["none", "refrigerant", "desiccant", "membrane", "unknown", None, "xyzzy"])
    elif what < 0.85:
        row["Supply"] = pick.choice([None, "airline", "cylinder", "charging compressor", "xyzzy", "Airline"])
    elif what < 0.88:
        row["Liquid water seen"] = pick.choice(["seen", "none", None, "maybe", "yes"])
    elif what < 0.92:
        row["Dew point measured (°C)"] = nasty_number(
            pick, "", [-70, -55, -46, -45, -40, -20, -15, -11, -5, 0, 3, 5, 10], ["°C"]
        )
        row["Dew point measured at (bar)"] = pick.choice([0, 0, 6, 7, 7, None, "<7", "x"])
        if pick.random() < 0.7:
            row["Water tube reading (mg/m³)"] = row["Water tube multiplier"] = None
    elif what < 0.94:
        row["Test date"] = pick.choice([None, "2026-03-14", "14.03.2026", "yesterday"])
    elif what < 0.96:
        row["Rule set"] = pick.choice(
            ["EN 12021-2014", "en12021_2014", "BS EN 12021-2014", "own", "iso8573-1-2010", None]
        )
    elif what < 0.98:
        tube = pick.choice(["Carbon monoxide", "Carbon dioxide", "Oil", "Water"])
        reading = {
            "Carbon monoxide": "Carbon monoxide (ppm)",
            "Carbon dioxide": "Carbon dioxide (ppm)",
            "Oil": "Oil (mg/m³)",
            "Water": "Water tube reading (mg/m³)",
        }[tube]
        row[reading] = pick.choice(["nd", "nil", "none detected", "clear"])
        unit = "ppm" if tube.startswith("Carbon") else "mg/m³"
        row[f"{tube} lowest mark ({unit})"] = pick.choice([None, 0.1, 0.5, 1, 5, 10, 100, 500])
    elif what < 0.99:
        for heading in ("Carbon monoxide (ppm)", "Carbon dioxide (ppm)", "Oil (mg/m³)", "Water tube reading (mg/m³)"):
            row[heading] = 0
    else:
        for heading in HEADINGS[HEADINGS.index("Odour") : HEADINGS.index("Test time")]:
            row[heading] = None


def generate(count: int, seed: int) -> list[dict[str, Any]]:
    """`count` rows, each with a site of its own, so that no history joins them."""
    pick = random.Random(seed)
    rows = []
    for number in range(count):
        row = ordinary(pick)
        for _ in range(pick.choice([0, 0, 1, 1, 2, 2, 3, 4, 6])):
            nasty(pick, row)
        row["Site"] = f"Yard {seed}x{number:05d}q"
        rows.append({heading: row.get(heading) for heading in HEADINGS})
    return rows
