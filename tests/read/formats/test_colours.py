"""What the XML of a sheet, its styles and its texts show of colours, in ways that openpyxl does not write."""

import io

import openpyxl

from grader.read.formats.colours import colours_of
from grader.read.formats.package import book_of
from grader.read.formats.parts import Parts
from grader.read.process import reading_limits
from tests.read.conftest import SHEET, changed, plain

STYLES = "xl/styles.xml"
OF_ANY = (-1, -1)  # the place of colours that any cell may be meant by
RULE = b'<extLst><ext><x14:conditionalFormattings xmlns:x14="u"/></ext></extLst></worksheet>'


def seen(part, old, new):
    """The colours of a log of two tests of which a part is changed."""
    made = []

    def change(content):
        made.append(content.replace(old, new, 1))
        assert old in content
        return made[0]

    stream = io.BytesIO()
    openpyxl.load_workbook(io.BytesIO(plain((1, 2)))).save(stream)
    parts = Parts(changed(stream.getvalue(), part, change), reading_limits())
    assert made
    return colours_of(book_of(parts), "Readings")


def test_a_rule_in_a_list_of_extensions_may_colour_any_cell():
    assert seen(SHEET, b"</worksheet>", b"</worksheet>") is not None
    assert seen(SHEET, b"</worksheet>", RULE) is None


def test_a_built_in_format_prints_what_is_below_zero_in_red():
    assert OF_ANY not in seen(STYLES, b"</cellXfs>", b"</cellXfs>")
    found = seen(STYLES, b"<cellXfs", b'<cellXfs><xf numFmtId="38"/></cellXfs><cellXfs')
    assert found[OF_ANY] == ("FF0000",)
