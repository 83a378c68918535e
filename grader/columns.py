"""Each column's name, unit, meaning and sheet heading, and the codes that the stages share.

Input fields come from data/fields.toml, judged parameters from data/parameters.toml; nothing is listed twice.
Light on purpose: the reading child processes import it, so neither pandas nor numpy is loaded here.

The table of tests has one row a test; its index is the test's number and never changes. For a number field
`X`: X (float, NaN for a bound), X_lower, X_upper (float ends, equal for a plain reading; NaN where nothing
was read), X_open (which end is itself excluded), X_state (blank, read, unreadable), X_how (how it was read).
For a date field: X (datetime64), X_state. For a time field: X (minutes after midnight), X_state.
For a word field: X (canonical word, None), X_state. For a text field: X (str or None), X_state.
"""

from __future__ import annotations

import unicodedata
from dataclasses import dataclass, field
from typing import Any, NamedTuple

from grader.data import load_toml

# X_state
BLANK, READ, UNREADABLE = 0, 1, 2
# X_open
OPEN_NONE, OPEN_LOWER, OPEN_UPPER = 0, 1, 2
# X_how
PLAIN, BOUND, STAIN, CLEAR, NOT_DETECTED, TRACE, FRACTION, NOT_TESTED_WORD = range(8)

# Ends of the names of columns of cells and names that the judge is the last to read.
OF_CELLS = (
    "_how", "_clash", "_lot_state", "location_key",
    *(f"{name}_state" for name in ("site", "client", "outlet", "instrument", "remarks", "tested_by", "work_done")),
)  # fmt: skip

# Verdict codes per parameter; the order is that of VERDICT_WORDS.
PASS, NEAR_LIMIT, FAIL, CANNOT_TELL, NOT_TESTED, NO_LIMIT, NOT_JUDGED, AWAITED = range(8)
VERDICT_WORDS = (
    "pass", "near limit", "fail", "cannot tell", "not tested", "no limit", "not judged", "awaited",
)  # fmt: skip
# Verdict codes per test, worst last.
TEST_PASS, TEST_NEAR, TEST_INCOMPLETE, TEST_FAIL = range(4)
TEST_WORDS = ("pass", "near limit", "incomplete", "fail")
# What stands for a site or an outlet without a name, on data sheets; pages for people say it in their language.
SITE_NOT_GIVEN, NO_NAME = "(site not given)", "(no name, "
# Supplies held or filled at a pressure of their own, not at that of the line.
HIGH_PRESSURE = ("charging compressor", "cylinder")
# Records on one sheet of the result: the 1,048,576 rows of the format (ECMA-376, from memory) less the headings.
ROWS_PER_SHEET = 1_048_575


@dataclass(frozen=True)
class Field:
    """One thing that a log may hold: a column of Readings or a label of Visit."""

    name: str
    heading: str
    kind: str  # text, number, date, time, word
    sheet: str  # Visit, Readings, or extra (read where present, not in the blank)
    unit: str = ""
    reading: bool = False
    floor: float | None = None
    ceiling: float | None = None
    tube: str = ""
    expiry: bool = False
    harmful: bool = False  # a substance that no rule set judges and that hurts when breathed in
    any_log: bool = False  # may be said once for all logs of a folder, in its any.layout.toml
    lowest_mark: str = ""
    highest_mark: str = ""
    words: dict[str, list[str]] = field(default_factory=dict)


@dataclass(frozen=True)
class Parameter:
    """One judged quantity, from data/parameters.toml."""

    name: str
    key: str
    column: str
    unit: str
    direction: str
    heading: str
    decimals: int = 1
    verdict_heading: str = ""
    verdict_from: str = ""
    demanded: bool = False
    history: bool = False
    tube: str = ""
    instrument: bool = False
    need: str = ""
    intake: str = ""  # field of its reading where the compressor draws its air in
    floor: float | None = None
    ceiling: float | None = None
    plausible: tuple[float, float] | None = None
    u_abs: float = 0.0
    u_rel: float = 0.0
    u_source: str = ""  # "" where the parameter has no uncertainty of its own
    wear: str = ""  # system or outlet
    wear_supply: str = ""  # airline or others; "" every supply
    chart: int = 0  # place among the charts of an outlet; 0 is not drawn
    before: tuple[str, ...] = ()  # columns of Verdicts on either side of its own
    beside: tuple[str, ...] = ()
    limits: dict[str, Any] = field(default_factory=dict)  # what a limit of it may say in a rule file


def _fields() -> dict[str, Field]:
    data = load_toml("fields.toml")
    words = data["words"]
    return {f["name"]: Field(**f, words=words.get(f["name"], {})) for f in data["fields"]}


def _parameters() -> dict[str, Parameter]:
    entries: list[dict[str, Any]] = load_toml("parameters.toml")["parameter"]
    listed: list[dict[str, Any]] = [
        {k: tuple(v) if isinstance(v, list) else v for k, v in entry.items()} for entry in entries
    ]
    return {str(entry["key"]): Parameter(**entry) for entry in listed}


class RegisterSheet(NamedTuple):
    """One sheet of the firm's register, from data/register.toml.

    columns : fields in order. needed : those without which a line says nothing. identity : what names a line.
    several : the date by which lines of one identity follow one another; "" where there is one line only.
    """

    name: str
    columns: tuple[str, ...]
    needed: tuple[str, ...]
    identity: tuple[str, ...]
    several: str = ""


def _register() -> tuple[dict[str, RegisterSheet], dict[str, Field]]:
    data = load_toml("register.toml")
    spelled = data["words"]["parameter"]
    named = {p.name: [p.key, p.heading, *spelled.get(p.name, [])] for p in PARAMETERS.values() if p.verdict_heading}
    words = {**data["words"], "parameter": named}
    own = {c["name"]: Field(**c, sheet="register", words=words.get(c["name"], {})) for c in data["column"]}
    if twice := set(own) & set(FIELDS):
        raise ValueError(f"register.toml: {', '.join(sorted(twice))} are fields of a log already")
    sheets = {}
    for entry in data["sheet"]:
        plain: dict[str, Any] = {k: tuple(v) if isinstance(v, list) else v for k, v in entry.items()}
        sheets[entry["name"]] = RegisterSheet(**plain)
    return sheets, {name: own.get(name) or FIELDS[name] for sheet in sheets.values() for name in sheet.columns}


FIELDS: dict[str, Field] = _fields()
PARAMETERS: dict[str, Parameter] = _parameters()
REGISTER, REGISTER_FIELDS = _register()
REGISTER_KIND = "register"  # the custom property `grader-kind` of a register


def field_named(name: str) -> Field:
    """A field of a log or a column of the register. Raises KeyError for what is neither."""
    return FIELDS.get(name) or REGISTER_FIELDS[name]


PARAMETER_BY_NAME: dict[str, Parameter] = {p.name: p for p in PARAMETERS.values()}
# Kinds of judged parameters, by key and in the order of the registry. Each has its own way to be judged:
JUDGED: tuple[str, ...] = tuple(p.key for p in PARAMETERS.values() if p.verdict_heading)
IN_WORDS: tuple[str, ...] = tuple(key for key in JUDGED if PARAMETERS[key].direction == "words")
SUPPLIED: tuple[str, ...] = tuple(key for key in JUDGED if PARAMETERS[key].need)  # against what the row needs
WATER: str = next(p.verdict_from for p in PARAMETERS.values() if p.verdict_from)  # one verdict for a chain of figures
WATER_CHAIN: tuple[str, ...] = tuple(p.key for p in PARAMETERS.values() if WATER in (p.key, p.verdict_from))
GASES: tuple[str, ...] = tuple(key for key in JUDGED if key not in (*IN_WORDS, *SUPPLIED, WATER))  # against limits
AIR: tuple[str, ...] = tuple(key for key in JUDGED if key not in SUPPLIED)  # of the air itself
# What a laboratory may report: the field that its figure stands in, by key of the parameter.
LABORATORY: dict[str, str] = {
    key: PARAMETERS[key].column if PARAMETERS[key].column in FIELDS else "water_mg_m3" for key in AIR
}
FIGURES: tuple[str, ...] = tuple(key for key in JUDGED if key not in IN_WORDS)
TUBE_GASES: tuple[str, ...] = tuple(key for key in GASES if PARAMETERS[key].tube)
COMPUTED: tuple[str, ...] = WATER_CHAIN  # worked out, where the others are shown as they were written
VISIT_FIELDS: tuple[str, ...] = tuple(f.name for f in FIELDS.values() if f.sheet == "Visit")
READING_FIELDS: tuple[str, ...] = tuple(f.name for f in FIELDS.values() if f.sheet == "Readings")
NUMBER_FIELDS: tuple[str, ...] = tuple(f.name for f in FIELDS.values() if f.kind == "number")
# A row with none of these was not visited.
EVIDENCE_FIELDS: tuple[str, ...] = tuple(f.name for f in FIELDS.values() if f.reading)

# Columns of Verdicts that the registry makes: gases, words, the water chain with its verdict last, then the supply.
VERDICT_COLUMNS: tuple[str, ...] = tuple(
    heading
    for keys in (*((key,) for key in (*GASES, *IN_WORDS)), WATER_CHAIN, *((key,) for key in SUPPLIED))
    for heading in (
        *(h for key in keys for h in (*PARAMETERS[key].before, PARAMETERS[key].heading, *PARAMETERS[key].beside)),
        *(PARAMETERS[key].verdict_heading for key in keys if PARAMETERS[key].verdict_heading),
    )
)
# Data sheets of the result in order, those of one run; one with nothing to say is left out, save these.
SHEET_ORDER = tuple(load_toml("sheets.toml")["order"])
ALWAYS = ("Verdicts", "Actions", "Due", "Problems", "Sources", "Limits")
# Sheets of the result and the columns that must be there, in order (more may follow).
SHEETS: dict[str, tuple[str, ...]] = {
    "Verdicts": (
        "Site",
        "Outlet",
        "System",
        "Test date",
        "Verdict",
        "Reasons",
        "Rule set",
        "Supply",
        *VERDICT_COLUMNS,
        "File",
        "Sheet",
        "Row",
    ),
    "Actions": (
        "Site",
        "Outlet",
        "Test date",
        "Parameter",
        "Finding",
        "Reading",
        "Limit",
        "Likely causes",
        "Next step",
    ),
    "Wear": (
        "Site",
        "System",
        "Outlet",
        "Parameter",
        "Unit",
        "Usual",
        "Now",
        "Change",
        "Change in usual scatter",
        "Since",
        "State",
        "Limit",
        "Reaches limit on",
        "Earliest date",
        "Latest date",
        "Readings",
    ),
    "Problems": ("File", "Sheet", "Cell", "Value", "Severity", "Problem", "What to do"),
    "Sources": ("File", "Format", "SHA-256", "Rows found", "Rows graded", "Rows refused", "First test", "Last test"),
    "Limits": (
        "Rule set",
        "Document",
        "Edition",
        "Clause",
        "Parameter",
        "Condition",
        "Limit",
        "Unit",
        "Source confidence",
    ),
}


def substance_key(name: str) -> str:
    """The name of a substance as it is compared: letters and figures alone, without case and accents.

    >>> substance_key("R-134a") == substance_key("r134A"), substance_key("Formaldéhyde")
    (True, 'formaldehyde')
    """
    folded = unicodedata.normalize("NFKD", name.casefold())
    return "".join(c for c in folded if c.isalnum())


_DROPPED = str.maketrans("", "", "-‐‑‒–—−_°º")


def normal_heading(text: str) -> str:
    """A heading as it is compared: case, spacing, dashes and the spelling of m³ do not matter.

    >>> normal_heading(" Oil (MG / m3) ") == normal_heading("Oil (mg/m³)")
    True
    >>> normal_heading("Carbon-monoxide (ppm)") == normal_heading("Carbon monoxide (ppm)")
    True
    """
    return "".join(text.casefold().replace("m³", "m3").translate(_DROPPED).split())


# Why a figure cannot be trusted towards a pass, per parameter ({key}_doubt); 0 is none. Texts: words [doubt].
DOUBTS: tuple[str, ...] = (
    "none",
    "expired_tube",
    "expiry_unreadable",
    "calibration_overdue",
    "calibration_unreadable",
    "test_date_unreadable",
    "oil_sampling_short",
    "oil_sampling_unreadable",
    "oil_word_without_time",
    "oil_clear_short",
    "multiplier_missing",
    "multiplier_bad",
    "water_source_unreadable",
    "meter_without_pressure",
    "atmospheric_unreadable",
    "correction_without_pressure",
    "supply_unknown",
    "pressure_missing",
    "pressure_unreadable",
    "pressure_out_of_range",
    "temperature_unreadable",
    "ambient_missing",
    "liquid_water_unreadable",
    "liquid_water_open",
    "dew_point_out_of_range",
    "need_unreadable",
    "highest_unreadable",
    "flow_low_no_need",
    "implausible",
    "band_not_known",
    "temperature_raised",
    "fewer_in_use",
    "unclear_column",
)
DOUBT: dict[str, int] = {name: i for i, name in enumerate(DOUBTS)}

# Fields in which a firm says itself that a test is no pass: they judge nothing, and keep a pass from counting.
SAID_OTHERWISE = ("own_verdict", "said_against", "failed_stated", "outlet_status")

# Where the water content comes from ({water_source}).
SOURCE_NONE, SOURCE_TUBE, SOURCE_CONTENT, SOURCE_METER = range(4)

# What a rule that counts from the ambient temperature counts from ({ambient_use_by}, {water_against}): that, a stated
# lowest use temperature that is colder, or one for want of an ambient; FROM_USE: the lowest use temperature, by the rule.
FROM_NONE, FROM_AMBIENT, FROM_COLDER, FROM_STATED, FROM_USE = range(5)

# Design: outside these the atmospheric pressure is no station pressure; below 980 hPa an uncorrected tube reads low by
# more than 3 %. A place of use hotter than 40 °C counts as not known.
ATMOSPHERIC_RANGE_HPA = (500.0, 1100.0)
ATMOSPHERIC_LOW_HPA = 980.0
STANDARD_ATMOSPHERE_HPA = 1013.25
UNUSUAL_HPA = 40.0  # a pressure further than this from the site's usual one is queried, and none of its usual ones
FEWEST_USUAL = 2  # visits, from which a site has a usual pressure
USUAL_OIL_SAMPLING_MIN = 15.0  # common practice, no source: lubricant not known or mixed
HOTTEST_USE_C = 40.0
