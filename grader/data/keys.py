"""The keys that a data file may hold: each is read by code, and any other is refused when the file is loaded.

A page is a dict: key -> the page below it, or the keys below it as one text; "" holds a plain value. "*" stands for
any name (of a field, a word, a unit). Lists of tables are checked table by table. Rule files have checks of their own
(grader/judge/rules), as have layout files; a language's words may have the keys of the English ones.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

_FIELD = "name heading kind sheet unit reading floor ceiling tube expiry any_log harmful lowest_mark highest_mark"
_LOOK = "width most wrap colour align format keep level"
PAGES: dict[str, Any] = {
    "fields.toml": {"fields": _FIELD, "words": {"*": "*"}},
    "parameters.toml": {
        "parameter": {
            **dict.fromkeys(
                "name key column unit direction heading decimals verdict_heading verdict_from demanded history tube instrument "
                "need intake floor ceiling plausible u_abs u_rel u_source wear wear_supply chart before beside".split(),
                "",
            ),
            "limits": {
                "kinds": "",
                "range": "",
                "at": "",
                "reference": "",
                "units": {"*": "add times over molar_mass_g_mol"},
            },
        },
        "atmospheric_pressure": "u_given_hpa u_assumed_hpa",
    },
    "queries.toml": {
        "query": "code parameters demotes fraction below above co2_to kelvin times refrigerant_c no_dryer_k"
    },
    "register.toml": {
        "sheet": "name needed columns identity several",
        "column": "name heading kind expiry floor ceiling unit",
        "words": {"*": "*"},
    },
    "substances.toml": dict.fromkeys(("inert", "names", "other_thing", "units"), ""),
    "work.toml": {**dict.fromkeys(("none", "not_done", "between"), ""), "part": {"*": "words alone ends"}},
    "causes.toml": {
        **dict.fromkeys(("order", "from_intake", "at_intake", "only_where_failed", "only_where_not_stated"), ""),
        "scope": "parameter scope outlets words",
        "level": "point plant intake test",
        "causes": "parameter direction supply dryer likely check",
        "doubt_causes": "*",
        "kind_causes": "*",
        "origin": {"*": "first instead"},
    },
    "notation.toml": {
        "words": "not_tested not_detected trace stain clear",
        "doubt": "before behind",
        "temperature": "minus degrees celsius",
        "signs": "tick cross no either empty danger box",
        "dates": "as_expiry serial years two_digit_1900_from swapped_from weekdays leading week no_day ordinals hours",
        **dict.fromkeys("bounds bounds_behind possible fraction stain_mg_m3 lowest_mark months".split(), "*"),
    },
    "units.toml": {
        "reference": "temperature_k pressure_pa normal_temperature_k gas_constant_j_mol_k atmosphere_hpa atmosphere_used_hpa",
        "molar_mass_g_mol": "*",
        "unit": {"*": "factor zero normal absolute quantity remark spellings"},
        "kind": {"*": "default fields needed plain substance units why"},
        "clash": "parameters fields above below dry perhaps supplies",
    },
    "headings-en.toml": {
        "fields": {"*": "synonyms abbreviations loose"},
        "patterns": {"*": "synonyms loose"},
        **dict.fromkeys("at_atmosphere substances ambiguous stems unless parts".split(), "*"),
        "others": "unit limit verdict parameter value number earlier",
        "words": "filler to and or joining condition limit at_least at_most other_thing function aside general later",
    },
    "loose_words.toml": {
        **dict.fromkeys(("negation", "turns", "asked", "doubt", "doubted", "covered", "either"), ""),
        "absent": "words beside",
        **dict.fromkeys(
            "letters supply dryer odour liquid_water own_verdict outlet_status visit_reason "
            "nature said_of sensed well safe mistaken proper".split(),
            "*",
        ),
    },
    "verdicts.toml": {
        "heading": "passing failing filler both",
        "yes": "words covered said",
        "no": "words denied letters of_a_test blank",
        "sign": "marks usual pairs",
        "question": "good ill",
        "count": "number tested whole score rate of and plural",
    },
    "clauses.toml": {
        "lowest_use_temperature_c": "bound towards use weather place elsewhere worse covered heated limited",
        "test_date": "test number by aside covered",
        "short": "",
    },
    "supplied.toml": dict.fromkeys(
        "airline line linking aside further covered "
        "charging compressor cylinder dryer itself alone none title both page joining numbered high about "
        "doubt place place_ends site site_begins firm sited where housed gear listed of_air of_site feeds "
        "testing behind tapped between through toward ahead using filtering stopped drying ill worn uncounted "
        "other form_filling denying limiting choices".split(),
        "",
    ),
    "said.toml": {
        "against": "verdict stop void undone lapsed instrument trouble row remark",
        "answer": "good ill filler state no yes fine closed ended",
        "pair": {"*": "of ill far"},
        "slip": "real",
        "doubt": "no lack fine",
        "clear": "words beside",
        "no": "words once none subject denies",
        "general": "all rule report around approved except article plural firm limits legend pass monoxide "
        "machine aside prices lasts added kit shared "
        "mended done due once few strokes counts again past open small other case optional lasting then happened retested well "
        "passed passing",
        "cold": "words without",
        "apart": "words called",
        "measured": "expanded of_the_day without elsewhere clause of counted minutes corrects visit spoken units falls checks "
        "users together each again foreign",
        "alone": "words remark filler title record",
        "span": "same refers to from on of until before outlet several places",
        "beside": "laboratory",
        "odd": "ill fine free",
    },
    "colours.toml": {"words": "*", "hues": "*", "key": "beside things others not means ill"},
    "composed.toml": {"filled_from_bar": "", "unit": "*", "rule": "field or must may unit by_unit stated general"},
    "unclear.toml": {"made": "", "after": "", "rule": "words units also without only stop choices"},
    "wear.toml": {
        **dict.fromkeys(
            "weight slack fewest_older recent_fewest recent_most recent_share season_visits season_years season_prior_k lot_sites "
            "lot_days line_visits short_line_visits years_ahead growth_scatter growth_early growth_late "
            "bend_exponents bend_weights quickening_days way_least way_worse way_wearing_out way_sure".split(),
            "",
        ),
        "dryer": "adsorbing_risen_k adsorbing_above_c desiccant_above_c refrigerant_risen_k like_ambient_k "
        "refrigerant_risen_without_ambient_k",
    },
    "limits_reading.toml": {
        "limits": "file_bytes text_bytes parts part_bytes part_ratio part_bytes_hard dense_cells sparse_cells seconds_a_file "
        "seconds_a_megabyte memory_bytes small_files small_bytes",
        "suffixes": "read text refused",
        "rows": "outlet_words beside_outlet_words rule_words rule_names aside_words aside_beside_words ditto_words "
        "signature_words page_words no_title_words visit_words method_words verdict_words sheet_words",
        "not_seen": "*",
        "beside": "days",
    },
    "marked.toml": {"limits": "most_cells most_bytes most_marks most_in_a_comment", "parts": "*", "pieces": {"*": "*"}},
    "palette.toml": {
        "style": {"*": "fill text chart mark bold"},
        "series": "colours",
        "words": "*",
        "page": "ink quiet line rule heading_fill tile_fill caution_fill caution_line link sparkline limit_line font font_size",
    },
    "sheets.toml": {
        **dict.fromkeys(("order", "wrap_rows", "date_format", "smallest_print_percent"), ""),
        "columns": f"heading {_LOOK}",
        "patterns": f"match {_LOOK}",
        "row_format": "*",
        "sheet": {"*": {**dict.fromkeys("freeze pages print_to repeat row_pt".split(), ""), "column": {"*": _LOOK}}},
    },
    "blank.toml": {
        **dict.fromkeys(
            "font default_size heading_size entry_size long_text_size long_texts row_height heading_height ruled_rows "
            "spare_rows rows_a_page checked_rows print_scale readings_page_ends visit_widths readme_widths register_rows "
            "register_readme readme tall_visit_rows wanted few_need_from".split(),
            "",
        ),
        "colours": "ink rule group_edge hint caution_fill caution_edge",
        "group": "name fill fields",
        **dict.fromkeys("widths register_widths range airline_ceiling pick trade_words".split(), "*"),
    },
    "rules/_schema.toml": {
        **dict.fromkeys(("supplies", "odour_words", "confidences", "decision_rules"), ""),
        "flag": "*",
        "spelling": "*",
        "reference_state": "gas_constant_j_mol_k temperature_k pressure_pa",
    },
}


def page_of(file: str) -> str:
    """The name of a data file's page: headings of every language have that of the English ones."""
    return "headings-en.toml" if file.startswith("headings-") else file


def unknown_keys(found: Mapping[str, Any], page: Any, where: str = "") -> Iterator[str]:
    """What a file holds and its page does not, as `parameter.tubee`, in the order of the file."""
    if isinstance(page, list):  # of a language: the English texts are the page
        page = {key: inner for table in page if isinstance(table, dict) for key, inner in table.items()}
    below = page if isinstance(page, dict) else dict.fromkeys(str(page).split())
    for key, value in found.items():
        if key not in below and "*" not in below:
            yield f"{where}{key}"
            continue
        inner = below.get(key, below.get("*"))
        for table in value if isinstance(value, list) else [value]:
            if inner is not None and isinstance(table, dict):
                yield from unknown_keys(table, inner, f"{where}{key}.")
