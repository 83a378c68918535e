"""A seed and a source of chance in, the bytes of a damaged or strange workbook out.

Two in five only spoil cells, and say which, so that the run can hold the verdicts against it.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from random import Random
from xml.sax.saxutils import escape

from tests.fuzz.parts import ERRORS, PART_MUTATORS, cell_of, parts_of, set_cell, zipped
from tests.fuzz.raw import BYTE_MUTATORS, ZIP_MUTATORS
from tests.fuzz.seeds import Seed

# Texts that are no reading of anything, whatever the column.
UNREADABLE_TEXTS = (
    "48O",
    "see note",
    "5-6",
    "??",
    "1,2,3",
    "±",
    "≈4",
    "--5",
    "4 4",
    "5 apples",
    "x",
    "0x10",
    "#REF!",
    "12:30:99",
    "<",
    ">",
    "<>5",
    "5<",
    "1e",
    "٤٫٥.",
    "\u200b?",
    "=1+1",
    "O",
)
GASES = {
    "Oxygen (%)": "Oxygen verdict",
    "Carbon monoxide (ppm)": "Carbon monoxide verdict",
    "Carbon dioxide (ppm)": "Carbon dioxide verdict",
    "Oil (mg/m³)": "Oil verdict",
}
ALWAYS = {
    **GASES,
    "Odour": "Odour verdict",
    "Water tube reading (mg/m³)": "Water verdict",
    "Water tube multiplier": "Water verdict",
    "Supply": "Water verdict",
}
AIRLINE_TOO = {
    "Line pressure (bar)": "Water verdict",
    "Nominal pressure (bar)": "Water verdict",
    "Airline temperature (°C)": "Water verdict",
    "Lowest use temperature (°C)": "Water verdict",
    "Flow measured (L/min)": "Flow verdict",
}


@dataclass
class Mutated:
    """The new bytes, what was done, and what must now hold.

    no_pass : (row of the sheet, heading of the verdict) that must be neither pass nor near limit.
    rows    : how many rows must still be found, where the file is as sound as its seed.
    """

    data: bytes
    suffix: str
    seed: str
    done: list[str] = field(default_factory=list)
    no_pass: list[tuple[int, str]] = field(default_factory=list)
    rows: int | None = None


def mutate(seed: Seed, others: list[Seed], chance: Random) -> Mutated:
    """One mutation of a seed, or up to three at once; two in five spoil cells that they name."""
    made = Mutated(seed.data, seed.suffix, seed.name)
    if seed.part and chance.random() < 0.4:
        parts = parts_of(made.data)
        taken: set[tuple[int, str]] = set()
        for _ in range(chance.choice((1, 1, 2, 4))):
            spoil(made, parts, seed, chance, taken)
        made.data, made.rows = zipped(parts), len(seed.supply)
        return made
    if seed.suffix in (".csv", ".xls"):
        names = ["bytes"] * 5 + ["splice"]
    else:
        names = ["bytes"] * 3 + ["zip"] * 4 + ["parts"] * 12 + ["splice"]
    kind = chance.choice(names)
    if kind == "parts":
        parts = parts_of(made.data)
        for _ in range(chance.choice((1, 1, 2, 3))):
            name = chance.choice(sorted(PART_MUTATORS))
            made.done.append(name)
            PART_MUTATORS[name](parts, chance)
        made.data = zipped(parts)
    elif kind == "splice":
        other = chance.choice(others).data
        made.done.append("splice")
        made.data = made.data[: chance.randrange(len(made.data))] + other[chance.randrange(len(other)) :]
    else:
        table = BYTE_MUTATORS if kind == "bytes" else ZIP_MUTATORS
        name = chance.choice(sorted(table))
        made.done.append(name)
        made.data = table[name](made.data, chance)
    if chance.random() < 0.02:
        made.suffix = chance.choice((".xlsx", ".xlsm", ".xls", ".ods", ".xlsb", ".csv"))
        made.done.append(f"named {made.suffix}")
    return made


def spoil(made: Mutated, parts: dict[str, bytes], seed: Seed, chance: Random, taken: set[tuple[int, str]]) -> None:
    """Make one cell unreadable, and note which verdict must then be no pass."""
    row = chance.choice(sorted(seed.supply))
    verdicts = {**ALWAYS, **(AIRLINE_TOO if seed.supply[row] == "airline" else {})}
    heading = chance.choice([h for h in verdicts if h in seed.letters])
    letter = seed.letters[heading]
    if (row, heading) in taken or cell_of(parts[seed.part], f"{letter}{row}") is None:
        return
    taken.add((row, heading))
    number = heading not in ("Odour", "Supply")
    ways = (
        ["error", "formula", "text"]
        + (["true", "date"] if number else [])
        + (["impossible", "string that is not there"] if heading in GASES else [])
    )
    way = chance.choice(ways)
    style = ""
    if way == "error":
        said = chance.choice(ERRORS)
        kind, inside = ' t="e"', f"<v>{said}</v>"
    elif way == "formula":
        said = chance.choice(("A1/0", "[1]Sheet1!A1", "NOW()"))
        kind, inside = "", f"<f>{said}</f>"
    elif way == "text":
        said = chance.choice(UNREADABLE_TEXTS)
        kind, inside = ' t="inlineStr"', f"<is><t>{escape(said)}</t></is>"
    elif way == "true":
        said, kind, inside = "TRUE", ' t="b"', "<v>1</v>"
    elif way == "impossible":
        said = chance.choice(("-1", "-1e308", "1e308", "1e300"))
        kind, inside = "", f"<v>{said}</v>"
    elif way == "string that is not there":
        said, kind, inside = "99999", ' t="s"', "<v>99999</v>"
    else:
        said, kind, inside = "5", "", "<v>5</v>"
        style = f' s="{with_date_style(parts)}"'
    set_cell(parts, seed.part, f"{letter}{row}", f"{style}{kind}", inside)
    made.done.append(f"{letter}{row} ({heading}) {way} {said!r}")
    made.no_pass.append((row, verdicts[heading]))


def with_date_style(parts: dict[str, bytes]) -> int:
    """Number of a cell style with a date format, added to the styles."""
    xml = parts["xl/styles.xml"].decode()
    start, end = xml.index("<cellXfs"), xml.index("</cellXfs>")
    count = len(re.findall(r"<xf\b", xml[start:end]))
    added = '<xf numFmtId="14" fontId="0" fillId="0" borderId="0" xfId="0" applyNumberFormat="1"/>'
    parts["xl/styles.xml"] = (xml[:end] + added + xml[end:]).encode()
    return count
