"""What is printed above and below the pages of a sheet, and what other sheets say of one outlet (openpyxl as the writer)."""

import io
import struct
import zipfile
from pathlib import Path

import openpyxl
import pytest
import xlsxwriter

from grader import grade
from grader.read.formats.parts import Refused
from grader.read.formats.workbook import open_file
from grader.read.process import reading_limits
from tests.read.formats.test_binary import binary, record
from tests.read.formats.test_ods import HEAD, cell, ods, row, sheets_of
from tests.read.test_comments import HEADS, ROW

BOOKS = Path(__file__).parents[1] / "workbooks"
OUTLETS = ("T1", "Bay 2", "Nord 3")


def book(**sheets):
    """A log of three outlets that pass, with further sheets of rows."""
    made = openpyxl.Workbook()
    made.active.append(HEADS)
    for outlet in OUTLETS:
        made.active.append([outlet, *ROW[1:]])
    for name, rows in sheets.items():
        sheet = made.create_sheet(name)
        for cells in rows:
            sheet.append(cells)
    return made


def printed(where, text):
    made = book()
    part = getattr(made.active, where)
    part.center.text = text
    return made


def below(text):
    """A log with a line below its outlets, a row between."""
    made = book()
    made.active.cell(6, 1).value = text
    return made


def rows(*some):
    """A log with rows below its outlets, a row between."""
    made = book()
    for number, cells in enumerate(some, start=6):
        for column, value in enumerate(cells, start=1):
            made.active.cell(number, column).value = value
    return made


def above(text):
    made = book()
    made.active.insert_rows(1, 2)
    made.active["A1"] = text
    return made


def named(tab):
    made = book()
    made.active.title = tab
    return made


BAD, NOTHING = "incomplete", "pass"
CASES = {
    "nothing": (book(), {}),
    "header": (printed("oddHeader", "VOID"), dict.fromkeys(OUTLETS, BAD)),
    "footer": (printed("firstFooter", "Readings not valid"), dict.fromkeys(OUTLETS, BAD)),
    "harmless header": (printed("evenHeader", "Air tests &P of &N"), {}),
    "defects": (book(Defects=[["Outlet", "Defect"], ["Bay 2", "coupling stiff"], ["T1", "none"]]), {"Bay 2": BAD}),
    "known words": (book(Snags=[["Bay 2", "hose perished"]]), {"Bay 2": BAD}),
    "mended": (book(Defects=[["Outlet", "Defect", "Status"], ["Bay 2", "hose perished", "closed 3 May"]]), {}),
    "not mended": (book(Defects=[["Bay 2", "hose perished", "to be replaced"]]), {"Bay 2": BAD}),
    "within a text": (book(Notes=[["Bay 2: smelled of oil"]]), {"Bay 2": BAD}),
    "a German list": (book(Mängelliste=[["Zapfstelle", "Mangel"], ["Nord 3", "Kupplung schwergängig"]]), {"Nord 3": BAD}),
    "a French list": (book(Défauts=[["Bay 2", "raccord dur"]]), {"Bay 2": BAD}),
    "of another outlet": (book(Defects=[["Outlet", "Defect"], ["Bay 9", "coupling stiff"]]), {}),
    "ticked off": (book(Defects=[["Outlet", "Defect", "Fixed on"], ["Bay 2", "coupling stiff", "2025-05-13"]]), {}),
    "not ticked off": (book(Defects=[["Outlet", "Defect", "Done"], ["Bay 2", "coupling stiff", "no"]]), {"Bay 2": BAD}),
    "a stroke is no name": (book(Notes=[["-", "All outlets contaminated: do not use"]]), dict.fromkeys(OUTLETS, BAD)),
    "not closed": (book(Notes=[["Closed until further notice: do not use"]]), dict.fromkeys(OUTLETS, BAD)),
    "done by": (book(Defects=[["Bay 2", "do not use, condemned", "completed by J"]]), {"Bay 2": BAD}),
    "a running number": (book(Notes=[[1, "Do not use. Condemned until further notice"]]), dict.fromkeys(OUTLETS, BAD)),
    "a number and a name": (book(Defects=[[1, "Bay 2", "odd noise from the bowl"]]), {"Bay 2": BAD}),
    "a day as text": (book(Defects=[["Bay 2", "12.05.2026", "odd noise from the bowl"]]), {"Bay 2": BAD}),
    "the others": (below("Bay 2 is good, all others condemned"), dict.fromkeys(OUTLETS, BAD)),
    "one below": (below("Bay 2: gauge stuck, pressure guessed"), {"Bay 2": BAD}),
    "all below remarks": (below("All outlets: do not use, condemned"), dict.fromkeys(OUTLETS, BAD)),
    "figures of all": (below("Bay 2 condemned, tubes used: CO lot 123 exp 03/2024"), dict.fromkeys(OUTLETS, BAD)),
    "a tab": (named("VOID"), dict.fromkeys(OUTLETS, BAD)),
    "a reading in a line": (below("CO at Bay 2 was 30"), {"Bay 2": BAD}),
    "a correction": (book(Corrections=[["Bay 2", "CO should be 30"]]), {"Bay 2": BAD}),
    "an agreeing reading": (book(Summary=[["Bay 2", "CO 1 ppm"], ["T1", "CO limit 5 ppm"]]), {}),
    "cells of a row": (rows(["Bay 2", "CO", 18], [], ["Signed", "A. Person"]), {"Bay 2": BAD}),
    "cells of a row alone": (rows(["Bay 2", "CO", 18]), {"Bay 2": BAD}),
    "lines below a late reading": (rows(["Bay 2", "CO", 18], ["Fire office", "01234 5550"], ["CO", "5 ppm"]), {"Bay 2": BAD}),
    "an odour below": (rows(["Roof", None, None, None, None, "strong oil"]), {"Roof": "fail"}),
    "a list of what is faulty": (rows(["Faulty", "Bay 2"]), {"Bay 2": BAD}),
    "all but one": (below("T1 and Nord 3 may be used"), {"Bay 2": BAD}),
    "all but one in a row": (book(Notes=[["Released", "T1", "Nord 3"]]), {"Bay 2": BAD}),
    "boxes on a cover": (book(Cover=[["Overall result: ☐ pass ☒ fail"]]), dict.fromkeys(OUTLETS, BAD)),
    "boxes in cells of a cover": (book(Cover=[["Overall result", "pass", None, "fail", "x"]]), dict.fromkeys(OUTLETS, BAD)),
    "except one": (below("All passed except Bay 2"), {"Bay 2": BAD}),
    "some of them": (below("2 of 3 outlets passed"), dict.fromkeys(OUTLETS, BAD)),
    "an answer": (rows(["Released for use", "no"]), dict.fromkeys(OUTLETS, BAD)),
    "a good answer": (rows(["Released for use", "yes"]), {}),
    "a state": (rows(["Instrument state", "faulty"]), dict.fromkeys(OUTLETS, BAD)),
    "a tick": (below("☐ pass  ☒ not acceptable"), dict.fromkeys(OUTLETS, BAD)),
    "boxes unused": (below("Conforme ☐  Non conforme ☐"), {}),
    "boxes in cells": (rows(["May be used", "Yes", None, "No", "x"]), dict.fromkeys(OUTLETS, BAD)),
    "boxes in cells, good": (rows(["Darf benutzt werden", "Ja", "x", "Nein"]), {}),
    "a question": (above("Any outlet dangerous? Y"), dict.fromkeys(OUTLETS, BAD)),
    "a question denied": (above("Défauts constatés : aucun"), {}),
    "the outlet with problems": (below("Probleme: Bay 2"), {"Bay 2": BAD}),
    "purged": (rows(["5 min gespült", "nein"]), dict.fromkeys(OUTLETS, BAD)),
    "a reason left open": (below("Reason for failure:"), {}),
    "words to choose from": (book(Lists=[["pass"], ["fail"], ["out of use"]]), {}),
    "one counted": (below("Number of rejects: 1"), dict.fromkeys(OUTLETS, BAD)),
    "one of them missing": (above("2 von 3 bestanden"), dict.fromkeys(OUTLETS, BAD)),
    "a table of counts": (rows(["Conformes", 2], ["Non conformes", 1]), dict.fromkeys(OUTLETS, BAD)),
    "none counted": (below("Non-conformités : 0"), {}),
    "all of them": (above("3 tested, 3 passed"), {}),
    "a sum": (above("All CO readings must be multiplied by 10"), dict.fromkeys(OUTLETS, BAD)),
    "a list of locks": (book(Lockouts=[["Point", "since"], ["Bay 2", "2025-05-20"]]), {"Bay 2": BAD}),
    "an exercise": (named("Übung"), dict.fromkeys(OUTLETS, BAD)),
    "VOID of March": (book(), dict.fromkeys(OUTLETS, BAD)),
    "phones below": (rows(["In case of fire ring"], ["Safety office", "01234 555010"], ["CO", "5 ppm"]), {}),
    "of all": (book(Notes=[["CO alarm sounded during the tests"]]), dict.fromkeys(OUTLETS, BAD)),
}  # fmt: skip


@pytest.fixture(scope="module")
def graded(tmp_path_factory):
    """Name of a case -> outlet -> verdict."""
    folder = tmp_path_factory.mktemp("elsewhere")
    for name, (made, _) in CASES.items():
        for cells in made.active.iter_rows(min_col=2, max_col=2):
            if cells[0].value == ROW[1]:
                cells[0].value = f"Works of {name}"
        made.save(folder / f"{name}.xlsx")
    found = grade(folder, as_of="2026-06-30").verdicts
    return {
        name: dict(zip(mine["Outlet"], mine["Verdict"]))
        for name in CASES
        if len(mine := found[found["File"] == f"{name}.xlsx"])
    }


@pytest.mark.parametrize("name", CASES)
def test_what_stands_elsewhere_keeps_those_from_a_pass_that_it_speaks_of(graded, name):
    assert graded[name] == {**dict.fromkeys(OUTLETS, NOTHING), **CASES[name][1]}


def test_a_retest_on_a_sheet_of_its_own_is_of_the_site_of_the_others(tmp_path):
    heads, fail = [h for h in HEADS if h != "Site"], ["T1", "2025-05-20", *ROW[3:]]
    book(Retests=[heads, [60 if h == "Carbon monoxide (ppm)" else v for h, v in zip(heads, fail)]]).save(
        tmp_path / "r.xlsx"
    )
    found = grade(tmp_path, as_of="2026-06-30")
    tests = found.verdicts[found.verdicts["Outlet"] == "T1"]
    assert dict(zip(tests["Sheet"], tests["Verdict"])) == {"Sheet": "pass", "Retests": "fail"}
    assert set(tests["Site"]) == {"Strike Works"}
    assert found.problems["Problem"].str.contains("name no site").sum() == 1


def test_a_line_of_one_form_that_names_another_outlet_is_of_that_one_too(tmp_path):
    made = openpyxl.Workbook()
    made.remove(made.active)
    for outlet in OUTLETS:
        sheet = made.create_sheet(outlet)
        for label, value in zip(HEADS, [outlet, *ROW[1:]]):
            sheet.append([label, value])
    made["T1"].append(["Bay 2 is not to be used."])
    made.save(tmp_path / "forms.xlsx")
    found = grade(tmp_path, as_of="2026-06-30").verdicts
    verdicts = dict(zip(found["Outlet"], found["Verdict"]))
    assert verdicts["Bay 2"] == BAD and verdicts["Nord 3"] == "pass"


def test_another_sheet_without_a_site_clears_no_fail_of_a_named_one(tmp_path):
    heads, later = [h for h in HEADS if h != "Site"], ["T1", "2025-05-20", *ROW[3:]]
    made = book(Data=[heads, later])
    made.active.cell(2, HEADS.index("Carbon monoxide (ppm)") + 1).value = 60
    made.save(tmp_path / "r.xlsx")
    due = grade(tmp_path, as_of="2025-06-30").due
    assert "out of use" in set(due["State"][due["Outlet"] == "T1"])


# -- the formats -----------------------------------------------------------------------------------------


def test_the_texts_printed_on_an_old_workbook_are_read():
    """Header and Footer ([MS-XLS] 2.4.136 and the record before it), as LibreOffice writes them."""
    data = (BOOKS / "printed.xls").read_bytes()
    assert set(next(iter(open_file(data, "v.xls", reading_limits()).sheets)).printed) == {
        "VOID",
        "Readings not valid meter faulty",
    }


def test_the_texts_printed_on_a_binary_workbook_are_read():
    """BrtBeginHeaderFooter ([MS-XLSB]): flags in two bytes, six texts of which each may be null."""
    texts = b"".join(
        b"\xff\xff\xff\xff" if t is None else struct.pack("<I", len(t)) + t.encode("utf-16-le")
        for t in ("&CVOID", None, "", None, None, "&RPage &P")
    )
    data = binary(record(479, b"\0\0" + texts))
    assert next(iter(open_file(data, "v.xlsb", reading_limits()).sheets)).printed == ("VOID", "Page")


def test_the_texts_printed_on_an_open_document_are_those_of_its_sheet_s_own_page():
    pages = "".join(
        f'<style:master-page style:name="{name}"><style:header><text:p>{text}</text:p></style:header>'
        f"<style:footer><text:p>foot of {name}</text:p></style:footer></style:master-page>"
        for name, text in (("mine", "VOID"), ("other", "Not mine"))
    )
    styles = (
        f"<office:document-styles {HEAD}><office:master-styles>{pages}</office:master-styles></office:document-styles>"
    )
    head = '<style:style style:name="ta1" style:family="table" style:master-page-name="mine"/>'
    data = ods(row(cell("string", "Outlet")), head=head, styles_xml=styles)
    assert list(sheets_of(data)[0].printed) == ["VOID", "foot of mine"]


def boxed(text):
    """A log with a text box, written by xlsxwriter."""
    stream = io.BytesIO()
    made = xlsxwriter.Workbook(stream)
    sheet = made.add_worksheet("Log")
    for number, cells in enumerate([HEADS, *([name, *ROW[1:]] for name in OUTLETS)]):
        sheet.write_row(number, 0, cells)
    sheet.insert_textbox("A8", text)
    made.close()
    return stream.getvalue()


@pytest.mark.parametrize(
    ("text", "those"),
    [("VOID", OUTLETS), ("Bay 2 out of use,\nhose burst", ("Bay 2",)), ("Air tests\nof the firm", ())],
)
def test_a_text_box_speaks_of_the_outlets_that_it_names_or_of_all(tmp_path, text, those):
    (tmp_path / "log.xlsx").write_bytes(boxed(text))
    found = grade(tmp_path, as_of="2026-06-30").verdicts
    assert set(found["Outlet"][found["Verdict"] == BAD]) == set(those) and len(found) == len(OUTLETS)


def test_the_text_of_a_box_on_an_open_document_is_read():
    box = "<draw:frame><draw:text-box><text:p>Bay 2</text:p><text:p>VOID</text:p></draw:text-box></draw:frame>"
    made = sheets_of(ods(f"<table:shapes>{box}</table:shapes>" + row(cell("string", "Outlet"))))
    assert (made[0].rows, [" ".join(t.split()) for t in made[0].printed]) == ([["Outlet"]], ["Bay 2 VOID"])


def test_an_encoding_that_is_unknown_is_damage_in_an_open_document_too():
    data = ods(row(cell("string", "Outlet")))
    changed = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(data)) as old, zipfile.ZipFile(changed, "w") as new:
        for name in old.namelist():
            head = b'<?xml version="1.0" encoding="klingon"?>' if name == "content.xml" else b""
            new.writestr(name, head + old.read(name))
    with pytest.raises(Refused) as caught:
        sheets_of(changed.getvalue())
    assert caught.value.code == "damaged"


def test_a_footer_in_xml_of_another_make_is_read():
    """A prefix, attributes, entities: as others write them."""
    stream = io.BytesIO()
    book().save(stream)
    changed = io.BytesIO()
    with zipfile.ZipFile(stream) as old, zipfile.ZipFile(changed, "w") as new:
        for name in old.namelist():
            content = old.read(name)
            if name == "xl/worksheets/sheet1.xml":
                code = b'&amp;L&amp;"Arial,Bold"&amp;KFF0000Air &amp;&amp; VOID'
                foot = b'<headerFooter><oddFooter xml:space="preserve">' + code + b"</oddFooter></headerFooter>"
                content = content.replace(b"</worksheet>", foot + b"</worksheet>")
            new.writestr(name, content)
    assert next(iter(open_file(changed.getvalue(), "v.xlsx", reading_limits()).sheets)).printed == ("Air & VOID",)


@pytest.mark.parametrize("text", ["", "winter use down to -50 C", "Im Winter bis -55 °C", "En hiver jusqu'à -52 °C"])
def test_a_cold_said_over_a_table_is_tried_beside_the_temperatures_of_its_rows(tmp_path, text):
    made = openpyxl.Workbook()
    for cells in (["Site", "Dock"], ["Test date", "2026-03-12"], [text], [], [*HEADS, "Lowest use temperature (°C)"]):
        made.active.append(cells)
    for outlet in OUTLETS:
        made.active.append([outlet, *ROW[1:-1], 20, 5])
    made.save(tmp_path / "log.xlsx")
    found = grade(tmp_path, as_of="2026-11-25").verdicts
    assert found["Verdict"].isin(["pass", "near limit"]).tolist() == [not text] * len(OUTLETS)


@pytest.mark.parametrize(
    ("text", "against"),
    [
        ("T1: oil 4.2 mg/m³", ["T1"]),
        ("Bay 2: NON CONFORME", ["Bay 2"]),
        ("S 1: NON CONFORME", ["S 1"]),
        ("T1: wrong tube, as all others", [*OUTLETS, "S 1"]),
        ("Compressor broken down", [*OUTLETS, "S 1"]),
        ("Note: outlets condemned", ["S 1"]),
        ("Compressor South broken down", ["S 1"]),
    ],
)
def test_a_line_on_one_of_two_sheets_with_tests_is_of_those_that_it_speaks_of(tmp_path, text, against):
    book(South=[HEADS, ["S 1", *ROW[1:]], [], [text]]).save(tmp_path / "log.xlsx")
    found = grade(tmp_path, as_of="2026-11-25").verdicts
    bad = ~found["Verdict"].isin(["pass", "near limit"])
    assert sorted(found["Outlet"][bad]) == sorted(against) and len(found) == len(OUTLETS) + 1
